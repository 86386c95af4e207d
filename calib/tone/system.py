"""The normal equations of a frame's curves and drifts: strips in a chain, coupled by overlaps and by what they share.

Each strip has a block of unknowns of its own, neighbours touch through the overlaps, and a border of common unknowns
touches all: block tridiagonal with an arrow. The banding of the samples that no overlap touches is eliminated first,
sample by sample, since nothing but the strip's own blocks ties them to each other. The rest is solved exactly by block
Cholesky, and the wanted blocks of the covariance come from the same factors (Takahashi's recursion, in blocks).
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from calib.coordinates import Array
from calib.tone.terms import Terms

FREE_BANDING = 10.0  # variance of a sample's banding beforehand: none is known

RIDGES = (0.0, 1e-12, 1e-9, 1e-6)  # of the diagonal, tried in turn


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Linear evidence on one strip, or on two neighbours: ``own @ x_k + next @ x_(k+1) + common @ c - b_k = value``.

    `next` is None for evidence on one strip; `column` (N,) is the sample whose eliminated banding `b_k` is in the row,
    or -1; `sigma` (N,) 1-sigma of a row.
    """

    own: Terms
    next: Terms | None
    common: Terms
    column: NDArray[np.int64]
    value: Array
    sigma: Array

    def residual(self, own: Array, following: Array | None, common: Array, banding: Array) -> Array:
        """What the evidence says beyond the unknowns' values."""
        model = self.own.dot(own) + self.common.dot(common) - np.where(self.column >= 0, banding[self.column], 0.0)
        if self.next is not None and following is not None:
            model = model + self.next.dot(following)
        return np.asarray(self.value - model)


@dataclass(frozen=True, slots=True, eq=False)
class Eliminated:
    """Banding of a strip's samples in terms of the rest: ``b = (right - own @ x - common @ c) / weight``."""

    weight: Array
    own: Array
    common: Array
    right: Array

    def banding(self, own: Array, common: Array) -> Array:
        """The banding that goes with values of the rest."""
        return np.asarray((self.right - self.own @ own - self.common @ common) / self.weight)


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """Values of the unknowns: of the strips, common ones, and per strip the banding of its samples (n_samples,).

    Banding that is not eliminated is of no meaning in `banding`.
    """

    strips: list[Array]
    common: Array
    banding: list[Array]


@dataclass(frozen=True, slots=True, eq=False)
class Solution(Values):
    """Values with the covariance of the common unknowns and, per strip, its own and cross."""

    common_covariance: Array
    strip_covariance: list[Array]
    cross_covariance: list[Array]
    eliminated: list[Eliminated]


@dataclass(frozen=True, slots=True, eq=False)
class Share:
    """What some evidence adds to the normal equations.

    `own` (diagonal, border, right) of its strip, `common` (corner, right), the eliminated banding, and, where it is on
    two strips, `chain` (diagonal, border, right, coupling) of the follower.
    """

    strip: int
    own: tuple[Array, Array, Array]
    common: tuple[Array, Array]
    columns: Eliminated
    chain: tuple[Array, Array, Array, Array] | None


