"""The normal equations of the sweep fit, summed over sparse rows of terms and then taken to the unknowns."""

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
    """Observations `index` (n,) that touch a strip, with their rows there; `joint`, where they are few, in the strip's
    joint terms."""

    index: NDArray[np.int64]
    rows: Rows
    joint: JointRows | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Batches:
    """Evidence by what it touches: each strip, and two neighbours (left, right) at once; a seam's rows are part of its
    strips', in the same order."""

    strips: list[StripRows]
    seams: dict[tuple[int, int], tuple[StripRows, StripRows]]

    @property
    def pairs(self) -> dict[tuple[int, int], tuple[StripRows, StripRows]]:
        """All evidence by pairs of strips, a strip with itself first, where there is any."""
        return {(k, k): (side, side) for k, side in enumerate(self.strips) if side.index.size} | self.seams


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """What a fit needs to know of its evidence, summed over its rows; whatever the modes of the wander are.

    `own`: by strip, terms times terms. None where there is no evidence. Where rows are few, they stand as they are, in
        joint terms, which hold for one set of modes only.
    `seams`: the same by pairs of neighbouring strips.
    `few` (f, 2), `splines` (n, 2): by strip, what pulls at its few terms and its splines, in x and in y.
    `squares`: the sum of the squares of all values, weighed by their information.
    `log_information`: the sum of the logarithms of the information's determinants.
    """

    own: list[Products | FewRows | None]
    seams: dict[tuple[int, int], Products | FewRows]
    few: list[Array]
    splines: list[Array]
    squares: float
    log_information: float


def with_joint_rows(layout: Layout, batches: Batches, threads: int = 1) -> Batches:
    """The same evidence, with rows in the joint terms of `layout` too where they are fewer than the splines."""

    def taken(strip: int, side: StripRows) -> StripRows:
        few = len(side.rows) < layout.n_splines
        return replace(side, joint=joint_rows(layout, strip, side.rows)) if few else side

    strips = shared_out(lambda k: taken(k, batches.strips[k]), range(len(batches.strips)), threads)
    seams = {(k, other): (taken(k, a), taken(other, b)) for (k, other), (a, b) in batches.seams.items()}
    return Batches(strips, seams)


def sum_up(layout: Layout, value: Array, information: Array, batches: Batches, threads: int = 1) -> Sums:
    """The sums over values (N, 2) with their information (N, 2, 2) as it is to count."""
    pull = np.matmul(information, value[:, :, None])[:, :, 0]

    def pulled(side: StripRows) -> tuple[Array, Array]:
        splines = np.zeros((layout.n_splines, 2))
        add_to_splines(splines, side.rows.cell, side.rows.weight, pull[side.index])
        return side.rows.few.T @ pull[side.index], splines

    def products(pair: tuple[StripRows, StripRows]) -> Products | FewRows:
        left, right = pair
        if left.joint is not None and right.joint is not None:
            return FewRows(left.joint, right.joint, information[left.index])
        return _products(layout, left.rows, right.rows, information[left.index])

    pairs = batches.pairs
    found = dict(zip(pairs, shared_out(products, pairs.values(), threads), strict=True))
    pulls = shared_out(pulled, batches.strips, threads)
    p, r = information[:, 0, 0], information[:, 1, 1]
    det = np.where((p > 0) & (r > 0), p * r - information[:, 0, 1] ** 2, np.maximum(p, r))
    return Sums(
        [found.get((k, k)) for k in range(len(layout.strips))],
        {blocks: found[blocks] for blocks in batches.seams},
        [few for few, _ in pulls],
        [splines for _, splines in pulls],
        float(np.sum(pull * value)),
        float(np.log(det[det > 0]).sum()),
    )


Wandering = dict[tuple[int, int, int, int], tuple[Array, Array, Array]]
"""By two strips and an axis of each: the modes of the wander and the sums over their products."""


def normal_equations(layout: Layout, sums: Sums, threads: int = 1, known: Wandering | None = None) -> ChainNormals:
    """Normal equations of the evidence alone, without any prior; the same for any number of threads.

    `known`, of the same evidence, holds what need not be summed again where the modes are the same, and is kept so.
    """
    known = {} if known is None else known
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
    shares = shared_out(lambda blocks: _share(layout, blocks, products[blocks], known), products, threads)
    for blocks, share in zip(products, shares, strict=True):
        _add_share(normals, blocks, share)
    for k, n in enumerate(sizes):
        if sums.own[k] is None:
            normals.diagonal[k] = np.zeros((n, n))
        columns, right = layout.columns(k), _joint_pull(layout, k, sums)
        normals.right.append(right[columns.own])
        normals.right_shared[columns.shared] += right[columns.few]
    return normals


