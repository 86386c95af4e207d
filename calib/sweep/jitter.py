"""Estimates line jitter, each scan line's own small offset across the strip, from the texture of the picture.

Two adjacent lines see nearly the same film; least squares on the gradient along them gives the shift of one against the
other. Noise and the film's own change from line to line cause shifts too, but different ones in every part of the
strip's width, while jitter is the same in all parts. So products of different parts' shifts give the variance of the
jitter, whatever the noise is. If it is not significant, nothing is changed. Otherwise the offsets are the most likely
ones (Wiener filter) given that variance, the noise of the samples and the scatter between the parts.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solveh_banded

from calib.coordinates import Array
from calib.ordered import shared_out
from calib.sweep.linestep import line_steps
from calib.sweep.model import StripSweep
from calib.sweep.tables import ReadWindow

PARTS = 4  # parts of a line
PIECES, PIECE_LINES = 6, 128  # pieces of a strip, and lines of each, in which jitter is looked for first
BLOCK_LINES = 1024  # lines read at once
SURE = 6.0  # the variance of jitter is significant from this multiple of its own 1-sigma
WORST = 4.0  # greatest variance of a usable shift, in multiples of the jitter's


@dataclass(frozen=True, slots=True, eq=False)
class LineShifts:
    """Shift of each line against the one before, px, and its variance from noise alone, px^2, by part: both (n_lines -
    1, PARTS); variance inf where a part carries too little signal."""

    shift: Array
    variance: Array


def steps_in_pieces(read: Sequence[ReadWindow], n_lines: Sequence[int], threads: int = 1) -> list[list[LineShifts]]:
    """Shifts in some pieces of each strip, for `with_jitter`.

    They include those that the sweep explains. So they need no sweep and may be read while other work goes on.
    """

    def shifts_of(strip: tuple[ReadWindow, int]) -> list[LineShifts]:
        return [_steps(strip[0], first, stop) for first, stop in _pieces(strip[1])]

    return shared_out(shifts_of, zip(read, n_lines, strict=True), threads)


def with_jitter(
    read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], sample_mm: float, pieces: Sequence[list[LineShifts]],
    threads: int = 1,
) -> tuple[tuple[StripSweep, ...], float]:  # fmt: skip
    """The sweeps with each line's own offset added to `x_line_mm`, and the largest rms jitter of a strip, px.

    A strip's sweep is unchanged, and its jitter 0, if it has no significant jitter. `pieces`: from `steps_in_pieces`.
    """
    strips = zip(read, sweeps, pieces, strict=True)
    found = shared_out(lambda strip: _with_jitter(*strip, sample_mm), strips, threads)
    return tuple(sweep for sweep, _ in found), max(rms_px for _, rms_px in found)


def _with_jitter(
    read: ReadWindow, sweep: StripSweep, pieces: list[LineShifts], sample_mm: float
) -> tuple[StripSweep, float]:
    """One strip's sweep with its lines' own offsets, and their rms, px.

    If the offsets and the skew of the samples are so large that film places could not be inverted, the lines keep their
    places and the rms is added to their sigma.
    """
    firsts = [first for first, _ in _pieces(sweep.n_lines)]
    seen = [_unexplained(piece, sweep, sample_mm, first) for piece, first in zip(pieces, firsts, strict=True)]
    if jitter_variance(seen) == 0.0:
        return sweep, 0.0
    shifts = _unexplained(_steps(read, 0, sweep.n_lines), sweep, sample_mm, 0)
    variance = jitter_variance([shifts])
    if variance == 0.0:  # pieces of a short strip overlap, which makes jitter look too significant in them
        return sweep, 0.0
    offset, left = line_offsets(shifts, variance)
    rms_px = float(np.sqrt(variance))
    sigma_mm = np.hypot(sweep.sigma_x_mm, np.sqrt(left) * sample_mm)
    try:
        return replace(sweep, x_line_mm=sweep.x_line_mm + offset * sample_mm, sigma_x_mm=sigma_mm), rms_px
    except ValueError:
        return replace(sweep, sigma_x_mm=np.hypot(sweep.sigma_x_mm, rms_px * sample_mm)), rms_px


def _pieces(n_lines: int) -> list[tuple[int, int]]:
    """First and stop line of the pieces of a strip in which jitter is looked for first."""
    size = min(PIECE_LINES, n_lines)
    firsts = np.unique(np.linspace(0, n_lines - size, PIECES).astype(int)).tolist()
    return [(first, first + size) for first in firsts]


def _steps(read: ReadWindow, first: int, stop: int) -> LineShifts:
    """Shifts between the lines `first` to `stop` (exclusive), read in blocks."""
    parts = [
        line_steps(*read(low, min(low + BLOCK_LINES + 1, stop)), PARTS) for low in range(first, stop - 1, BLOCK_LINES)
    ]
    return LineShifts(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def _unexplained(shifts: LineShifts, sweep: StripSweep, sample_mm: float, first: int) -> LineShifts:
    """Shifts of the lines from `first` on, minus those that the sweep already explains."""
    explained = np.diff(sweep.x_line_mm[first : first + len(shifts.shift) + 1]) / sample_mm
    return replace(shifts, shift=shifts.shift - explained[:, None])


def jitter_variance(pieces: Sequence[LineShifts]) -> float:
    """Variance (px^2) of independent offsets of the lines; 0 if it is not significant.

    The mean product of the shifts d of one part and ``2 d_l - d_(l-1) - d_(l+1)`` of another is 6 times that variance,
    and 0 for offsets that change slowly from line to line.
    """
    products, weights = [], []
    for piece in pieces:
        information = 1.0 / piece.variance
        inner = np.minimum(information[1:-1], np.minimum(information[:-2], information[2:]))
        bend = 2 * piece.shift[1:-1] - piece.shift[:-2] - piece.shift[2:]
        for one in range(PARTS):
            for other in range(PARTS):
                if one != other:
                    products.append(piece.shift[1:-1, one] * bend[:, other] / 6)
                    weights.append(np.sqrt(information[1:-1, one] * inner[:, other]))
    product, weight = np.concatenate(products), np.concatenate(weights)
    total = float(weight.sum())
    if total <= 0:
        return 0.0
    found = float(weight @ product) / total
    # Each pair of parts is used in both orders: only half of the products are independent.
    sigma = float(np.sqrt(2 * np.sum((weight * (product - found)) ** 2))) / total
    return found if found > SURE * sigma > 0 else 0.0


def line_offsets(shifts: LineShifts, jitter: float) -> tuple[Array, Array]:
    """Most likely offset of each line, px, and the variance left, px^2, given that of the jitter; both (n_lines,).

    The offset is exactly 0 where no shift is usable. The noise of a line acts like jitter: it enters the shifts on both
    sides. The film's own change is an independent error of each shift.
    """
    information = np.sum(1.0 / shifts.variance, axis=1)
    usable = information > 0
    noise = np.where(usable, 1.0 / np.where(usable, information, 1.0), np.inf)
    shift = np.sum(shifts.shift / shifts.variance, axis=1) * np.where(usable, noise, 0.0)
    excess = _excess(shifts, shift)
    usable &= noise * excess < WORST * jitter
    n = len(usable) + 1
    own = np.where(usable, noise, 0.0) / 2
    noise_of_line = np.maximum(np.append(own, 0.0), np.append(0.0, own))
    weight = np.where(usable, 1.0 / np.where(usable, noise * max(excess - 1.0, 0.1), 1.0), 0.0)
    right = np.zeros(n)
    right[1:] += weight * shift
    right[:-1] -= weight * shift
    band = np.zeros((2, n))
    band[1] = 1.0 / (jitter + noise_of_line)
    band[1, 1:] += weight
    band[1, :-1] += weight
    band[0, 1:] = -weight
    position = solveh_banded(band, right)
    offset = position * jitter / (jitter + noise_of_line)
    error = excess * noise_of_line
    constrained = np.append(usable, False) | np.append(False, usable)
    return np.where(constrained, offset, 0.0), np.where(constrained, jitter * error / (jitter + error), jitter)


def _excess(shifts: LineShifts, mean: Array) -> float:
    """Variance of the parts' shifts about their `mean` (n,), relative to that from noise alone; at least 1."""
    information = 1.0 / shifts.variance
    several = (information > 0).sum(axis=1) > 1
    squares = (information * (shifts.shift - mean[:, None]) ** 2).sum(axis=1)[several]
    freedom = ((information > 0).sum(axis=1) - 1)[several]
    return max(1.0, float(squares.sum() / freedom.sum())) if several.any() else 1.0
