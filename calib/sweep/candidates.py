"""Finds places in a strip that look like a reseau cross, independent of tone: the start of the search for the marks.

Each half arm votes by the smaller of its contrasts to its two flanks, if both have the same sign, relative to the local
scatter and saturating at 1. So one-sided steps (shadows, rims) do not count, and a bright crater counts no more than a
faint stroke.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import median_of
from calib.sweep.crossvotes import box_mean, combine_votes, local_variance, peaks, votes_across, votes_along

BLOCK_LINES = 512  # lines searched at once
LEAST_SCORE = 0.3  # of a candidate
GAP_ARMS, MOST_LOST = 3, 0.5  # reach above and below a place, in arms, and greatest share of lost samples within it
SPARSE = 16  # step, in lines and samples, of those whose median is the level of a block


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Cross-like places of one strip: line, sample (px, within about a px) and score (0 .. 1, signed)."""

    line: Array
    sample: Array
    score: Array


def no_candidates() -> Candidates:
    """An empty set, for a strip that is lost or left out."""
    return Candidates(np.empty(0), np.empty(0), np.empty(0))


class CrossPixels(NamedTuple):
    """The cross in whole pixels: arm length and stroke width, counted in lines and in samples."""

    arm_line: int
    arm_sample: int
    width_line: int
    width_sample: int


def find_candidates(
    dn: NDArray, lost: NDArray[np.bool_], spans: Sequence[tuple[int, int]], cross: CrossPixels
) -> Candidates:
    """Local maxima of the cross score in spans (first, stop) of a strip's lines, searched block by block.

    `dn` (n_lines, n_samples), of any numeric type, are the strip's samples, and `lost` is the mask of those without
    signal.
    """
    found = [_in_block(dn, lost, cross, *block) for span in spans for block in _blocks(*span)]
    table = np.concatenate([np.empty((0, 3)), *found])
    table = table[_mostly_seen(lost, table[:, 0].astype(int), table[:, 1].astype(int), GAP_ARMS * cross.arm_line)]
    return Candidates(table[:, 0], table[:, 1], table[:, 2])


def _mostly_seen(
    lost: NDArray[np.bool_], line: NDArray[np.int64], sample: NDArray[np.int64], reach: int
) -> NDArray[np.bool_]:
    """Mask (N,) of the places at which at most half of the samples within `reach` lines in their column are lost.

    Long gaps are interpolated down each column, which would look like thousands of vertical strokes.
    """
    lines = np.clip(line[:, np.newaxis] + np.arange(-reach, reach + 1), 0, len(lost) - 1)
    return np.asarray(lost[lines, sample[:, np.newaxis]].mean(axis=1) <= MOST_LOST)


def _blocks(first: int, stop: int) -> list[tuple[int, int]]:
    """A span cut into blocks of limited height."""
    return [(low, min(low + BLOCK_LINES, stop)) for low in range(first, stop, BLOCK_LINES)]


@njit(cache=True, nogil=True)
def fill_gaps(values: NDArray, missing: NDArray[np.bool_]) -> NDArray[np.float32]:  # pragma: no cover
    """Values in single precision; missing ones are interpolated linearly down each column, constant beyond its first
    and last value; 0 if a column has no value."""
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


@njit(cache=True, nogil=True)
def _in_block(
    dn: NDArray, lost: NDArray[np.bool_], cross: CrossPixels, first: int, stop: int
) -> Array:  # pragma: no cover
    """Rows (line, sample, score) of the places in lines `first` to `stop` (exclusive)."""
    # The votes of a score reach one arm, and the scatter they are relative to one arm more, in whole cells; scores are
    # compared within half an arm. The grid of cells is the same for all blocks.
    reach_l, reach_s, cell = cross.arm_line // 2, cross.arm_sample // 2, _cell(cross)
    outer = reach_l + 1
    margin = 2 * max(cross.arm_line, cross.arm_sample) + outer + cross.width_line + cell
    low, high = max(first - margin, 0) // cell * cell, min(stop + margin, len(dn))
    above, below = max(first - outer, 0), min(stop + outer, len(dn))
    values = fill_gaps(dn[low:high], lost[low:high])
    values -= np.float32(median_of(values[::SPARSE, ::SPARSE].astype(np.float64).ravel()))
    score = cross_score(values, cross, above - low, below - low)
    at = peaks(box_mean(np.abs(score), 3, 3, 0, len(score)), first - above, stop - above, LEAST_SCORE, reach_l, reach_s)
    found = np.empty((len(at), 3))
    for n in range(len(at)):
        line, sample = at[n]
        found[n, 0], found[n, 1], found[n, 2] = line + above, sample, score[line, sample]
    return found


@njit(cache=True, nogil=True)
def cross_score(
    values: NDArray[np.float32], cross: CrossPixels, first: int, stop: int
) -> NDArray[np.float32]:  # pragma: no cover
    """Signed score (-1 .. 1) of a cross centred on each sample of the lines `first` to `stop` (exclusive); positive if
    the strokes have higher values than their flanks."""
    arm, wide = max(cross.arm_line, cross.arm_sample), max(cross.width_line, cross.width_sample)
    half_s, half_l = max((cross.arm_sample - wide) // 2, 2), max((cross.arm_line - wide) // 2, 2)
    first_s, first_l = cross.width_sample / 2 + 1 + half_s / 2, cross.width_line / 2 + 1 + half_l / 2
    shifts_s, shifts_l = (round(first_s), round(first_s + half_s)), (round(first_l), round(first_l + half_l))
    core_l, core_s = max(cross.width_line - 2, 1), max(cross.width_sample - 2, 1)  # a stroke without its blurred edges
    flank_l, flank_s = cross.width_line + 2, cross.width_sample + 2
    low, high = max(first - shifts_l[1], 0), min(stop + shifts_l[1], len(values))
    above, below = max(first - flank_l, 0), min(stop + flank_l, len(values))
    variance = local_variance(values, 2 * arm + 1, _cell(cross), low, high)
    across = box_mean(values, core_l, half_s, above, below)
    across = votes_across(across, variance[first - low : stop - low], flank_l, first - above)
    along = votes_along(box_mean(values, half_l, core_s, low, high), variance, flank_s)
    return combine_votes(across, along, shifts_s, shifts_l, first - low)


@njit(cache=True, nogil=True)
def _cell(cross: CrossPixels) -> int:  # pragma: no cover
    """Size, in lines and samples, of the cells from which the local scatter is computed: small against the cross."""
    return max(max(cross.arm_line, cross.arm_sample) // 8, 1)
