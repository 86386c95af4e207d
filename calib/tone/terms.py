"""Rows of linear evidence that hold a few terms each, and their products with each other, compiled."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """The terms of each row: a few unknowns of its own, and some neighbouring ones that stand in every row.

    `at` (N, w) are the former, `value` (N, w) their factors; zero is no term. The latter, the unknowns from number
    `first` on, have the same factors in all rows of one `stretch` (N,): `modes` (P, d). So rows are added up by their
    stretches, and only the sums are multiplied with these.
    """

    at: NDArray[np.int32]
    value: Array
    stretch: NDArray[np.int64]
    first: int
    modes: Array

    def normal(self, weight: Array, weighted: Array, n: int) -> tuple[Array, Array]:
        """Normal matrix (n, n) of rows with weights (N,), and the right-hand side (n,) of their values times these."""
        below, diagonal, right = np.zeros((n, n)), np.zeros(n), np.zeros(n)
        own, sums = np.zeros((len(self.modes), n)), np.zeros((2, len(self.modes)))
        _square((self.at, self.value, self.stretch), weight, weighted, below, diagonal, right, own, sums)
        whole = below + below.T
        whole[np.diag_indices(n)] += diagonal
        everywhere, cross = self._everywhere, own.T @ self.modes
        whole[:, everywhere] += cross
        whole[everywhere] += cross.T
        whole[everywhere, everywhere] += self.modes.T @ (self.modes * sums[0][:, None])
        right[everywhere] += sums[1] @ self.modes
        return whole, right

    def product(self, other: "Terms", weight: Array, shape: tuple[int, int]) -> Array:
        """The block of a normal matrix that these rows make with the terms that the same rows have elsewhere."""
        block, pairs = np.zeros(shape), np.zeros((len(self.modes), len(other.modes)))
        own, others = np.zeros((len(other.modes), shape[0])), np.zeros((len(self.modes), shape[1]))
        mine, theirs = (self.at, self.value, self.stretch), (other.at, other.value, other.stretch)
        _product(mine, theirs, weight, block, own, others, pairs)
        block[:, other._everywhere] += own.T @ other.modes
        block[self._everywhere] += self.modes.T @ others
        block[self._everywhere, other._everywhere] += self.modes.T @ (pairs @ other.modes)
        return block

    def onto(
        self, row: NDArray[np.int64], weight: Array, weighted: Array, shape: tuple[int, int]
    ) -> tuple[Array, Array, Array]:
        """Sums (shape) of the rows times their weights (N,), each row added to line `row` (N,), below zero to none; and
        so of the weights and of the values times these.
        """
        total, by_stretch, right = np.zeros(shape), np.zeros((shape[0], len(self.modes))), np.zeros(shape[0])
        _onto((self.at, self.value, self.stretch), row, weight, weighted, total, by_stretch, right)
        total[:, self._everywhere] += by_stretch @ self.modes
        return total, by_stretch.sum(axis=1), right

    @property
    def _everywhere(self) -> slice:
        return slice(self.first, self.first + self.modes.shape[1])


@njit(cache=True, nogil=True)
def _square(rows, weight, weighted, below, diagonal, right, own, sums):  # type: ignore[no-untyped-def]  # pragma: no cover
    at, value, stretch = rows
    for row in range(at.shape[0]):
        of_stretch = own[stretch[row]]
        sums[0, stretch[row]] += weight[row]
        sums[1, stretch[row]] += weighted[row]
        for one in range(at.shape[1]):
            if value[row, one] == 0.0:
                continue
            right[at[row, one]] += value[row, one] * weighted[row]
            factor = weight[row] * value[row, one]
            diagonal[at[row, one]] += factor * value[row, one]
            of_stretch[at[row, one]] += factor
            for two in range(one):
                below[at[row, one], at[row, two]] += factor * value[row, two]


@njit(cache=True, nogil=True)
def _product(mine, others, weight, block, own, other_own, pairs):  # type: ignore[no-untyped-def]  # pragma: no cover
    (at, value, stretch), (other_at, other_value, other_stretch) = mine, others
    for row in range(at.shape[0]):
        pairs[stretch[row], other_stretch[row]] += weight[row]
        for one in range(at.shape[1]):
            if value[row, one] == 0.0:
                continue
            factor = weight[row] * value[row, one]
            own[other_stretch[row], at[row, one]] += factor
            for two in range(other_at.shape[1]):
                block[at[row, one], other_at[row, two]] += factor * other_value[row, two]
        for two in range(other_at.shape[1]):
            other_own[stretch[row], other_at[row, two]] += weight[row] * other_value[row, two]


@njit(cache=True, nogil=True)
def _onto(rows, onto, weight, weighted, total, by_stretch, right):  # type: ignore[no-untyped-def]  # pragma: no cover
    at, value, stretch = rows
    for row in range(onto.size):
        line = onto[row]
        if line < 0:
            continue
        by_stretch[line, stretch[row]] += weight[row]
        right[line] += weighted[row]
        for term in range(at.shape[1]):
            if value[row, term] != 0.0:
                total[line, at[row, term]] += weight[row] * value[row, term]
