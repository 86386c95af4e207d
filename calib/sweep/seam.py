"""Reads the overlaps of neighbouring strips and prepares them for matching.

Both pictures are smoothed by the same Gaussian before the right one is interpolated, so that neither the noise nor its
interpolation biases the match towards whole or half pixels.
"""

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.ordered import in_order_on
from calib.sweep.counterpart import counterparts, counterparts_in_windows
from calib.sweep.layout import MODES_MOST
from calib.sweep.model import StripSweep
from calib.sweep.smoothing import Picture, smooth, spline_coefficients
from calib.sweep.tables import ReadWindow

WINDOW_LINES = 48  # height of a window
READ_LINES = 1024  # lines read at once
LEAST_WIDTH = 6  # samples; narrower overlaps are not matched
MARGIN_LINES = 12  # read beyond some rows on either side: greatest shift plus the widths of the Gaussian and the spline
GUARD = 6  # samples read beyond the overlap, for shifted windows


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """Some columns of a strip: values and 1-sigma of the noise, (n_lines, n)."""

    values: Picture
    sigma: Picture


@dataclass(frozen=True, slots=True, eq=False)
class Overlap:
    """The overlap, or some lines of it, of strip `seam` and its right neighbour, with the sweeps `left` and `right`.

    `lines` and `samples` are those of the left strip that are matched; lines fill whole windows. The first element of
    each side is at (line, sample) `left_corner` or `right_corner` of its strip.
    """

    seam: int
    left: StripSweep
    right: StripSweep
    lines: NDArray[np.int64]
    samples: NDArray[np.int64]
    left_side: Side
    left_corner: tuple[int, int]
    right_side: Side
    right_corner: tuple[int, int]


class SeamPictures(NamedTuple):
    """An overlap prepared for matching, with lines as the fast axis and the left strip cut into R rows of windows.

    `left`, `left_signal` (R, n_s, WINDOW_LINES): the smoothed left picture and its share of signal.
    `coefficients`, `right_signal` (m, n_r): the spline of the smoothed right picture, and its share of signal. Its
        lines are reversed if necessary, so that they rise with those of the left strip.
    `there` (R, 2, n_s, WINDOW_LINES): the place (line, sample) of each left sample in the right picture.
    `noise2` (2, R, n_s): sums over a window's lines of the noise variance of the left samples before smoothing, and the
        number of samples with noise. `noise_sums` (2, n_r + 1): cumulative sums over right lines of the same.
    """

    left: Picture
    left_signal: Picture
    coefficients: Picture
    right_signal: Picture
    there: Array
    noise2: Array
    noise_sums: Array


@dataclass(frozen=True, slots=True)
class _Columns:
    """The columns of a seam: left samples from `near` on are read, of which `first` .. `stop` - 1 are matched, and
    right samples before `far`."""

    near: int
    first: int
    stop: int
    far: int


def overlap_samples(left: StripSweep, right: StripSweep) -> tuple[int, int]:
    """First and stop sample of the left strip that the right strip shows too, at the median of the lines."""
    x_first = right.x_sample_mm[0] + np.median(right.x_line_mm)
    x_left = left.x_sample_mm + np.median(left.x_line_mm)
    return int(np.searchsorted(x_left, x_first)) + 1, left.n_samples - 1


def _columns(left: StripSweep, right: StripSweep) -> _Columns | None:
    """The columns of a seam; None if the overlap is too narrow or the strips too short."""
    first, stop = overlap_samples(left, right)
    if stop - first < LEAST_WIDTH or min(left.n_lines, right.n_lines) < WINDOW_LINES:
        return None
    farthest_mm = left.x_sample_mm[stop - 1] + left.x_line_mm.max() - right.x_line_mm.min()
    far = min(int(np.searchsorted(right.x_sample_mm, farthest_mm)) + GUARD + 1, right.n_samples)
    return _Columns(max(first - GUARD, 0), first, stop, far) if far >= LEAST_WIDTH else None


def whole_windows(left: StripSweep) -> int:
    """The number of rows of windows in a strip; the remaining lines are not matched."""
    return left.n_lines // WINDOW_LINES


def row_step(n_rows: int) -> int:
    """The step between the rows of windows of a whole seam that are matched: a long strip has more rows than its wander
    has modes. With every second of 340 rows errors of places grew by 4 %, with every fourth by 13 %."""
    return max(n_rows // MODES_MOST, 1)


def overlaps(
    read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], seams: Iterable[int], pool: Executor, most: int
) -> Iterator[Overlap]:
    """The overlaps of the given seams from left to right; seams without one are skipped.

    The columns of a strip for both its seams are read at once, on the threads of `pool`; at most `most` strips are read
    ahead.
    """
    columns = {k: _columns(sweeps[k], sweeps[k + 1]) for k in sorted(seams)}
    chosen = {k: found for k, found in columns.items() if found is not None}
    strips = sorted({strip for k in chosen for strip in (k, k + 1)})

    def sides(strip: int) -> tuple[Side | None, Side | None]:
        as_right, as_left = chosen.get(strip - 1), chosen.get(strip)
        lines = 0, sweeps[strip].n_lines
        return (
            None if as_right is None else _read_side(read[strip], lines, slice(0, as_right.far)),
            None if as_left is None else _read_side(read[strip], lines, slice(as_left.near, sweeps[strip].n_samples)),
        )

    left_side = None
    for strip, (right_side, next_left) in zip(strips, in_order_on(pool, sides, strips, most), strict=True):
        k = strip - 1
        if left_side is not None and right_side is not None:
            took, n_rows = chosen[k], whole_windows(sweeps[k])
            lines, samples = _lines_of(range(0, n_rows, row_step(n_rows))), np.arange(took.first, took.stop)
            corners = (0, took.near), (0, 0)
            yield Overlap(k, sweeps[k], sweeps[strip], lines, samples, left_side, corners[0], right_side, corners[1])
        left_side = next_left


