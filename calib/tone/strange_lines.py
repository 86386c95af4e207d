"""Lines in which a strip shows other film than its neighbours do at the same places.

Lines of a strip may be exchanged, lie elsewhere than is thought, or hold no film at all though they look like some.
What they say of the film then has nothing in common with what the neighbours say: differences scatter as much as the
pictures themselves do. Drift moves all of a stretch alike, a curve that is wrong makes differences that follow the
picture. A jump of the gain that is larger than the picture's contrast is left out as well, with the lines about it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.tone.model import ToneResiduals
from calib.tone.overlap import OverlapCells
from calib.tone.stretches import STRETCHES, mostly, said_by_neighbours, wider

Bools = NDArray[np.bool_]

UNLIKE = 0.65  # times the pictures' own scatter, together, is that of their difference: of other film about 1,
OVER_NOISE = 1.75  # and so many times its sigma (both by trial: no stretch of 120 healthy overlaps, on two sides)
ALIKE = 0.5  # times the pictures' scatter at most where both show the same film, told where that is
TOLD = 3.0  # times the sigma of their difference
FEWEST_CELLS = 8  # of a stretch that tells


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """Where, by stretches of a strip's lines (STRETCHES,), a neighbour shows other film, and where it shows the same;
    `stretch` (N,) is that of each cell."""

    unlike: Bools
    alike: Bools
    stretch: NDArray[np.int64]


def strange_lines(
    overlaps: Sequence[OverlapCells | None], residuals: ToneResiduals, n_lines: Sequence[int]
) -> tuple[tuple[tuple[int, int], ...], ...]:
    """Runs of lines, first and stop, of each strip that show other film than both its neighbours; `overlaps` follow
    each strip. Of the first and the last strip only one tells: of them those that disagree with a neighbour which its
    other neighbour bears out, over more than one stretch."""
    before, after = said_by_neighbours(overlaps, residuals, n_lines, _side)
    found = [_by_both(one, other) for one, other in zip(before, after, strict=True)]
    if len(n_lines) > 2:
        found[0] |= _alone(after[0], before[1], after[1])
        found[-1] |= _alone(before[-1], after[-2], before[-2])
    return tuple(_runs(strange, n) for strange, n in zip(found, n_lines, strict=True))


def _side(cells: OverlapCells, residual: Array, sigma: Array, stretch: NDArray[np.int64]) -> _Side:
    """What the cells of an overlap say of one of its strips, by how much that is too dense in them."""
    count = np.bincount(stretch, minlength=STRETCHES)

    def mean(values: Array) -> Array:
        return np.asarray(np.bincount(stretch, values, STRETCHES) / np.maximum(count, 1))

    def scatter(values: Array) -> Array:
        return np.sqrt(mean((values - mean(values)[stretch]) ** 2))

    apart, pictures = scatter(residual), np.hypot(scatter(cells.density), scatter(cells.next_density))
    noise, told = np.sqrt(mean(sigma**2)), count >= FEWEST_CELLS
    unlike = told & (apart > UNLIKE * pictures) & (apart > OVER_NOISE * noise)
    alike = told & (apart < ALIKE * pictures) & (pictures > TOLD * noise)
    return _Side(unlike, alike, stretch)


def _by_both(one: _Side | None, other: _Side | None) -> Bools:
    """Stretches in which two neighbours show other film; they may see the border of it in stretches side by side."""
    if one is None or other is None:
        return np.zeros(STRETCHES, np.bool_)
    return (one.unlike & wider(other.unlike)) | (wider(one.unlike) & other.unlike)


def _alone(own: _Side | None, neighbour: _Side | None, beyond: _Side | None) -> Bools:
    """Stretches, more than one in a row, of a strip with one neighbour that show other film than that, where it shows
    the same as the one `beyond` it."""
    if own is None or neighbour is None or beyond is None:
        return np.zeros(STRETCHES, np.bool_)
    strange = own.unlike & mostly(beyond.alike[neighbour.stretch], own.stretch)
    beside = np.pad(strange, 1)
    return strange & (beside[:-2] | beside[2:])


def _runs(strange: Bools, n_lines: int) -> tuple[tuple[int, int], ...]:
    """Lines of stretches and of those beside them, in which what is strange may begin or end."""
    edge = np.flatnonzero(np.diff(np.pad(wider(strange).astype(np.int8), 1)))
    first_line = -(-np.arange(STRETCHES + 1) * n_lines // STRETCHES)
    return tuple((int(first_line[a]), int(first_line[b])) for a, b in edge.reshape(-1, 2))
