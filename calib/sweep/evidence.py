"""The evidence that the sweeps are fitted to: places on strips, and their departures from the described places."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array

MARK, EDGE, TIE, EDGE_X, ARM, PACE = 0, 1, 2, 3, 4, 5
KINDS = 6


@dataclass(frozen=True, slots=True, eq=False)
class Observations:
    """Evidence, (N,) each: strip `a` at (line_a, sample_a), for ties also strip a + 1 at (line_b, sample_b).

    `value` (N, 2): departure (x, y) from the nominal place, px. Of a tie, that of strip a less that of strip a + 1;
        of a mark's arm and of a pace, by how much the departure in x grows from `sample_a` to `sample_b`.
    `information` (N, 2, 2): inverse covariance of `value`, px^-2; zero on an axis that was not seen.
    `mark`: number of the mark whose stated place is an unknown of the fit, else -1.
    `per_power`: px by which the departure of a wedge's border grows if the power of the light that mixes is larger by 1
        than was taken; zero for all other evidence.
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
        """The rows of the evidence where `which` is true."""
        return type(self)(*(getattr(self, f.name)[which] for f in fields(self)))


def join(parts: Sequence[Observations]) -> Observations:
    """Several sets of evidence as one, in order."""
    return Observations(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Observations)))
