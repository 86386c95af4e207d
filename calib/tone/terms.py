"""Rows of linear evidence that hold a few terms each, and their products with each other, compiled."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """The few terms of each row: `at` (N, w) the unknowns in it, `value` (N, w) their factors; zero is no term."""

    at: NDArray[np.int32]
    value: Array

    def dot(self, unknowns: Array) -> Array:
        """What the rows make of some values of the unknowns, (N,)."""
        return np.asarray(np.einsum("ij,ij->i", self.value, unknowns[self.at]))

    def beside(self, other: "Terms") -> "Terms":
        """Rows that have the terms of both."""
        return Terms(np.hstack([self.at, other.at]), np.hstack([self.value, other.value]))

    def negative(self) -> "Terms":
        """The same rows with all factors turned round."""
        return Terms(self.at, -self.value)

    def square(self, weight: Array, n: int) -> Array:
        """The normal matrix (n, n) of the rows with weights (N,)."""
        below, diagonal = np.zeros((n, n)), np.zeros(n)
        _square(self.at, self.value, weight, below, diagonal)
        whole = below + below.T
        whole[np.diag_indices(n)] += diagonal
        return whole

    def product(self, other: "Terms", weight: Array, shape: tuple[int, int]) -> Array:
        """The block of a normal matrix that these rows make with the terms that the same rows have elsewhere."""
        block = np.zeros(shape)
        _product(self.at, self.value, other.at, other.value, weight, block)
        return block

    def onto(self, row: NDArray[np.int64], weight: Array, shape: tuple[int, int]) -> Array:
        """Sums (shape) of the rows times their weights (N,), each row added to line `row` (N,); below zero to none."""
        total = np.zeros(shape)
        _onto(self.at, self.value, row, weight, total)
        return total

    def right(self, weighted: Array, n: int) -> Array:
        """The right-hand side (n,) of rows with values times weights (N,)."""
        return np.asarray(np.bincount(self.at.ravel(), (self.value * weighted[:, None]).ravel(), n), dtype=np.float64)


@njit(cache=True, nogil=True)
def _square(at, value, weight, below, diagonal):  # type: ignore[no-untyped-def]  # pragma: no cover
    for row in range(at.shape[0]):
        for one in range(at.shape[1]):
            if value[row, one] == 0.0:
                continue
            factor = weight[row] * value[row, one]
            diagonal[at[row, one]] += factor * value[row, one]
            for two in range(one):
                below[at[row, one], at[row, two]] += factor * value[row, two]


@njit(cache=True, nogil=True)
def _product(at, value, other_at, other_value, weight, block):  # type: ignore[no-untyped-def]  # pragma: no cover
    for row in range(at.shape[0]):
        for one in range(at.shape[1]):
            if value[row, one] == 0.0:
                continue
            factor = weight[row] * value[row, one]
            for two in range(other_at.shape[1]):
                block[at[row, one], other_at[row, two]] += factor * other_value[row, two]


@njit(cache=True, nogil=True)
def _onto(at, value, row, weight, total):  # type: ignore[no-untyped-def]  # pragma: no cover
    for index in range(at.shape[0]):
        if row[index] < 0:
            continue
        for term in range(at.shape[1]):
            total[row[index], at[index, term]] += weight[index] * value[index, term]
