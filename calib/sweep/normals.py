"""Builds the normal equations of the sweep fit: sums over sparse rows of terms, then transforms them to the
unknowns."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.chain import ChainEstimate, ChainNormals
from calib.coordinates import Array
from calib.ordered import shared_out
from calib.sweep.joint_rows import FewRows, JointRows, joint_rows
from calib.sweep.layout import Layout
from calib.sweep.rows import (
    Products,
    Rows,
    add_products,
    add_to_splines,
    band_of,
    band_product,
    empty_products,
    spline_values,
)


@dataclass(frozen=True, slots=True, eq=False)
class StripRows:
    """The observations `index` (n,) that involve a strip, and their rows of its terms; if they are few, also `joint`,
    the rows in the strip's joint terms."""

    index: NDArray[np.int64]
    rows: Rows
    joint: JointRows | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Batches:
    """Evidence grouped by the strips it involves: each strip, and each pair of neighbours (left, right).

    A seam's rows are also contained in those of its strips, in the same order.
    """

    strips: list[StripRows]
    seams: dict[tuple[int, int], tuple[StripRows, StripRows]]

    @property
    def pairs(self) -> dict[tuple[int, int], tuple[StripRows, StripRows]]:
        """All evidence by pairs of strips, first each strip with itself; only pairs with evidence."""
        return {(k, k): (side, side) for k, side in enumerate(self.strips) if side.index.size} | self.seams


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """All that a fit needs of its evidence: sums over rows, independent of the modes of the wander.

    `own`: by strip, sums of terms times terms; None without evidence. If there are few rows, the rows themselves in
        joint terms, which hold for one set of modes only.
    `seams`: the same by pairs of neighbouring strips.
    `few` (f, 2), `splines` (n, 2): by strip, sums of its few terms and of its splines times information times value, in
        x and y: the right-hand side.
    `squares`: the sum of the squared values weighted by their information.
    `log_information`: the sum of the logarithms of the determinants of the information.
    """

    own: list[Products | FewRows | None]
    seams: dict[tuple[int, int], Products | FewRows]
    few: list[Array]
    splines: list[Array]
    squares: float
    log_information: float


def with_joint_rows(layout: Layout, batches: Batches, threads: int = 1) -> Batches:
    """The same evidence, with rows also in the joint terms of `layout` where there are fewer rows than splines."""

    def taken(strip: int, side: StripRows) -> StripRows:
        few = len(side.rows) < layout.n_splines
        return replace(side, joint=joint_rows(layout, strip, side.rows)) if few else side

    strips = shared_out(lambda k: taken(k, batches.strips[k]), range(len(batches.strips)), threads)
    seams = {(k, other): (taken(k, a), taken(other, b)) for (k, other), (a, b) in batches.seams.items()}
    return Batches(strips, seams)


def sum_up(layout: Layout, value: Array, information: Array, batches: Batches, threads: int = 1) -> Sums:
    """The sums over values (N, 2) with their weighted information (N, 2, 2)."""
    weighted = np.matmul(information, value[:, :, None])[:, :, 0]

    def right_side(side: StripRows) -> tuple[Array, Array]:
        splines = np.zeros((layout.n_splines, 2))
        add_to_splines(splines, side.rows.cell, side.rows.weight, weighted[side.index])
        return side.rows.few.T @ weighted[side.index], splines

    def products(pair: tuple[StripRows, StripRows]) -> Products | FewRows:
        left, right = pair
        if left.joint is not None and right.joint is not None:
            return FewRows(left.joint, right.joint, information[left.index])
        return _products(layout, left.rows, right.rows, information[left.index])

    pairs = batches.pairs
    found = dict(zip(pairs, shared_out(products, pairs.values(), threads), strict=True))
    right_sides = shared_out(right_side, batches.strips, threads)
    p, r = information[:, 0, 0], information[:, 1, 1]
    det = np.where((p > 0) & (r > 0), p * r - information[:, 0, 1] ** 2, np.maximum(p, r))
    return Sums(
        [found.get((k, k)) for k in range(len(layout.strips))],
        {blocks: found[blocks] for blocks in batches.seams},
        [few for few, _ in right_sides],
        [splines for _, splines in right_sides],
        float(np.sum(weighted * value)),
        float(np.log(det[det > 0]).sum()),
    )


WanderProducts = dict[tuple[int, int, int, int], tuple[Array, Array, Array]]
"""By (strip, strip, axis, axis): the wander's modes of both, and the sums of the products of these modes."""


def normal_equations(layout: Layout, sums: Sums, threads: int = 1, cache: WanderProducts | None = None) -> ChainNormals:
    """The normal equations of the evidence without priors; identical for any number of threads.

    `cache` holds sums over the same evidence, reused for the same modes; new ones are added to it.
    """
    cache = {} if cache is None else cache
    count, m = len(layout.strips), len(layout.shared_groups())
    sizes = [len(layout.groups(k)) for k in range(count)]
    normals = ChainNormals(
        diagonal=[np.empty(0)] * count,
        next_to=[np.zeros(shape) for shape in pairwise(sizes)],
        border=[np.zeros((n, m)) for n in sizes],
        shared=np.zeros((m, m)),
        right=[],
        right_shared=np.zeros(m),
    )
    products = {(k, k): own for k, own in enumerate(sums.own) if own is not None} | sums.seams
    parts = shared_out(lambda blocks: _contribution(layout, blocks, products[blocks], cache), products, threads)
    for blocks, part in zip(products, parts, strict=True):
        _add(normals, blocks, part)
    for k, n in enumerate(sizes):
        if sums.own[k] is None:
            normals.diagonal[k] = np.zeros((n, n))
        columns, right = layout.columns(k), _joint_right_side(layout, k, sums)
        normals.right.append(right[columns.own])
        normals.right_shared[columns.shared] += right[columns.few]
    return normals


