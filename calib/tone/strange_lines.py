"""Finds lines in which a strip shows different film from its neighbours at the same places.

Lines of a strip may be swapped, belong elsewhere, or look like a picture without being one. They have nothing in common
with the neighbours' picture: the differences scatter as much as the pictures themselves. Other errors differ: drift
shifts a whole stretch, and the errors of a wrong curve follow the picture. Lines around a jump of the gain that exceeds
the picture's contrast are found too.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.tone.model import ToneResiduals
from calib.tone.overlap import OverlapCells
from calib.tone.stretches import STRETCHES, judged_by_neighbours, mostly, wider

Bools = NDArray[np.bool_]

UNLIKE = 0.65  # least scatter of the difference, times the joint scatter of both pictures (about 1 for different film),
OVER_NOISE = 1.75  # and times its sigma (both by trial: no stretch of 120 healthy overlaps, on two sides)
ALIKE = 0.5  # largest scatter of the difference, times that of the pictures, where both show the same film;
TOLD = 3.0  # judged where the pictures' scatter exceeds this many times the sigma of the difference
FEWEST_CELLS = 8  # of a stretch that is judged


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """Masks of a strip's stretches (STRETCHES,) in which a neighbour shows different film, and in which it shows the
    same film; `stretch` (N,) is that of each cell."""

    unlike: Bools
    alike: Bools
    stretch: NDArray[np.int64]


def strange_lines(
    overlaps: Sequence[OverlapCells | None], residuals: ToneResiduals, n_lines: Sequence[int]
) -> tuple[tuple[tuple[int, int], ...], ...]:
    """For each strip, runs of lines (first, stop) that show different film from both its neighbours.

    `overlaps[k]` is of strips k and k + 1. The first and the last strip have only one neighbour; their lines count
    where they disagree with it over more than one stretch while it agrees with its own other neighbour.
    """
    before, after = judged_by_neighbours(overlaps, residuals, n_lines, _side)
    found = [_by_both(one, other) for one, other in zip(before, after, strict=True)]
    if len(n_lines) > 2:
        found[0] |= _alone(after[0], before[1], after[1])
        found[-1] |= _alone(before[-1], after[-2], before[-2])
    return tuple(_runs(strange, n) for strange, n in zip(found, n_lines, strict=True))


def _side(cells: OverlapCells, residual: Array, sigma: Array, stretch: NDArray[np.int64]) -> _Side:
    """Judge one strip of an overlap by its cells; `residual` (N,): how much denser that strip is."""
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
    """Mask of the stretches in which both neighbours show different film; its border may differ by one stretch."""
    if one is None or other is None:
        return np.zeros(STRETCHES, np.bool_)
    return (one.unlike & wider(other.unlike)) | (wider(one.unlike) & other.unlike)


def _alone(own: _Side | None, neighbour: _Side | None, beyond: _Side | None) -> Bools:
    """Mask of the stretches, two or more in a row, in which a strip's only neighbour shows different film while that
    neighbour shows the same film as the strip `beyond` it."""
    if own is None or neighbour is None or beyond is None:
        return np.zeros(STRETCHES, np.bool_)
    strange = own.unlike & mostly(beyond.alike[neighbour.stretch], own.stretch)
    beside = np.pad(strange, 1)
    return strange & (beside[:-2] | beside[2:])


def _runs(strange: Bools, n_lines: int) -> tuple[tuple[int, int], ...]:
    """Runs of lines (first, stop) of the `strange` stretches and of their neighbours, in which they may begin or
    end."""
    edge = np.flatnonzero(np.diff(np.pad(wider(strange).astype(np.int8), 1)))
    first_line = -(-np.arange(STRETCHES + 1) * n_lines // STRETCHES)
    return tuple((int(first_line[a]), int(first_line[b])) for a, b in edge.reshape(-1, 2))