def with_priors(layout: Layout, normals: ChainNormals, variances: Array) -> ChainNormals:
    """Normal equations with the priors of the unknowns, whose variances by group are given, on the diagonal."""
    diagonal = [_raised(block, 1.0 / variances[layout.groups(k)]) for k, block in enumerate(normals.diagonal)]
    return replace(normals, diagonal=diagonal, shared=_raised(normals.shared, 1.0 / variances[layout.shared_groups()]))


def _raised(matrix: Array, by: Array) -> Array:
    """The matrix with something added to its diagonal."""
    raised = matrix.copy()
    raised[np.diag_indices(len(by))] += by
    return raised


def _products(layout: Layout, left: Rows, right: Rows, information: Array) -> Products:
    """Sums over terms of one strip times those of another, or its own (the same rows left and right)."""
    sums = empty_products(3, (left.few.shape[1], right.few.shape[1]), band_of(left, right, layout.n_splines))
    if left is right:
        sums = replace(sums, right=sums.left)
    add_products(sums, left, right, information)
    return sums


def _joint_sums(layout: Layout, blocks: tuple[int, int], sums: Products, known: Wandering) -> Array:
    """Sums over the joint terms of one strip times those of another, or its own; and a row and a column of zeros."""
    here, there = (layout.columns(k) for k in blocks)
    joint = np.zeros((here.n_joint + 1, there.n_joint + 1))
    for i, left in enumerate(layout.wander[blocks[0]]):
        for j, right in enumerate(layout.wander[blocks[1]]):
            if blocks[0] == blocks[1] and i > j:
                joint[here.half(i), here.half(j)] = joint[here.half(j), here.half(i)].T
                continue
            made = known.get((*blocks, i, j))
            if made is None or made[0] is not left or made[1] is not right:
                made = left, right, left.T @ band_product(sums.near[i + j], sums.low, right)
                known[*blocks, i, j] = made
            joint[here.wander_of[i], there.wander_of[j]] = made[2]
            joint[here.few_of[i], there.few_of[j]] = sums.few[i + j]
            joint[here.wander_of[i], there.few_of[j]] = left.T @ sums.left[i + j]
            joint[here.few_of[i], there.wander_of[j]] = sums.right[i + j].T @ right
    return joint


def _joint_pull(layout: Layout, strip: int, sums: Sums) -> Array:
    """What pulls at a strip's joint terms."""
    pull = []
    for i, wander in enumerate(layout.wander[strip]):
        pull += [sums.few[strip][:, i], wander.T @ sums.splines[strip][:, i]]
    return np.concatenate(pull)


@dataclass(frozen=True, slots=True, eq=False)
class _Share:
    """What one strip or two neighbours add to the normal equations: to a block of the chain, to the border of the left
    and of the right strip, to what is shared."""

    block: Array
    border: Array
    border_right: Array
    shared: Array


def _share(layout: Layout, blocks: tuple[int, int], products: Products | FewRows, known: Wandering) -> _Share:
    """The share of a strip with itself or with its neighbour."""
    here, there = (layout.columns(k) for k in blocks)
    if isinstance(products, FewRows):
        joint = products.sums(here, there)
    else:
        joint = _joint_sums(layout, blocks, products, known)
    own, common = joint.take(here.own, axis=0), joint.take(here.common, axis=0)
    return _Share(
        own.take(there.own, axis=1), own.take(there.common, axis=1), common.take(there.own, axis=1).T,
        common.take(there.common, axis=1),
    )  # fmt: skip


def _add_share(normals: ChainNormals, blocks: tuple[int, int], share: _Share) -> None:
    """Add a share to the normal equations."""
    k, other = blocks
    normals.border[k] += share.border
    normals.shared[:] += share.shared
    if k == other:
        normals.diagonal[k] = share.block
        return
    normals.next_to[k] = share.block
    normals.border[other] += share.border_right
    normals.shared[:] += share.shared.T


def fitted_values(layout: Layout, solution: ChainEstimate, batches: Batches, count: int, threads: int = 1) -> Array:
    """The fit's values (count, 2) of the batches' observations."""
    fitted = np.zeros((count, 2))
    strips = range(len(layout.strips))
    found = shared_out(lambda k: place_values(layout, solution, k, batches.strips[k].rows), strips, threads)
    for side, values in zip(batches.strips, found, strict=True):
        fitted[side.index] += values
    return fitted


def place_values(layout: Layout, solution: ChainEstimate, strip: int, rows: Rows) -> Array:
    """The fit's departures (N, 2) at places in one strip."""
    few, splines = layout.coefficients(strip, solution.unknowns[strip], solution.shared)
    return np.asarray(rows.few @ few + spline_values(rows.cell, rows.weight, splines))
