"""Places in a strip that look like a reseau cross, whatever the tone: the start of the search for the marks.

Each half arm votes by the smaller of its contrasts to its two flanks, where both have the same sign, over the local
scatter and levelling off at 1: so one-sided steps (shadows, rims) do not count, and a bright crater counts no more
than a faint stroke.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.sweep.crossvotes import box_mean, combine_votes, local_scatter, peaks, votes_across, votes_along

BLOCK_LINES = 512
LEAST_SCORE = 0.3
SPARSE = 16  # every so manieth line and sample tells a block's median: of the level, and of what varies no faster


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Cross-like places of one strip: line, sample (px, within about a px) and score (0 .. 1, signed)."""

    line: Array
    sample: Array
    score: Array


def no_candidates() -> Candidates:
    """The cross-like places of a strip that shows none."""
    return Candidates(np.empty(0), np.empty(0), np.empty(0))


@dataclass(frozen=True, slots=True)
class CrossPixels:
    """The cross in whole pixels: arm lengths and stroke widths along the lines' and the samples' direction."""

    arm_line: int
    arm_sample: int
    width_line: int
    width_sample: int


def find_candidates(
    dn: NDArray, lost: NDArray[np.bool_], spans: Sequence[tuple[int, int]], cross: CrossPixels
) -> Candidates:
    """Local maxima of the cross score in spans (first, stop) of a strip's lines, block by block.

    `dn` are the strip's samples in any type, (n_lines, n_samples), and `lost` those that carry nothing.
    """
    # A score's scatter reaches an arm beyond its votes, which reach an arm; it is compared over half an arm.
    outer, n_lines = cross.arm_line // 2 + 1, len(dn)
    margin = 2 * max(cross.arm_line, cross.arm_sample) + outer + cross.width_line
    found = [np.empty((0, 3))]
    for first, stop in (block for span in spans for block in _blocks(*span)):
        low, high = max(first - margin, 0), min(stop + margin, n_lines)
        above, below = max(first - outer, 0), min(stop + outer, n_lines)
        score = cross_score(fill_gaps(dn[low:high], lost[low:high]), cross, above - low, below - low)
        strength = box_mean(np.abs(score), 3, 3, 0, len(score))
        reach = cross.arm_line // 2, cross.arm_sample // 2
        at = peaks(strength, first - above, stop - above, LEAST_SCORE, *reach)
        found.append(np.column_stack([at[:, 0] + above, at[:, 1], score[at[:, 0], at[:, 1]]]))
    table = np.concatenate(found)
    return Candidates(table[:, 0], table[:, 1], table[:, 2])


def _blocks(first: int, stop: int) -> list[tuple[int, int]]:
    """A span cut into blocks of limited height."""
    return [(low, min(low + BLOCK_LINES, stop)) for low in range(first, stop, BLOCK_LINES)]


@njit(cache=True, nogil=True)
def fill_gaps(values: NDArray, missing: NDArray[np.bool_]) -> NDArray[np.float32]:  # pragma: no cover
    """Values in single precision, those that are missing replaced by linear interpolation down each column; held at the
    ends; 0 where a column has nothing."""
    n_lines, n_samples = values.shape
    out = np.empty((n_lines, n_samples), np.float32)
    for i in range(n_lines):
        for s in range(n_samples):
            out[i, s] = values[i, s]
    for i in range(n_lines):
        some = False
        for s in range(n_samples):
            some |= missing[i, s]
        for s in range(n_samples if some else 0):
            if missing[i, s] and (i == 0 or not missing[i - 1, s]):
                stop = i + 1
                while stop < n_lines and missing[stop, s]:
                    stop += 1
                above = out[i - 1, s] if i > 0 else np.float32(0.0)
                below = out[stop, s] if stop < n_lines else above
                above = above if i > 0 else below
                for j in range(i, stop):
                    part = (j - i + 1) / (stop - i + 1)
                    out[j, s] = above * (1 - part) + below * part
    return out


def cross_score(values: NDArray[np.float32], cross: CrossPixels, first: int, stop: int) -> NDArray[np.float32]:
    """Signed score (-1 .. 1) of a cross centred on each sample of the lines `first` to `stop` (exclusive); positive
    where the strokes' values are higher."""
    arm, wide = max(cross.arm_line, cross.arm_sample), max(cross.width_line, cross.width_sample)
    half_s, half_l = max((cross.arm_sample - wide) // 2, 2), max((cross.arm_line - wide) // 2, 2)
    first_s, first_l = cross.width_sample / 2 + 1 + half_s / 2, cross.width_line / 2 + 1 + half_l / 2
    shifts_s, shifts_l = (round(first_s), round(first_s + half_s)), (round(first_l), round(first_l + half_l))
    flank_l, flank_s = cross.width_line + 2, cross.width_sample + 2
    low, high = max(first - shifts_l[1] - flank_l, 0), min(stop + shifts_l[1] + flank_l, len(values))
    middle = values - np.float32(np.median(values[::SPARSE, ::SPARSE]))
    scatter = local_scatter(middle, 2 * arm + 1, low, high)
    farthest = max(float(middle.max()), -float(middle.min()))
    least = max(float(np.median(scatter[::SPARSE, ::SPARSE])) * 0.05, 1e-6 * (farthest + 1))
    scatter = np.maximum(scatter, np.float32(least))
    across = votes_across(box_mean(middle, _core(cross.width_line), half_s, low, high), scatter, flank_l)
    along = votes_along(box_mean(middle, half_l, _core(cross.width_sample), low, high), scatter, flank_s)
    return np.asarray(combine_votes(across, along, shifts_s, shifts_l, first - low, stop - low))


def _core(width: int) -> int:
    """Pixels of a stroke's core, blur left out."""
    return max(width - 2, 1)