def overlap_rows(read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], seam: int, rows: range) -> Overlap | None:
    """Some adjacent rows of windows of one seam, read with the lines around them; None if there is no overlap or the
    right strip does not show these lines."""
    left, right = sweeps[seam], sweeps[seam + 1]
    columns = _columns(left, right)
    if columns is None:
        return None
    first, stop = rows.start * WINDOW_LINES, rows.stop * WINDOW_LINES
    samples = np.arange(columns.first, columns.stop)
    there = counterparts(left, right, np.array([first, stop - 1]), samples)[0]
    low, high = max(int(there.min()) - MARGIN_LINES, 0), min(int(there.max()) + MARGIN_LINES + 1, right.n_lines)
    if high - low < WINDOW_LINES:
        return None
    begin, end = max(first - MARGIN_LINES, 0), min(stop + MARGIN_LINES, left.n_lines)
    left_side = _read_side(read[seam], (begin, end), slice(columns.near, left.n_samples))
    right_side = _read_side(read[seam + 1], (low, high), slice(0, columns.far))
    corners = (begin, columns.near), (low, 0)
    return Overlap(seam, left, right, _lines_of(rows), samples, left_side, corners[0], right_side, corners[1])


def _lines_of(rows: range) -> NDArray[np.int64]:
    """The lines of some rows of windows."""
    return (np.array(rows)[:, None] * WINDOW_LINES + np.arange(WINDOW_LINES)).ravel()


def _read_side(read: ReadWindow, lines: tuple[int, int], samples: slice) -> Side:
    """Some columns of the lines `lines[0]` .. `lines[1]` - 1. Only these are read: most of a strip does not overlap,
    and converting DN to values costs far more than reading some of them twice."""
    shape = lines[1] - lines[0], samples.stop - samples.start
    side = Side(np.empty(shape, np.float32), np.empty(shape, np.float32))
    for first in range(*lines, READ_LINES):
        stop = min(first + READ_LINES, lines[1])
        at = slice(first - lines[0], stop - lines[0])
        side.values[at], side.sigma[at] = read(first, stop, samples)
    return side


def seam_pictures(overlap: Overlap, blur_px: float) -> SeamPictures:
    """An overlap prepared for matching, both sides smoothed by a Gaussian of rms radius `blur_px`."""
    begin, near = overlap.left_corner
    lines, samples = overlap.lines - begin, slice(overlap.samples[0] - near, overlap.samples[-1] + 1 - near)
    left = smooth(overlap.left_side.values, overlap.left_side.sigma, blur_px)
    right = smooth(overlap.right_side.values, overlap.right_side.sigma, blur_px)
    there = counterparts_in_windows(overlap.left, overlap.right, overlap.lines, overlap.samples, WINDOW_LINES)
    there -= np.array(overlap.right_corner)[:, None, None]
    coefficients, signal = spline_coefficients(right.values), right.signal
    noise2 = _in_windows(_variance(overlap.left_side.values[lines, samples], overlap.left_side.sigma[lines, samples]))
    right_noise2 = _noise_by_line(overlap.right_side.values, overlap.right_side.sigma)
    if there[0, 0, 0, 0] > there[-1, 0, 0, -1]:  # make right lines rise with left ones: interpolation is then faster
        there[:, 0] = len(signal) - 1 - there[:, 0]
        coefficients, signal, right_noise2 = coefficients[::-1], signal[::-1], right_noise2[:, ::-1]
    sums = np.zeros((2, len(signal) + 1))
    np.cumsum(right_noise2, axis=1, out=sums[:, 1:])
    return SeamPictures(
        _in_windows(left.values[lines, samples]), _in_windows(left.signal[lines, samples]),
        np.ascontiguousarray(coefficients.T), np.ascontiguousarray(signal.T), there,
        np.stack([noise2.sum(axis=2, dtype=np.float64), np.count_nonzero(noise2, axis=2)]), sums,
    )  # fmt: skip


def _in_windows(picture: Picture) -> Picture:
    """A picture (R * WINDOW_LINES, n_s) as rows of windows (R, n_s, WINDOW_LINES)."""
    return np.ascontiguousarray(picture.reshape(-1, WINDOW_LINES, picture.shape[1]).transpose(0, 2, 1))


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc"})
def _noise_by_line(values: Picture, sigma: Picture) -> Array:  # pragma: no cover
    """For each line the sum of its samples' noise variance and the number of samples with noise, (2, n_l)."""
    out = np.zeros((2, values.shape[0]))
    for i in range(values.shape[0]):
        total, count = np.float32(0), np.float32(0)
        for j in range(values.shape[1]):
            noise = sigma[i, j] if np.isfinite(sigma[i, j]) & np.isfinite(values[i, j]) else np.float32(0)
            total += noise * noise
            count += np.float32(1) if noise > 0 else np.float32(0)
        out[0, i], out[1, i] = total, count
    return out


def _variance(values: Picture, sigma: Picture) -> Picture:
    """Noise variance of each sample, 0 without signal."""
    return np.square(np.where(np.isfinite(sigma) & np.isfinite(values), sigma, np.float32(0)))
