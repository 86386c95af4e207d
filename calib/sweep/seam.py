"""The overlap of two neighbouring strips: what both see of the film.

Both pictures are smoothed alike before the right one is interpolated, so that neither the noise nor its interpolation
draws the match towards whole or half pixels.
"""

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.ordered import in_order_on
from calib.sweep.counterpart import counterparts
from calib.sweep.model import StripSweep
from calib.sweep.smoothing import Picture, smooth, spline_coefficients
from calib.sweep.tables import ReadWindow

WINDOW_LINES = 48
READ_LINES = 1024  # read at once
LEAST_WIDTH = 6  # samples of overlap below which nothing is compared
GUARD = 6  # samples kept beyond the overlap, so that a shifted window still finds its picture


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """Some columns of a strip, values and 1-sigma noise of all its lines (n_lines, n)."""

    values: Picture
    sigma: Picture


@dataclass(frozen=True, slots=True, eq=False)
class Overlap:
    """The overlap of strip `seam` and its right neighbour, which see the film with the sweeps `left` and `right`.

    `samples` of the left strip are compared; `left_side` begins at its sample `near`, `right_side` at the right one's
    first.
    """

    seam: int
    left: StripSweep
    right: StripSweep
    samples: NDArray[np.int64]
    near: int
    left_side: Side
    right_side: Side


class SeamPictures(NamedTuple):
    """An overlap ready to be matched, its left samples (n_l, n_s), n_l a multiple of WINDOW_LINES.

    `left`, `right` are smoothed, the right one (n_r, m) also as coefficients of its spline, with the shares of signal;
    `there` (2, n_l, n_s) are the left samples' places in the right piece. `noise2` (n_l, n_s) is the left samples'
    noise variance before smoothing, 0 without signal; `noise_sums` (2, n_r + 1) the running sums over the right lines
    of the same and of the number of samples that have any.
    """

    left: Picture
    left_signal: Picture
    coefficients: Picture
    right_signal: Picture
    there: Array
    noise2: Picture
    noise_sums: Array


@dataclass(frozen=True, slots=True)
class _Columns:
    """Which columns a seam takes: left samples `near` on, of which `first` .. `stop` - 1 are compared, and right ones
    before `far`."""

    near: int
    first: int
    stop: int
    far: int


def overlap_samples(left: StripSweep, right: StripSweep) -> tuple[int, int]:
    """First and stop sample of the left strip whose film the right strip sees too, at the middle of the lines."""
    x_first = right.x_sample_mm[0] + np.median(right.x_line_mm)
    x_left = left.x_sample_mm + np.median(left.x_line_mm)
    return int(np.searchsorted(x_left, x_first)) + 1, left.n_samples - 1


def _columns(left: StripSweep, right: StripSweep) -> _Columns | None:
    """The columns of a seam; None where the strips do not share enough."""
    first, stop = overlap_samples(left, right)
    if stop - first < LEAST_WIDTH or min(left.n_lines, right.n_lines) < WINDOW_LINES:
        return None
    farthest_mm = left.x_sample_mm[stop - 1] + left.x_line_mm.max() - right.x_line_mm.min()
    far = min(int(np.searchsorted(right.x_sample_mm, farthest_mm)) + GUARD + 1, right.n_samples)
    return _Columns(max(first - GUARD, 0), first, stop, far) if far >= LEAST_WIDTH else None


def overlaps(
    read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], seams: Iterable[int], pool: Executor, most: int
) -> Iterator[Overlap]:
    """The overlaps of the given seams from left to right, as far as there are any. Every strip is read once, for both
    its seams, on the threads of `pool`; at most `most` strips' columns wait to be taken."""
    columns = {k: _columns(sweeps[k], sweeps[k + 1]) for k in sorted(seams)}
    chosen = {k: found for k, found in columns.items() if found is not None}
    strips = sorted({strip for k in chosen for strip in (k, k + 1)})

    def sides(strip: int) -> tuple[Side | None, Side | None]:
        as_right, as_left = chosen.get(strip - 1), chosen.get(strip)
        wanted = (
            None if as_right is None else slice(0, as_right.far),
            None if as_left is None else slice(as_left.near, sweeps[strip].n_samples),
        )
        return _read_sides(read[strip], sweeps[strip], wanted)

    left_side = None
    for strip, (right_side, next_left) in zip(strips, in_order_on(pool, sides, strips, most), strict=True):
        k = strip - 1
        if left_side is not None and right_side is not None:
            samples = np.arange(chosen[k].first, chosen[k].stop)
            yield Overlap(k, sweeps[k], sweeps[strip], samples, chosen[k].near, left_side, right_side)
        left_side = next_left


def _read_sides(
    read: ReadWindow, sweep: StripSweep, wanted: tuple[slice | None, slice | None]
) -> tuple[Side | None, Side | None]:
    """Some columns of all lines of a strip, twice, None where none are wanted."""
    shapes = [None if part is None else (sweep.n_lines, part.stop - part.start) for part in wanted]
    made = [None if s is None else Side(np.empty(s, np.float32), np.empty(s, np.float32)) for s in shapes]
    for first in range(0, sweep.n_lines, READ_LINES):
        stop = min(first + READ_LINES, sweep.n_lines)
        values, sigma = read(first, stop)
        for part, side in zip(wanted, made, strict=True):
            if part is not None and side is not None:
                side.values[first:stop], side.sigma[first:stop] = values[:, part], sigma[:, part]
    return made[0], made[1]


def seam_pictures(overlap: Overlap, blur_px: float) -> SeamPictures:
    """Both sides of an overlap smoothed by a Gaussian of `blur_px`; lines beyond the last whole window are left out."""
    n_lines = overlap.left.n_lines // WINDOW_LINES * WINDOW_LINES
    inside = slice(overlap.samples[0] - overlap.near, overlap.samples[-1] + 1 - overlap.near)
    left = smooth(overlap.left_side.values, overlap.left_side.sigma, blur_px)
    right = smooth(overlap.right_side.values, overlap.right_side.sigma, blur_px)
    noise2 = _variance(overlap.right_side)
    sums = np.zeros((2, len(noise2) + 1))
    np.cumsum(noise2.sum(axis=1, dtype=np.float64), out=sums[0, 1:])
    np.cumsum(np.count_nonzero(noise2, axis=1), out=sums[1, 1:])
    return SeamPictures(
        *(np.ascontiguousarray(part[:n_lines, inside]) for part in (left.values, left.signal)),
        spline_coefficients(right.values), right.signal,
        counterparts(overlap.left, overlap.right, np.arange(n_lines), overlap.samples),
        np.ascontiguousarray(_variance(overlap.left_side)[:n_lines, inside]), sums,
    )  # fmt: skip


def _variance(side: Side) -> Picture:
    """Noise variance of each sample, 0 without signal."""
    good = np.isfinite(side.sigma) & np.isfinite(side.values)
    return np.square(np.where(good, side.sigma, np.float32(0)))


def local_step(there: Array) -> Array:
    """Right-strip (line, sample) px per left-strip (line, sample) px over a window (2, n_l, n_s)."""
    n_l, n_s = there.shape[1] - 1, there.shape[2] - 1
    along = (there[:, -1].mean(axis=1) - there[:, 0].mean(axis=1)) / n_l
    across = (there[:, :, -1].mean(axis=1) - there[:, :, 0].mean(axis=1)) / n_s
    return np.column_stack([along, across])
