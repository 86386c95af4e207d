"""Estimates line jitter, the small offset of each scan line across the strip, from the picture's texture.

Two neighbouring lines show nearly the same film; least squares on the gradient along them gives their relative shift.
Noise and real changes of the film shift them too, but differently in each part of the strip's width, while jitter is
the same in all parts. So products of the shifts of different parts give its variance, independent of noise. If it is
not significant, nothing is changed. If it is, the offsets are the most likely ones (Wiener) given that variance, the
noise of the samples and the scatter between the parts.
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

PARTS = 4  # of a line's samples
PIECES, PIECE_LINES = 6, 128  # of a strip, in which jitter is looked for first
BLOCK_LINES = 1024
SURE = 6.0  # least significance of the variance found, in its own 1-sigma
WORST = 4.0  # a shift is ignored if its variance exceeds this many times the jitter's


@dataclass(frozen=True, slots=True, eq=False)
class LineShifts:
    """Shifts of each line against the one before, px, by part: `shift` and `variance` by noise alone, (n_lines - 1,
    PARTS); variance inf where a part carries too little."""

    shift: Array
    variance: Array


def steps_in_pieces(read: Sequence[ReadWindow], n_lines: Sequence[int], threads: int = 1) -> list[list[LineShifts]]:
    """Shifts in some pieces of each strip, for `with_jitter`. They do not depend on the sweep, whose part is subtracted
    later, so they can be measured in parallel with other work."""

    def look(strip: tuple[ReadWindow, int]) -> list[LineShifts]:
        return [_steps(strip[0], first, stop) for first, stop in _pieces(strip[1])]

    return shared_out(look, zip(read, n_lines, strict=True), threads)


def with_jitter(
    read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], sample_mm: float, pieces: Sequence[list[LineShifts]],
    threads: int = 1,
) -> tuple[tuple[StripSweep, ...], float]:  # fmt: skip
    """The sweeps with each line's offset added to `x_line_mm`, and the largest rms jitter of a strip, px.

    If none is significant, the sweeps are unchanged and the jitter is 0. `pieces` are those of `steps_in_pieces`.
    """
    strips = zip(read, sweeps, pieces, strict=True)
    found = shared_out(lambda strip: _with_jitter(*strip, sample_mm), strips, threads)
    return tuple(sweep for sweep, _ in found), max(rms_px for _, rms_px in found)


def _with_jitter(
    read: ReadWindow, sweep: StripSweep, pieces: list[LineShifts], sample_mm: float
) -> tuple[StripSweep, float]:
    """A strip's sweep with the offsets of its lines, and their rms, px.

    If the offsets are so large, and the lines so skew, that film places could not be inverted, the lines stay where
    they are and the rms is added to their sigma.
    """
    firsts = [first for first, _ in _pieces(sweep.n_lines)]
    seen = [_less_known(piece, sweep, sample_mm, first) for piece, first in zip(pieces, firsts, strict=True)]
    if jitter_variance(seen) == 0.0:
        return sweep, 0.0
    shifts = _less_known(_steps(read, 0, sweep.n_lines), sweep, sample_mm, 0)
    variance = jitter_variance([shifts])
    if variance == 0.0:  # pieces of a short strip share lines, and are then surer than they should be
        return sweep, 0.0
    offset, left = line_offsets(shifts, variance)
    rms_px = float(np.sqrt(variance))
    sigma_mm = np.hypot(sweep.sigma_x_mm, np.sqrt(left) * sample_mm)
    try:
        return replace(sweep, x_line_mm=sweep.x_line_mm + offset * sample_mm, sigma_x_mm=sigma_mm), rms_px
    except ValueError:
        return replace(sweep, sigma_x_mm=np.hypot(sweep.sigma_x_mm, rms_px * sample_mm)), rms_px


def _pieces(n_lines: int) -> list[tuple[int, int]]:
    """Where pieces of a strip in which jitter is looked for begin and stop."""
    size = min(PIECE_LINES, n_lines)
    firsts = np.unique(np.linspace(0, n_lines - size, PIECES).astype(int)).tolist()
    return [(first, first + size) for first in firsts]


def _steps(read: ReadWindow, first: int, stop: int) -> LineShifts:
    """Shifts between the lines first .. stop-1."""
    parts = [
        line_steps(*read(low, min(low + BLOCK_LINES + 1, stop)), PARTS) for low in range(first, stop - 1, BLOCK_LINES)
    ]
    return LineShifts(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def _less_known(shifts: LineShifts, sweep: StripSweep, sample_mm: float, first: int) -> LineShifts:
    """Shifts from the line `first` on, less what the sweep knows of them."""
    known = np.diff(sweep.x_line_mm[first : first + len(shifts.shift) + 1]) / sample_mm
    return replace(shifts, shift=shifts.shift - known[:, None])


def jitter_variance(pieces: Sequence[LineShifts]) -> float:
    """Variance (px^2) of independent offsets of the lines; 0 if it is not significant.

    The product of a shift d_l of one part and ``2 d_l - d_(l-1) - d_(l+1)`` of another is 6 times that variance on
    average; slow changes along the strip contribute nothing.
    """
    products, weights = [], []
    for piece in pieces:
        known = 1.0 / piece.variance
        inner = np.minimum(known[1:-1], np.minimum(known[:-2], known[2:]))
        bend = 2 * piece.shift[1:-1] - piece.shift[:-2] - piece.shift[2:]
        for one in range(PARTS):
            for other in range(PARTS):
                if one != other:
                    products.append(piece.shift[1:-1, one] * bend[:, other] / 6)
                    weights.append(np.sqrt(known[1:-1, one] * inner[:, other]))
    product, weight = np.concatenate(products), np.concatenate(weights)
    total = float(weight.sum())
    if total <= 0:
        return 0.0
    found = float(weight @ product) / total
    # Each pair of parts comes twice, one way and the other: twice as many products as there are independent ones.
    sigma = float(np.sqrt(2 * np.sum((weight * (product - found)) ** 2))) / total
    return found if found > SURE * sigma > 0 else 0.0


def line_offsets(shifts: LineShifts, jitter: float) -> tuple[Array, Array]:
    """Most likely offset of each line, px, exactly 0 where there is no information, and its remaining variance.

    `jitter` is the variance of the jitter. The noise of a line acts like an offset of it, because it affects the shifts
    on both sides; changes of the film are independent errors of single shifts.
    """
    known = np.sum(1.0 / shifts.variance, axis=1)
    told = known > 0
    noise = np.where(told, 1.0 / np.where(told, known, 1.0), np.inf)
    shift = np.sum(shifts.shift / shifts.variance, axis=1) * np.where(told, noise, 0.0)
    excess = _excess(shifts, shift)
    told &= noise * excess < WORST * jitter
    n = len(told) + 1
    own = np.where(told, noise, 0.0) / 2
    noise_of_line = np.maximum(np.append(own, 0.0), np.append(0.0, own))
    weight = np.where(told, 1.0 / np.where(told, noise * max(excess - 1.0, 0.1), 1.0), 0.0)
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
    doubt = excess * noise_of_line
    touched = np.append(told, False) | np.append(False, told)
    return np.where(touched, offset, 0.0), np.where(touched, jitter * doubt / (jitter + doubt), jitter)


def _excess(shifts: LineShifts, mean: Array) -> float:
    """Scatter of the parts' shifts about their mean over what noise alone makes of it; never below 1."""
    known = 1.0 / shifts.variance
    several = (known > 0).sum(axis=1) > 1
    squares = (known * (shifts.shift - mean[:, None]) ** 2).sum(axis=1)[several]
    freedom = ((known > 0).sum(axis=1) - 1)[several]
    return max(1.0, float(squares.sum() / freedom.sum())) if several.any() else 1.0