class NormalEquations:
    """Normal equations under construction: `sizes` unknowns per strip, `m` common ones, `n_samples` to eliminate."""

    def __init__(self, sizes: Sequence[int], m: int, n_samples: int) -> None:
        self.diagonal = [np.zeros((n, n)) for n in sizes]
        self.coupling = [np.zeros((n, after)) for n, after in pairwise(sizes)]
        self.border = [np.zeros((n, m)) for n in sizes]
        self.corner = np.zeros((m, m))
        self.right = [np.zeros(n) for n in sizes]
        self.right_common = np.zeros(m)
        self.is_coupled = np.zeros(len(self.coupling), dtype=np.bool_)
        self.columns = [
            Eliminated(
                np.full(n_samples, 1 / FREE_BANDING),
                np.zeros((n_samples, n)),
                np.zeros((n_samples, m)),
                np.zeros(n_samples),
            )
            for n in sizes
        ]

    def share_of(self, strip: int, rows: Rows, weight: Array) -> Share:
        """What evidence on a strip (and its follower) with weights (N,) adds; shares can be worked out side by side."""
        n, m, n_samples = len(self.right[strip]), self.right_common.size, self.columns[strip].right.size
        weighted, has = rows.value * weight, rows.column >= 0
        column = rows.column[has]
        chain = None
        if rows.next is not None:
            after = len(self.right[strip + 1])
            chain = (
                rows.next.square(weight, after),
                rows.next.product(rows.common, weight, (after, m)),
                rows.next.right(weighted, after),
                rows.own.product(rows.next, weight, (n, after)),
            )
        return Share(
            strip,
            (rows.own.square(weight, n), rows.own.product(rows.common, weight, (n, m)), rows.own.right(weighted, n)),
            (rows.common.square(weight, m), rows.common.right(weighted, m)),
            Eliminated(
                _sums(column, weight[has], n_samples),
                rows.own.onto(rows.column, -weight, (n_samples, n)),
                rows.common.onto(rows.column, -weight, (n_samples, m)),
                _sums(column, -weighted[has], n_samples),
            ),
            chain,
        )

    def add(self, share: Share) -> None:
        """Add what some evidence makes."""
        strip = share.strip
        self._add_block(strip, *share.own)
        self.corner += share.common[0]
        self.right_common += share.common[1]
        if share.chain is not None:
            self._add_block(strip + 1, *share.chain[:3])
            self.coupling[strip] += share.chain[3]
            self.is_coupled[strip] = True
        for field in fields(Eliminated):
            total = getattr(self.columns[strip], field.name)
            total += getattr(share.columns, field.name)

    def _add_block(self, strip: int, diagonal: Array, border: Array, right: Array) -> None:
        self.diagonal[strip] += diagonal
        self.border[strip] += border
        self.right[strip] += right

    def solve(self) -> Solution:
        """Eliminate the banding, solve along the chain, then the border, then back with covariances."""
        for strip in range(len(self.columns)):
            self._eliminate(strip)
        factors, columns = self._forward()
        schur, right = self.corner.copy(), self.right_common.copy()
        inner = []
        for factor, column in zip(factors, columns, strict=True):
            solved = cho_solve(factor, column, check_finite=False)
            schur -= column[:, :-1].T @ solved[:, :-1]
            right -= column[:, :-1].T @ solved[:, -1]
            inner.append(solved)
        factor = _factor((schur + schur.T) / 2)
        common = cho_solve(factor, right, check_finite=False)
        covariance = cho_solve(factor, np.eye(common.size), check_finite=False)
        return self._backward(factors, inner, common, (covariance + covariance.T) / 2)

    def _eliminate(self, strip: int) -> None:
        part = self.columns[strip]
        own, common = part.own / part.weight[:, None], part.common / part.weight[:, None]
        self.diagonal[strip] -= part.own.T @ own
        self.border[strip] -= part.own.T @ common
        self.corner -= part.common.T @ common
        self.right[strip] -= own.T @ part.right
        self.right_common -= common.T @ part.right

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
            factors.append(_factor((pivot + pivot.T) / 2))
            columns.append(column)
        return factors, columns

    def _backward(
        self, factors: list[tuple[Array, bool]], inner: list[Array], common: Array, common_covariance: Array
    ) -> Solution:
        count = len(factors)
        own: list[Array] = [np.empty(0)] * count
        conditional: list[Array] = [np.empty(0)] * count
        coefficient: list[Array] = [np.empty(0)] * count
        for strip in range(count - 1, -1, -1):
            solved = inner[strip]
            inverse = cho_solve(factors[strip], np.eye(len(self.right[strip])), check_finite=False)
            if strip + 1 < count and self.is_coupled[strip]:
                carry = cho_solve(factors[strip], self.coupling[strip], check_finite=False)
                solved = solved - carry @ coefficient[strip + 1]
                inverse = inverse + carry @ conditional[strip + 1] @ carry.T
            coefficient[strip], conditional[strip] = solved, inverse
            own[strip] = solved[:, -1] - solved[:, :-1] @ common
        # with Y = coefficient and S = common_covariance: cross = -Y S, own = conditional + Y S Y'
        cross = [-part[:, :-1] @ common_covariance for part in coefficient]
        full = [base - c @ part[:, :-1].T for base, part, c in zip(conditional, coefficient, cross, strict=True)]
        banding = [part.banding(x, common) for part, x in zip(self.columns, own, strict=True)]
        return Solution(own, common, banding, common_covariance, full, cross, self.columns)


def _sums(index: NDArray[np.int64], values: Array, n: int) -> Array:
    return np.asarray(np.bincount(index, values, n), dtype=np.float64)


def _factor(matrix: Array) -> tuple[Array, bool]:
    """Cholesky factor; where rounding has eaten what little holds a direction, its own diagonal holds it a little more.

    Raises LinAlgError where even a millionth of the diagonal does not make the matrix definite.
    """
    for ridge in RIDGES[:-1]:
        try:
            return cho_factor(matrix + ridge * np.diag(np.abs(np.diag(matrix))), check_finite=False)
        except np.linalg.LinAlgError:
            continue
    return cho_factor(matrix + RIDGES[-1] * np.diag(np.abs(np.diag(matrix))), check_finite=False)