def with_priors(layout: Layout, normals: ChainNormals, variances: Array) -> ChainNormals:
    """The normal equations with the priors of the unknowns on the diagonal; `variances` are by group of unknowns."""
    diagonal = [_plus_diagonal(block, 1.0 / variances[layout.groups(k)]) for k, block in enumerate(normals.diagonal)]
    shared = _plus_diagonal(normals.shared, 1.0 / variances[layout.shared_groups()])
    return replace(normals, diagonal=diagonal, shared=shared)


def _plus_diagonal(matrix: Array, added: Array) -> Array:
    """A copy of the matrix (n, n) with `added` (n,) on its diagonal."""
    total = matrix.copy()
    total[np.diag_indices(len(added))] += added
    return total


def _products(layout: Layout, left: Rows, right: Rows, information: Array) -> Products:
    """Sums of the terms of one strip times those of another, or its own if `left` and `right` are the same rows."""
    sums = empty_products(3, (left.few.shape[1], right.few.shape[1]), band_of(left, right, layout.n_splines))
    if left is right:
        sums = replace(sums, right=sums.left)
    add_products(sums, left, right, information)
    return sums


def _joint_sums(layout: Layout, blocks: tuple[int, int], sums: Products, cache: WanderProducts) -> Array:
    """Sums of the joint terms of one strip times those of another, or its own, with a last row and column of zeros."""
    here, there = (layout.columns(k) for k in blocks)
    joint = np.zeros((here.n_joint + 1, there.n_joint + 1))
    for i, left in enumerate(layout.wander[blocks[0]]):
        for j, right in enumerate(layout.wander[blocks[1]]):
            if blocks[0] == blocks[1] and i > j:
                joint[here.half(i), here.half(j)] = joint[here.half(j), here.half(i)].T
                continue
            cached = cache.get((*blocks, i, j))
            if cached is None or cached[0] is not left or cached[1] is not right:
                cached = left, right, left.T @ band_product(sums.near[i + j], sums.low, right)
                cache[*blocks, i, j] = cached
            joint[here.wander_of[i], there.wander_of[j]] = cached[2]
            joint[here.few_of[i], there.few_of[j]] = sums.few[i + j]
            joint[here.wander_of[i], there.few_of[j]] = left.T @ sums.left[i + j]
            joint[here.few_of[i], there.wander_of[j]] = sums.right[i + j].T @ right
    return joint


def _joint_right_side(layout: Layout, strip: int, sums: Sums) -> Array:
    """The right-hand side of the normal equations of a strip's joint terms."""
    parts = []
    for i, wander in enumerate(layout.wander[strip]):
        parts += [sums.few[strip][:, i], wander.T @ sums.splines[strip][:, i]]
    return np.concatenate(parts)


@dataclass(frozen=True, slots=True, eq=False)
class _Contribution:
    """What one strip or two neighbours add to the normal equations: to a block of the chain, to the borders of the left
    and the right strip, and to the block of the shared unknowns."""

    block: Array
    border: Array
    border_right: Array
    shared: Array


def _contribution(
    layout: Layout, blocks: tuple[int, int], products: Products | FewRows, cache: WanderProducts
) -> _Contribution:
    """The contribution of the products of a strip with itself or with its neighbour."""
    here, there = (layout.columns(k) for k in blocks)
    if isinstance(products, FewRows):
        joint = products.sums(here, there)
    else:
        joint = _joint_sums(layout, blocks, products, cache)
    own, common = joint.take(here.own, axis=0), joint.take(here.common, axis=0)
    return _Contribution(
        own.take(there.own, axis=1), own.take(there.common, axis=1), common.take(there.own, axis=1).T,
        common.take(there.common, axis=1),
    )  # fmt: skip


def _add(normals: ChainNormals, blocks: tuple[int, int], part: _Contribution) -> None:
    """Add a contribution to the normal equations, in place."""
    k, other = blocks
    normals.border[k] += part.border
    normals.shared[:] += part.shared
    if k == other:
        normals.diagonal[k] = part.block
        return
    normals.next_to[k] = part.block
    normals.border[other] += part.border_right
    normals.shared[:] += part.shared.T


def fitted_values(layout: Layout, solution: ChainEstimate, batches: Batches, count: int, threads: int = 1) -> Array:
    """The fitted values (count, 2) of all observations of the batches."""
    fitted = np.zeros((count, 2))
    strips = range(len(layout.strips))
    found = shared_out(lambda k: place_values(layout, solution, k, batches.strips[k].rows), strips, threads)
    for side, values in zip(batches.strips, found, strict=True):
        fitted[side.index] += values
    return fitted


def place_values(layout: Layout, solution: ChainEstimate, strip: int, rows: Rows) -> Array:
    """The fitted departures (N, 2), px, at places in one strip given by their rows."""
    few, splines = layout.coefficients(strip, solution.unknowns[strip], solution.shared)
    return np.asarray(rows.few @ few + spline_values(rows.cell, rows.weight, splines))
