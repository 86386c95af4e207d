"""The normal equations of a frame's curves and drifts: strips in a chain, coupled by overlaps and by what they share.

Each strip has a block of unknowns of its own, neighbours touch through the overlaps, and a border of common unknowns
touches all: block tridiagonal with an arrow (`calib.chain`). The banding of the samples that no overlap touches is
eliminated first, sample by sample, since nothing but the strip's own blocks ties them to each other.
"""

from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.chain import ChainNormals, solve_chain
from calib.coordinates import Array
from calib.ordered import shared_out
from calib.tone.terms import Terms

FREE_BANDING = 10.0  # variance of a sample's banding beforehand: none is known


@dataclass(frozen=True, slots=True)
class Sizes:
    """How many unknowns there are: `strips` of each strip, `common` ones, and `samples` whose banding is eliminated.

    The first `shared` unknowns of a strip stand beside as many common ones, at the same places and with the same
    factors; only the first `beside` ones stand in a row with eliminated banding.
    """

    strips: tuple[int, ...]
    common: int
    samples: int
    shared: int
    beside: int


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Linear evidence on one strip, or on two neighbours: ``own @ x_k + next @ x_(k+1) + common - b_k = value``.

    In ``common`` are the shared unknowns, by the terms of the strips' own, and, less, the one that `error` (N,) numbers
    where it is not None. `next` is None for evidence on one strip; `column` (N,) is the sample whose eliminated banding
    `b_k` is in the row, or -1; `value` (N,).
    """

    own: Terms
    next: Terms | None
    error: NDArray[np.int64] | None
    column: NDArray[np.int64]
    value: Array


@dataclass(frozen=True, slots=True, eq=False)
class Eliminated:
    """Banding of a strip's samples in terms of the rest: ``b = (right - own @ x - common @ c) / weight``.

    `x` are those of a strip's unknowns that stand beside eliminated banding.
    """

    weight: Array
    own: Array
    common: Array
    right: Array

    def banding(self, own: Array, common: Array) -> Array:
        """The banding that goes with values of the rest."""
        return np.asarray((self.right - self.own @ own[: self.own.shape[1]] - self.common @ common) / self.weight)


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

    `own` (diagonal, border, right) of its strip, `common` (corner, right), the eliminated banding, None where no row
    has any, and, where it is on two strips, `chain` (diagonal, border, right, coupling) of the follower.
    """

    strip: int
    own: tuple[Array, Array, Array]
    common: tuple[Array, Array]
    columns: Eliminated | None
    chain: tuple[Array, Array, Array, Array] | None


