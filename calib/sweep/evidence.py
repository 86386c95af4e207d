"""Defines the observations that the sweeps are fitted to: departures of places in strips from their nominal place."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array

# Kinds: mark, border of the wedge (y), tie of two strips, gap between wedges (x), arm of a mark, pace (`pace.py`).
MARK, EDGE, TIE, EDGE_X, ARM, PACE = 0, 1, 2, 3, 4, 5
KINDS = 6


@dataclass(frozen=True, slots=True, eq=False)
class Observations:
    """Observations, arrays (N,): strip `a` at (line_a, sample_a); for ties also strip a + 1 at (line_b, sample_b).

    `kind`: one of the constants above.
    `value` (N, 2): departure (x, y) from the nominal place, px. For a tie, that of strip a minus that of strip a + 1;
        for a mark's arm and a pace, the increase of the departure in x from `sample_a` to `sample_b`.
    `information` (N, 2, 2): inverse covariance of `value`, px^-2; zero on an axis that was not seen.
    `mark`: index of the mark whose stated place is an unknown of the fit, else -1.
    `per_power`: increase, px, of the departure of a wedge border if the power of the light that mixes is larger by 1
        than assumed; zero for all other kinds.
    """

    kind: NDArray[np.int64]
    a: NDArray[np.int64]
    line_a: Array
    sample_a: Array
    line_b: Array
    sample_b: Array
    value: Array
    information: Array
    mark: NDArray[np.int64]
    per_power: Array

    def __len__(self) -> int:
        return self.kind.size

    def select(self, which: NDArray[np.bool_]) -> Self:
        """The observations that the mask `which` (N,) selects."""
        return type(self)(*(getattr(self, f.name)[which] for f in fields(self)))


def join(parts: Sequence[Observations]) -> Observations:
    """Several sets of observations as one, in order."""
    return Observations(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Observations)))
