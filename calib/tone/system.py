"""The normal equations of a frame's tone: strips in a chain, coupled by their overlaps and by what they share.

Each strip has a block of unknowns of its own, neighbours touch through the overlaps, and a border of common unknowns
touches all: block tridiagonal with an arrow. It is solved exactly by block Cholesky, and the blocks of the covariance
that are wanted come from the same factors (Takahashi's recursion for the inverse, in blocks).
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csr_array

from calib.coordinates import Array


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Linear evidence on one strip, or on two neighbours: ``own @ x_k + next @ x_(k+1) + common @ c = value``.

    `next` is None for evidence on one strip; `sigma` (N,) 1-sigma of a row; `kind` (N,) numbers the sort of evidence.
    """

    own: csr_array
    next: csr_array | None
    common: csr_array
    value: Array
    sigma: Array
    kind: np.ndarray

    def residual(self, own: Array, following: Array | None, common: Array) -> Array:
        """What the evidence says beyond the unknowns' values."""
        model = self.own @ own + self.common @ common
        if self.next is not None and following is not None:
            model = model + self.next @ following
        return np.asarray(self.value - model)


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Unknowns of the strips (K, n) and common (m,), the covariance of the latter and, per strip, its own and cross."""

    strips: Array
    common: Array
    common_covariance: Array
    strip_covariance: list[Array]
    cross_covariance: list[Array]


class NormalEquations:
    """Normal equations under construction; `n` unknowns per strip, `m` common ones."""

    def __init__(self, n_strips: int, n: int, m: int) -> None:
        self.diagonal = [np.zeros((n, n)) for _ in range(n_strips)]
        self.coupling = [np.zeros((n, n)) for _ in range(max(n_strips - 1, 0))]
        self.border = [np.zeros((n, m)) for _ in range(n_strips)]
        self.corner = np.zeros((m, m))
        self.right = [np.zeros(n) for _ in range(n_strips)]
        self.right_common = np.zeros(m)
        self.is_coupled = np.zeros(max(n_strips - 1, 0), dtype=np.bool_)

    def add(self, strip: int, rows: Rows, weight: Array) -> None:
        """Add evidence on a strip (and its follower) with weights (N,)."""
        own = _weighted(rows.own, weight)
        common = _weighted(rows.common, weight)
        value = rows.value * np.sqrt(weight)
        self._add_block(strip, own, common, value)
        self.corner += (common.T @ common).toarray()
        self.right_common += common.T @ value
        if rows.next is not None:
            following = _weighted(rows.next, weight)
            self._add_block(strip + 1, following, common, value)
            self.coupling[strip] += (own.T @ following).toarray()
            self.is_coupled[strip] = True

    def _add_block(self, strip: int, own: csr_array, common: csr_array, value: Array) -> None:
        self.diagonal[strip] += (own.T @ own).toarray()
        self.border[strip] += (own.T @ common).toarray()
        self.right[strip] += own.T @ value

    def solve(self) -> Solution:
        """Solve by block Cholesky along the chain, then the border, then back with covariances."""
        count = len(self.diagonal)
        factors, columns = self._forward()
        schur, right = self.corner.copy(), self.right_common.copy()
        inner = []
        for strip in range(count):
            solved = cho_solve(factors[strip], columns[strip], check_finite=False)
            schur -= columns[strip][:, :-1].T @ solved[:, :-1]
            right -= columns[strip][:, :-1].T @ solved[:, -1]
            inner.append(solved)
        factor = cho_factor((schur + schur.T) / 2, check_finite=False)
        common = cho_solve(factor, right, check_finite=False)
        common_covariance = cho_solve(factor, np.eye(common.size), check_finite=False)
        return self._backward(factors, inner, common, (common_covariance + common_covariance.T) / 2)

    def _forward(self) -> tuple[list[tuple[Array, bool]], list[Array]]:
        """Factors of the chain's pivots, and border with right-hand side after elimination of the strips before."""
        factors: list[tuple[Array, bool]] = []
        columns: list[Array] = []
        for strip, block in enumerate(self.diagonal):
            pivot = block
            column = np.column_stack([self.border[strip], self.right[strip]])
            if strip and self.is_coupled[strip - 1]:
                touch = self.coupling[strip - 1]
                pivot = pivot - touch.T @ cho_solve(factors[-1], touch, check_finite=False)
                column = column - touch.T @ cho_solve(factors[-1], columns[-1], check_finite=False)
            factors.append(cho_factor((pivot + pivot.T) / 2, check_finite=False))
            columns.append(column)
        return factors, columns

    def _backward(
        self, factors: list[tuple[Array, bool]], inner: list[Array], common: Array, common_covariance: Array
    ) -> Solution:
        count, n = len(factors), len(self.right[0])
        own = np.empty((count, n))
        conditional: list[Array] = [np.empty(0)] * count
        coefficient: list[Array] = [np.empty(0)] * count
        for strip in range(count - 1, -1, -1):
            solved = inner[strip]
            inverse = cho_solve(factors[strip], np.eye(n), check_finite=False)
            if strip + 1 < count and self.is_coupled[strip]:
                carry = cho_solve(factors[strip], self.coupling[strip], check_finite=False)
                solved = solved - carry @ coefficient[strip + 1]
                inverse = inverse + carry @ conditional[strip + 1] @ carry.T
            coefficient[strip], conditional[strip] = solved, inverse
            own[strip] = solved[:, -1] - solved[:, :-1] @ common
        # with Y = coefficient and S = common_covariance: cross = -Y S, own = conditional + Y S Y'
        cross = [-part[:, :-1] @ common_covariance for part in coefficient]
        full = [base - c @ part[:, :-1].T for base, part, c in zip(conditional, coefficient, cross, strict=True)]
        return Solution(own, common, common_covariance, full, cross)


def _weighted(matrix: csr_array, weight: Array) -> csr_array:
    scaled = matrix.copy()
    scaled.data = scaled.data * np.repeat(np.sqrt(weight), np.diff(matrix.indptr))
    return scaled
