"""Line jitter: each scan line's own small offset across the strip, where the picture's texture tells it.

Two neighbouring lines see nearly the same film; least squares on the gradient along them tells by how much one is
shifted against the other. Noise and the film's own change from line to line shift them too, but differently in every
part of the strip's width, while jitter is the same in all parts: so products of different parts' shifts tell its
variance, whatever the noise is. Where they show none, nothing is changed. Where they do, the offsets are the most
likely ones (Wiener) given that variance, the samples' noise and the scatter between the parts.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solveh_banded
from scipy.ndimage import gaussian_filter1d

from calib.coordinates import Array
from calib.sweep.model import StripSweep
from calib.sweep.tables import ReadWindow

PARTS = 4  # of a line's samples
BLUR_PX = 1.0  # along the lines, before they are compared
PIECES, PIECE_LINES = 6, 128  # of a strip, in which jitter is looked for first
BLOCK_LINES = 1024
SURE = 6.0  # the variance found over its own 1-sigma
LEAST_SIGNAL = 0.7  # of a part's samples
MOST_PX = 2.0  # a shift beyond is something else
WORST = 4.0  # a shift whose variance is more times the jitter's says nothing of it
MARGIN_PX = 3  # samples at a strip's sides that smoothing has spoilt


@dataclass(frozen=True, slots=True, eq=False)
class LineShifts:
    """Shifts of each line against the one before, px, by part: `shift` and `variance` by noise alone, (n_lines - 1,
    PARTS); variance inf where a part carries too little."""

    shift: Array
    variance: Array


def with_jitter(
    read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], sample_mm: float
) -> tuple[tuple[StripSweep, ...], float]:
    """The sweeps with each line's own offset added to `x_line_mm`, and the largest rms jitter of a strip, px; 0 and
    sweeps unchanged where none is sure."""
    out, largest = [], 0.0
    for reader, sweep in zip(read, sweeps, strict=True):
        if jitter_variance(_some_shifts(reader, sweep, sample_mm)) == 0.0:
            out.append(sweep)
            continue
        shifts = measure_shifts(reader, sweep, sample_mm, 0, sweep.n_lines)
        variance = jitter_variance([shifts])
        offset, left = line_offsets(shifts, variance)
        largest = max(largest, float(np.sqrt(variance)))
        out.append(
            replace(
                sweep,
                x_line_mm=sweep.x_line_mm + offset * sample_mm,
                sigma_x_mm=np.hypot(sweep.sigma_x_mm, np.sqrt(left) * sample_mm),
            )
        )
    return tuple(out), largest


def _some_shifts(read: ReadWindow, sweep: StripSweep, sample_mm: float) -> list[LineShifts]:
    """Shifts in some pieces of a strip."""
    size = min(PIECE_LINES, sweep.n_lines)
    firsts = np.unique(np.linspace(0, sweep.n_lines - size, PIECES).astype(int)).tolist()
    return [measure_shifts(read, sweep, sample_mm, first, first + size) for first in firsts]


def measure_shifts(read: ReadWindow, sweep: StripSweep, sample_mm: float, first: int, stop: int) -> LineShifts:
    """Shifts between the lines first .. stop-1, less what the sweep knows of them."""
    parts = [
        _shifts(*(np.asarray(part, np.float64) for part in read(low, min(low + BLOCK_LINES + 1, stop))))
        for low in range(first, stop - 1, BLOCK_LINES)
    ]
    shift, variance = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    known = np.diff(sweep.x_line_mm[first:stop]) / sample_mm
    return LineShifts(shift - known[:, None], variance)


def _shifts(values: Array, sigma: Array) -> tuple[Array, Array]:
    """Shifts of lines against those before them, and their variances, (n - 1, PARTS)."""
    good = np.isfinite(sigma) & np.isfinite(values)
    weight = gaussian_filter1d(good.astype(float), BLUR_PX, axis=1, mode="constant")
    smooth = gaussian_filter1d(np.where(good, values, 0.0).astype(float), BLUR_PX, axis=1, mode="constant")
    smooth = np.where(weight > 0.5, smooth / np.maximum(weight, 0.5), 0.0)
    seen = weight > 1 - 1e-9
    seen[:, :MARGIN_PX] = seen[:, -MARGIN_PX:] = False
    both = seen[1:] & seen[:-1]
    slope = np.gradient((smooth[1:] + smooth[:-1]) / 2, axis=1)
    step = np.diff(smooth, axis=0)
    square = np.where(good, sigma, 0.0).astype(float) ** 2
    noise2 = square[1:] + square[:-1]
    shift, variance = np.zeros((2, len(step), PARTS))
    for i, columns in enumerate(np.array_split(np.arange(values.shape[1]), PARTS)):
        part = slice(columns[0], columns[-1] + 1)
        shift[:, i], variance[:, i] = _part(slope[:, part], step[:, part], noise2[:, part], both[:, part])
    return shift, variance


def _part(slope: Array, step: Array, noise2: Array, seen: Array) -> tuple[Array, Array]:
    """Shift and its variance by noise, of every line in one part; the level is free."""
    count = seen.sum(axis=1)
    many = np.maximum(count, 1)

    def centered(values: Array) -> Array:
        return np.where(seen, values - (np.where(seen, values, 0.0).sum(axis=1) / many)[:, None], 0.0)

    slope, step = centered(slope), centered(step)
    noise = np.where(seen, noise2, 0.0).sum(axis=1) / many
    # The mean of two lines, smoothed along one axis, has gradients of variance noise/4 / (4 sqrt(pi) b^3) from noise.
    square = (slope**2).sum(axis=1)
    information = np.maximum(square - count * noise / 4 / (4 * np.sqrt(np.pi) * BLUR_PX**3), 0.1 * square)
    spread = (gaussian_filter1d(slope, BLUR_PX, axis=1, mode="constant") ** 2).sum(axis=1)
    told = (count > LEAST_SIGNAL * slope.shape[1]) & (information > 0) & (noise > 0)
    safe = np.where(told, information, 1.0)
    shift = np.where(told, (slope * step).sum(axis=1) / safe, 0.0)
    told &= np.abs(shift) < MOST_PX
    return np.where(told, shift, 0.0), np.where(told, noise * spread / safe**2, np.inf)


def jitter_variance(pieces: Sequence[LineShifts]) -> float:
    """Variance (px^2) of independent offsets of the lines; 0 where it is not sure that there are any.

    The shifts d of one part times ``2 d_l - d_(l-1) - d_(l+1)`` of another are 6 times that variance on the average,
    and nothing for what changes slowly along the lines.
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
    """Most likely offset of each line, px, exactly 0 where nothing tells it, and the variance left, given the jitter's.

    A line's noise offsets it as jitter does (it comes into the shifts on either side); the film's own change makes the
    shifts wrong one by one.
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