class NormalEquations:
    """Normal equations under construction."""

    def __init__(self, sizes: Sizes) -> None:
        self.sizes = sizes
        m, n_samples = sizes.common, sizes.samples
        self.diagonal = [np.zeros((n, n)) for n in sizes.strips]
        self.coupling = [np.zeros((n, after)) for n, after in pairwise(sizes.strips)]
        self.border = [np.zeros((n, m)) for n in sizes.strips]
        self.corner = np.zeros((m, m))
        self.right = [np.zeros(n) for n in sizes.strips]
        self.right_common = np.zeros(m)
        self.columns = [
            Eliminated(
                np.full(n_samples, 1 / FREE_BANDING),
                np.zeros((n_samples, sizes.beside)),
                np.zeros((n_samples, m)),
                np.zeros(n_samples),
            )
            for _ in sizes.strips
        ]

    def share_of(self, strip: int, rows: Rows, weight: Array) -> Share:
        """What evidence on a strip (and its follower) with weights (N,) adds; shares can be worked out side by side."""
        n, m, shared = self.sizes.strips[strip], self.sizes.common, slice(0, self.sizes.shared)
        weighted = rows.value * weight
        own, right = rows.own.normal(weight, weighted, n)
        border, corner, right_common = np.zeros((n, m)), np.zeros((m, m)), np.zeros(m)
        border[:, shared], right_common[shared] = own[:, shared], right[shared]
        chain = None
        if rows.next is not None:
            chain = self._chain_of(strip, rows.own, rows.next, weight, weighted)
            border[:, shared] += chain[3][:, shared]
            corner[shared, shared] += chain[1][shared, shared]
            right_common[shared] += chain[2][shared]
        if rows.error is not None:
            by_error, weights, values = rows.own.onto(rows.error, weight, weighted, (m, n))
            border -= by_error.T
            right_common -= values
            corner[np.diag_indices(m)] += weights
            corner[self.sizes.shared :, shared] += border[shared, self.sizes.shared :].T
        corner[shared] += border[shared]
        columns = self._columns_of(rows, weight, weighted)
        return Share(strip, (own, border, right), (corner, right_common), columns, chain)

    def _chain_of(
        self, strip: int, own: Terms, following: Terms, weight: Array, weighted: Array
    ) -> tuple[Array, Array, Array, Array]:
        """What rows on two strips add to the second: diagonal, border, right-hand side, coupling to the first."""
        n, shared = self.sizes.strips[strip + 1], slice(0, self.sizes.shared)
        diagonal, right = following.normal(weight, weighted, n)
        border = np.zeros((n, self.sizes.common))
        coupling = own.product(following, weight, (self.sizes.strips[strip], n))
        border[:, shared] = diagonal[:, shared] + coupling[shared].T
        return diagonal, border, right, coupling

    def _columns_of(self, rows: Rows, weight: Array, weighted: Array) -> Eliminated | None:
        """What rows add to the equations of the eliminated banding."""
        n_samples, m, has = self.sizes.samples, self.sizes.common, rows.column >= 0
        if not has.any():
            return None
        own, weights, right = rows.own.onto(rows.column, weight, weighted, (n_samples, self.sizes.beside))
        common = np.zeros((n_samples, m))
        if rows.error is not None:
            place = rows.column[has] * m + rows.error[has]
            common += np.bincount(place, weight[has], common.size).reshape(common.shape)
        common[:, : self.sizes.shared] -= own[:, : self.sizes.shared]
        return Eliminated(weights, -own, common, -right)

    def add(self, share: Share) -> None:
        """Add what some evidence makes."""
        strip = share.strip
        self._add_block(strip, *share.own)
        self.corner += share.common[0]
        self.right_common += share.common[1]
        if share.chain is not None:
            self._add_block(strip + 1, *share.chain[:3])
            self.coupling[strip] += share.chain[3]
        if share.columns is not None:
            for field in fields(Eliminated):
                total = getattr(self.columns[strip], field.name)
                total += getattr(share.columns, field.name)

    def _add_block(self, strip: int, diagonal: Array, border: Array, right: Array) -> None:
        self.diagonal[strip] += diagonal
        self.border[strip] += border
        self.right[strip] += right

    def solve(self, threads: int = 1) -> Solution:
        """Eliminate the banding, solve the chain of strips with the common unknowns, then go back to the banding."""
        for strip, part in enumerate(shared_out(_eliminated, self.columns, threads)):
            self._take_off(strip, *part)
        normals = ChainNormals(self.diagonal, self.coupling, self.border, self.corner, self.right, self.right_common)
        found = solve_chain(normals, threads, neighbours=False)
        banding = [part.banding(own, found.shared) for part, own in zip(self.columns, found.unknowns, strict=True)]
        return Solution(
            found.unknowns, found.shared, banding, found.cov_shared, found.cov, found.cov_border, self.columns
        )

    def _take_off(self, strip: int, diagonal: Array, border: Array, corner: Array, right: Array, common: Array) -> None:
        """Take from the blocks of a strip what its eliminated banding explains."""
        beside = slice(0, self.sizes.beside)
        self.diagonal[strip][beside, beside] -= diagonal
        self.border[strip][beside] -= border
        self.corner -= corner
        self.right[strip][beside] -= right
        self.right_common -= common


def _eliminated(part: Eliminated) -> tuple[Array, Array, Array, Array, Array]:
    """What the eliminated banding of a strip explains: diagonal, border, corner, and both right-hand sides."""
    own, common = part.own / part.weight[:, None], part.common / part.weight[:, None]
    return part.own.T @ own, part.own.T @ common, part.common.T @ common, own.T @ part.right, common.T @ part.right
