"""Finds lines where a strip's gain jumps instead of drifting smoothly, as the fit assumes.

The fit draws its smooth curve through a jump. On both sides of it the strip then disagrees with its neighbours by far
more than noise explains, over whole stretches of lines. The size of that disagreement is added to sigma.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.median import TO_SIGMA
from calib.tone.adjust import robust_weight
from calib.tone.model import ToneResiduals
from calib.tone.overlap import OverlapCells
from calib.tone.stretches import STRETCHES, judged_by_neighbours, mostly, wider

BY_NOISE = 4.0  # sigma: a stretch farther off is not used to estimate the scatter of those nearby (by trial, no source)
TOGETHER = 3.7  # sigma by which both neighbours together must disagree with a strip, ...
ALSO = 2.0  # ... and each at least by this (by trial, no source)
COMMON = 0.002  # density, 1-sigma: unmodelled error that the cells of a stretch of one overlap share (no source)
NEARBY = 7  # stretches on each side, without the adjacent ones, whose scatter gives the shared error at a stretch,
FEWEST_NEARBY = 4  # if there are this many
FEWEST_CELLS = 3  # of a stretch that counts among those nearby
LEAST_BREAK = 0.005  # density: smaller breaks are not reported (common practice, no source)


@dataclass(frozen=True, slots=True, eq=False)
class Disagreement:
    """How much denser a strip is than its neighbour, by stretches of its lines: arrays (STRETCHES,).

    The mean difference in units of its 1-sigma, 0 where too small to matter, and the size of the differences of single
    cells. `stretch` (N,) is the stretch of each cell.
    """

    off: Array
    size: Array
    stretch: NDArray[np.int64]


def line_doubts(
    overlaps: Sequence[OverlapCells | None], residuals: ToneResiduals, n_lines: Sequence[int]
) -> list[Array]:
    """Doubt of each strip's drift beyond its own sigma, in density by line; `overlaps[k]` is of strips k and k + 1.

    A strip is at fault where both its neighbours disagree with it in the same way. Where only one does, either of the
    two may be at fault, unless that neighbour is already known to be.
    """
    before, after = judged_by_neighbours(overlaps, residuals, n_lines, _disagreement)
    blamed = [_by_both(one, other) for one, other in zip(before, after, strict=True)]
    sizes = [np.zeros(STRETCHES) for _ in n_lines]
    for strip, (one, other) in enumerate(zip(after[:-1], before[1:], strict=True)):
        if one is not None and other is not None:
            for own, mine, theirs, their_stretch in (
                (one, strip, strip + 1, other.stretch),
                (other, strip + 1, strip, one.stretch),
            ):
                alone = (np.abs(own.off) > BY_NOISE) & ~mostly(blamed[theirs][their_stretch], own.stretch)
                sizes[mine] = np.maximum(sizes[mine], np.where(blamed[mine] | alone, own.size, 0.0))
    return [_by_line(size, n) for size, n in zip(sizes, n_lines, strict=True)]


def _disagreement(cells: OverlapCells, residual: Array, sigma: Array, stretch: NDArray[np.int64]) -> Disagreement:
    """The disagreement of an overlap's cells about one of its strips; `residual` (N,): how much denser that strip is.

    Cells that contradict each other by more than their noise make their mean less certain (Birge 1932, The calculation
    of errors by the method of least squares). That happens at the border of a wedge, where a small error of place makes
    large errors of both signs.
    """
    weight = robust_weight(residual / sigma) / sigma**2
    total = np.maximum(np.bincount(stretch, weight, STRETCHES), 1e-300)
    mean = np.bincount(stretch, weight * residual, STRETCHES) / total
    seen = np.bincount(stretch, minlength=STRETCHES)
    count = np.maximum(seen, 1)
    size = np.sqrt(np.bincount(stretch, residual**2, STRETCHES) / count)
    squares = np.bincount(stretch, ((residual - mean[stretch]) / sigma) ** 2, STRETCHES) / np.maximum(count - 1, 1)
    variance = np.maximum(squares, 1.0) / total
    some = np.flatnonzero(seen >= FEWEST_CELLS)
    unlike = np.bincount(stretch, cells.mixed, STRETCHES) / count
    usual = np.median(unlike[some]) if some.size else 0.0  # what all stretches have of it the curves have taken up
    sigma_mean = np.sqrt(variance + _shared(mean, variance, some) + (unlike - usual) ** 2)
    off = np.where(np.abs(mean) > LEAST_BREAK, mean / sigma_mean, 0.0)
    return Disagreement(off, size, stretch)


def _shared(mean: Array, variance: Array, some: NDArray[np.int64]) -> Array:
    """Variance (STRETCHES,) of the error that all cells of a stretch share, from the scatter of stretches nearby.

    Wrong places, noise of whole lines and drift too fast for the fit affect those as well; a jump does not.
    """
    found, apart = np.full(STRETCHES, COMMON**2), np.abs(some[:, None] - some)
    near = (apart > 1) & (apart <= NEARBY)
    enough = near.sum(axis=1) >= FEWEST_NEARBY
    scatter = TO_SIGMA * _medians(np.abs(mean[some]), near[enough])
    found[some[enough]] = np.maximum(scatter**2 - _medians(variance[some], near[enough]), COMMON**2)
    return found


def _medians(values: Array, which: NDArray[np.bool_]) -> Array:
    """For each row of the mask `which` (m, n), the median of the values (n,) that it selects."""
    rising, row, count = np.sort(np.where(which, values, np.inf), axis=1), np.arange(len(which)), which.sum(axis=1)
    return np.asarray((rising[row, (count - 1) // 2] + rising[row, count // 2]) / 2)


def _by_both(one: Disagreement | None, other: Disagreement | None) -> NDArray[np.bool_]:
    """Mask of the stretches in which both neighbours disagree with a strip in the same direction, beyond noise."""
    if one is None or other is None:
        return np.zeros(STRETCHES, dtype=np.bool_)
    low, high = np.minimum(one.off, other.off), np.maximum(one.off, other.off)
    together = np.abs(one.off + other.off) / np.sqrt(2.0)
    return np.asarray((together > TOGETHER) & ((low > ALSO) | (high < -ALSO)))


def _by_line(size: Array, n_lines: int) -> Array:
    """Doubts of stretches as doubts of lines. Adjacent stretches get the same doubt: the jump may lie anywhere in
    one."""
    return wider(size)[np.arange(n_lines) * STRETCHES // n_lines]


def lines_in_doubt(doubt: Array) -> list[tuple[int, int, float]]:
    """Runs of lines in doubt: first, last, and the largest doubt."""
    edge = np.flatnonzero(np.diff(np.pad((doubt > 0).astype(np.int8), 1)))
    return [(int(a), int(b) - 1, float(doubt[a:b].max())) for a, b in edge.reshape(-1, 2)]
