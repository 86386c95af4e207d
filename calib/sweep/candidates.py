"""Places in a strip that look like a reseau cross, whatever the tone: the start of the search for the marks.

Each half arm votes by the smaller of its contrasts to its two flanks, where both have the same sign, over the local
scatter and levelling off at 1: so one-sided steps (shadows, rims) do not count, and a bright crater counts no more
than a faint stroke.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, uniform_filter1d

from calib.compiled import njit
from calib.coordinates import Array
from calib.sweep.tables import ReadWindow

BLOCK_LINES = 2048
LEAST_SCORE = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Cross-like places of one strip: line, sample (px, within about a px) and score (0 .. 1, signed)."""

    line: Array
    sample: Array
    score: Array


@dataclass(frozen=True, slots=True)
class CrossPixels:
    """The cross in whole pixels: arm lengths and stroke widths along the lines' and the samples' direction."""

    arm_line: int
    arm_sample: int
    width_line: int
    width_sample: int


def find_candidates(read: ReadWindow, n_lines: int, cross: CrossPixels) -> Candidates:
    """Local maxima of the cross score over a strip, block by block."""
    margin = 2 * cross.arm_line
    found = []
    for first in range(0, n_lines, BLOCK_LINES):
        stop = min(first + BLOCK_LINES, n_lines)
        low, high = max(first - margin, 0), min(stop + margin, n_lines)
        values, sigma = read(low, high)
        score = cross_score(fill_gaps(values, sigma), cross)
        strength = _box(np.abs(score), 3, 3)
        reach = (cross.arm_line | 1, cross.arm_sample | 1)
        peak = (strength == maximum_filter(strength, size=reach)) & (strength >= LEAST_SCORE)
        line, sample = np.nonzero(peak[first - low : stop - low])
        found.append(np.column_stack([line + first, sample, score[first - low + line, sample]]))
    table = np.concatenate(found)
    return Candidates(table[:, 0], table[:, 1], table[:, 2])


def fill_gaps(values: NDArray[np.float32], sigma: NDArray[np.float32]) -> NDArray[np.float32]:
    """Values with samples that carry nothing replaced by the nearest ones on earlier and later lines, in proportion."""
    missing = ~np.isfinite(sigma) | ~np.isfinite(values)
    if not missing.any():
        return np.asarray(values, np.float32)
    return np.asarray(_fill_columns(np.asarray(values, np.float32), missing))


@njit(cache=True)
def _fill_columns(values: NDArray[np.float32], missing: NDArray[np.bool_]) -> NDArray[np.float32]:  # pragma: no cover
    """Linear interpolation down each column across missing runs; held at the ends; 0 where a column has nothing."""
    out = values.copy()
    n_lines, n_samples = values.shape
    for s in range(n_samples):
        last = -1
        for i in range(n_lines):
            if missing[i, s]:
                continue
            if last < 0:
                for j in range(i):
                    out[j, s] = values[i, s]
            else:
                for j in range(last + 1, i):
                    part = (j - last) / (i - last)
                    out[j, s] = values[last, s] * (1 - part) + values[i, s] * part
            last = i
        for j in range(last + 1, n_lines):
            out[j, s] = values[last, s] if last >= 0 else 0.0
    return out


def cross_score(values: NDArray[np.float32], cross: CrossPixels) -> NDArray[np.float32]:
    """Signed score (-1 .. 1) of a cross centred on each sample; positive where the strokes' values are higher."""
    arm, wide = max(cross.arm_line, cross.arm_sample), max(cross.width_line, cross.width_sample)
    box = 2 * arm + 1
    middle = values - np.float32(np.median(values))
    mean = _box(middle, box, box)
    scatter = np.sqrt(np.maximum(_box(middle * middle, box, box) - mean * mean, 0))
    floor = np.float32(max(float(np.median(scatter)) * 0.05, 1e-6 * float(np.abs(middle).max() + 1)))
    scatter = np.maximum(scatter, floor)
    half_s, half_l = max((cross.arm_sample - wide) // 2, 2), max((cross.arm_line - wide) // 2, 2)
    across = _ridge(_box(middle, _core(cross.width_line), half_s), scatter, cross.width_line + 2, 0)
    along = _ridge(_box(middle, half_l, _core(cross.width_sample)), scatter, cross.width_sample + 2, 1)
    first_s, first_l = cross.width_sample / 2 + 1 + half_s / 2, cross.width_line / 2 + 1 + half_l / 2
    shifts_s = np.array([round(first_s), round(first_s + half_s)])
    shifts_l = np.array([round(first_l), round(first_l + half_l)])
    return np.asarray(_combine(across, along, shifts_s, shifts_l))


def _core(width: int) -> int:
    """Pixels of a stroke's core, blur left out."""
    return max(width - 2, 1)


def _box(values: NDArray[np.float32], n_lines: int, n_samples: int) -> NDArray[np.float32]:
    """Mean over a box."""
    return np.asarray(uniform_filter1d(uniform_filter1d(values, n_lines, axis=0), n_samples, axis=1))


def _ridge(mean: NDArray[np.float32], scatter: NDArray[np.float32], step: int, axis: int) -> NDArray[np.float32]:
    """Vote of a half arm: the smaller contrast to the two flanks `step` away where their signs agree."""
    padded = np.pad(mean, [(step, step) if i == axis else (0, 0) for i in range(2)], mode="edge")
    size = mean.shape[axis]
    one = mean - np.take(padded, range(size), axis=axis)
    other = mean - np.take(padded, range(2 * step, 2 * step + size), axis=axis)
    both = np.where(one * other > 0, np.sign(one) * np.minimum(np.abs(one), np.abs(other)), 0)
    return np.asarray(both / np.hypot(both, scatter), np.float32)


@njit(cache=True)
def _combine(
    across: NDArray[np.float32],
    along: NDArray[np.float32],
    shifts_s: NDArray[np.int64],
    shifts_l: NDArray[np.int64],
) -> NDArray[np.float32]:  # pragma: no cover
    """Mean vote of the half arms inside the picture; 0 unless four or more are, with some along both directions."""
    n_lines, n_samples = across.shape
    out = np.zeros((n_lines, n_samples), np.float32)
    for i in range(n_lines):
        for j in range(n_samples):
            total, seen_s, seen_l = 0.0, 0, 0
            for sign in (-1, 1):
                for shift in shifts_s:
                    s = j + sign * shift
                    if 0 <= s < n_samples:
                        total += across[i, s]
                        seen_s += 1
                for shift in shifts_l:
                    k = i + sign * shift
                    if 0 <= k < n_lines:
                        total += along[k, j]
                        seen_l += 1
            if seen_s > 0 and seen_l > 0 and seen_s + seen_l >= 4:
                out[i, j] = total / (seen_s + seen_l)
    return out
