"""Rows of linear evidence that hold a few terms each, and their products with each other, compiled."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """The terms of each row: a few unknowns of its own, and some neighbouring ones that stand in every row.

    `at` (N, w) are the former, `value` (N, w) their factors; zero is no term. `dense` (N, d) are the factors of the
    latter, the unknowns from number `first` on.
    """

    at: NDArray[np.int32]
    value: Array
    first: int
    dense: Array

    def normal(self, weight: Array, weighted: Array, n: int) -> tuple[Array, Array]:
        """Normal matrix (n, n) of rows with weights (N,), and the right-hand side (n,) of their values times these."""
        below, diagonal, cross = np.zeros((n, n)), np.zeros(n), np.zeros((n, self.dense.shape[1]))
        right = np.zeros(n)
        _square(self.at, self.value, self.dense, weight, weighted, below, diagonal, cross, right)
        whole = below + below.T
        whole[np.diag_indices(n)] += diagonal
        everywhere = self._everywhere
        whole[:, everywhere] += cross
        whole[everywhere] += cross.T
        whole[everywhere, everywhere] += self.dense.T @ (self.dense * weight[:, None])
        right[everywhere] += weighted @ self.dense
        return whole, right

    def product(self, other: "Terms", weight: Array, shape: tuple[int, int]) -> Array:
        """The block of a normal matrix that these rows make with the terms that the same rows have elsewhere."""
        block = np.zeros(shape)
        cross, other_cross = np.zeros((shape[0], other.dense.shape[1])), np.zeros((shape[1], self.dense.shape[1]))
        mine, others = (self.at, self.value, self.dense), (other.at, other.value, other.dense)
        _product(mine, others, weight, block, cross, other_cross)
        block[:, other._everywhere] += cross
        block[self._everywhere] += other_cross.T
        block[self._everywhere, other._everywhere] += self.dense.T @ (other.dense * weight[:, None])
        return block

    def onto(
        self, row: NDArray[np.int64], weight: Array, weighted: Array, shape: tuple[int, int]
    ) -> tuple[Array, Array, Array]:
        """Sums (shape) of the rows times their weights (N,), each row added to line `row` (N,), below zero to none; and
        so of the weights and of the values times these.
        """
        total, weights, right = np.zeros(shape), np.zeros(shape[0]), np.zeros(shape[0])
        _onto(self.at, self.value, self.first, self.dense, row, weight, weighted, total, weights, right)
        return total, weights, right

    @property
    def _everywhere(self) -> slice:
        return slice(self.first, self.first + self.dense.shape[1])


@njit(cache=True, nogil=True)
def _square(  # type: ignore[no-untyped-def]
    at, value, dense, weight, weighted, below, diagonal, cross, right
):  # pragma: no cover
    for row in range(at.shape[0]):
        for one in range(at.shape[1]):
            if value[row, one] == 0.0:
                continue
            right[at[row, one]] += value[row, one] * weighted[row]
            factor = weight[row] * value[row, one]
            diagonal[at[row, one]] += factor * value[row, one]
            for two in range(one):
                below[at[row, one], at[row, two]] += factor * value[row, two]
            for two in range(dense.shape[1]):
                cross[at[row, one], two] += factor * dense[row, two]


@njit(cache=True, nogil=True)
def _product(mine, others, weight, block, cross, other_cross):  # type: ignore[no-untyped-def]  # pragma: no cover
    (at, value, dense), (other_at, other_value, other_dense) = mine, others
    for row in range(at.shape[0]):
        for one in range(at.shape[1]):
            if value[row, one] == 0.0:
                continue
            factor = weight[row] * value[row, one]
            for two in range(other_at.shape[1]):
                block[at[row, one], other_at[row, two]] += factor * other_value[row, two]
            for two in range(other_dense.shape[1]):
                cross[at[row, one], two] += factor * other_dense[row, two]
        for two in range(other_at.shape[1]):
            factor = weight[row] * other_value[row, two]
            for one in range(dense.shape[1]):
                other_cross[other_at[row, two], one] += factor * dense[row, one]


@njit(cache=True, nogil=True)
def _onto(  # type: ignore[no-untyped-def]
    at, value, first, dense, row, weight, weighted, total, weights, right
):  # pragma: no cover
    for index in range(at.shape[0]):
        if row[index] < 0:
            continue
        weights[row[index]] += weight[index]
        right[row[index]] += weighted[index]
        for term in range(at.shape[1]):
            if value[index, term] != 0.0:
                total[row[index], at[index, term]] += weight[index] * value[index, term]
        for term in range(dense.shape[1]):
            total[row[index], first + term] += weight[index] * dense[index, term]
