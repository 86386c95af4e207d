"""Lines where a strip's gain does not drift as the smooth curve that the fit gives it, but jumps.

The fit takes a jump for noise and lays its curve through it. Beside it the strip disagrees with its neighbours by far
more than noise explains, over whole stretches of lines: that is noticed here, and its size is what sigma must hold.
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
from calib.tone.stretches import STRETCHES, mostly, said_by_neighbours, wider

BY_NOISE = 4.0  # sigma: a mean farther off is none of what stretches nearby are off by (found by trial, no source)
TOGETHER = 3.7  # sigma of what two neighbours say of a strip together, ...
ALSO = 2.0  # ... and at least of each (found by trial, no source)
COMMON = 0.002  # density, 1-sigma: what no model knows and a stretch's cells of one overlap share (no source)
NEARBY = 7  # stretches on each side, the next ones left out, that tell what all of an overlap's share there,
FEWEST_NEARBY = 4  # where they are so many
FEWEST_CELLS = 3  # of a stretch that tells anything of those nearby
LEAST_BREAK = 0.005  # density: less is not worth a word (common practice, no source)


@dataclass(frozen=True, slots=True, eq=False)
class Disagreement:
    """By how much a strip is too dense for a neighbour, by stretches of its lines, both (STRETCHES,): the mean in its
    1-sigma, 0 where it is too small to matter, and the size of single cells' disagreement. `stretch` (N,) is that of
    each cell."""

    off: Array
    size: Array
    stretch: NDArray[np.int64]


def line_doubts(
    overlaps: Sequence[OverlapCells | None], residuals: ToneResiduals, n_lines: Sequence[int]
) -> list[Array]:
    """What each strip's drift is in doubt by beyond its own sigma: density, by line; `overlaps` follow each strip.

    A strip is to blame where both its neighbours disagree with it alike. Where one does, both may be, unless the other
    strip is to blame already.
    """
    before, after = said_by_neighbours(overlaps, residuals, n_lines, _disagreement)
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
    """What the cells of an overlap say of one of its strips, by how much that is too dense in them.

    Cells that contradict each other by more than their noise (at the border of a wedge, where a place a little off
    makes large errors of both signs) know their mean the less (Birge 1932, The calculation of errors by the method of
    least squares).
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
    """Variance (STRETCHES,) of what all cells of a stretch have in common, by how stretches nearby scatter: places that
    are wrong, noise of whole lines and a drift too quick for the fit move those too, a jump does not."""
    found, apart = np.full(STRETCHES, COMMON**2), np.abs(some[:, None] - some)
    near = (apart > 1) & (apart <= NEARBY)
    enough = near.sum(axis=1) >= FEWEST_NEARBY
    scatter = TO_SIGMA * _medians(np.abs(mean[some]), near[enough])
    found[some[enough]] = np.maximum(scatter**2 - _medians(variance[some], near[enough]), COMMON**2)
    return found


def _medians(values: Array, which: NDArray[np.bool_]) -> Array:
    """Medians (m,) of those of the values (n,), one or more, that the rows of `which` (m, n) choose."""
    rising, row, count = np.sort(np.where(which, values, np.inf), axis=1), np.arange(len(which)), which.sum(axis=1)
    return np.asarray((rising[row, (count - 1) // 2] + rising[row, count // 2]) / 2)


def _by_both(one: Disagreement | None, other: Disagreement | None) -> NDArray[np.bool_]:
    """Stretches in which two neighbours disagree with a strip alike, by more than noise together."""
    if one is None or other is None:
        return np.zeros(STRETCHES, dtype=np.bool_)
    low, high = np.minimum(one.off, other.off), np.maximum(one.off, other.off)
    together = np.abs(one.off + other.off) / np.sqrt(2.0)
    return np.asarray((together > TOGETHER) & ((low > ALSO) | (high < -ALSO)))


def _by_line(size: Array, n_lines: int) -> Array:
    """Doubts of stretches as doubts of lines; those beside a stretch are in the same doubt, since a jump is anywhere
    in it."""
    return wider(size)[np.arange(n_lines) * STRETCHES // n_lines]


def lines_in_doubt(doubt: Array) -> list[tuple[int, int, float]]:
    """Runs of lines in doubt: first, last, and the largest doubt."""
    edge = np.flatnonzero(np.diff(np.pad((doubt > 0).astype(np.int8), 1)))
    return [(int(a), int(b) - 1, float(doubt[a:b].max())) for a, b in edge.reshape(-1, 2)]
