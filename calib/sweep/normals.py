"""The normal equations of the sweep fit, summed over sparse rows of terms and then taken to the unknowns."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.sweep.chain import ChainNormals, ChainSolution
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
class Batch:
    """Observations `index` (n,) that touch the same one or two neighbouring strips `blocks`, with rows for each."""

    index: NDArray[np.int64]
    blocks: tuple[int, ...]
    rows: tuple[Rows, ...]


def by_strip(layout: Layout, batches: Sequence[Batch]) -> list[list[tuple[Batch, Rows]]]:
    """The batches that touch each strip, with their rows there."""
    found: list[list[tuple[Batch, Rows]]] = [[] for _ in layout.strips]
    for batch in batches:
        for k, rows in zip(batch.blocks, batch.rows, strict=True):
            found[k].append((batch, rows))
    return found


def seams(batches: Sequence[Batch]) -> dict[tuple[int, int], list[Batch]]:
    """The batches that touch two strips, by the strips."""
    found: dict[tuple[int, int], list[Batch]] = {}
    for batch in batches:
        if len(batch.blocks) == 2:
            found.setdefault((batch.blocks[0], batch.blocks[1]), []).append(batch)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """What a fit needs to know of its evidence, summed over its rows; whatever the modes of the wander are.

    `own` by strip and `seams` by neighbouring strips: terms times terms, None where there is no evidence; `few` (f, 2)
    and `splines` (n, 2), by strip: what pulls at terms in x and in y; `squares`: that of all values by their
    information; `log_information`: of its determinants.
    """

    own: list[Products | None]
    seams: dict[tuple[int, int], Products]
    few: list[Array]
    splines: list[Array]
    squares: float
    log_information: float


def sum_up(layout: Layout, value: Array, information: Array, batches: Sequence[Batch]) -> Sums:
    """The sums over values (N, 2) with their information (N, 2, 2) as it is to count."""
    pull = np.matmul(information, value[:, :, None])[:, :, 0]
    own, few, splines = [], [], []
    for k, mine in enumerate(by_strip(layout, batches)):
        own.append(
            _products(layout, [(rows, rows, batch.index) for batch, rows in mine], information) if mine else None
        )
        few.append(np.zeros((layout.n_few + len(layout.places[k]), 2)))
        splines.append(np.zeros((layout.n_splines, 2)))
        for batch, rows in mine:
            few[k] += rows.few.T @ pull[batch.index]
            add_to_splines(splines[k], rows.cell, rows.weight, pull[batch.index])
    between = {
        blocks: _products(layout, [(batch.rows[0], batch.rows[1], batch.index) for batch in seam], information)
        for blocks, seam in seams(batches).items()
    }
    p, r = information[:, 0, 0], information[:, 1, 1]
    det = np.where((p > 0) & (r > 0), p * r - information[:, 0, 1] ** 2, np.maximum(p, r))
    return Sums(own, between, few, splines, float(np.sum(pull * value)), float(np.log(det[det > 0]).sum()))


def normal_equations(layout: Layout, sums: Sums) -> ChainNormals:
    """Normal equations of the evidence alone, without any prior."""
    sizes, m = [len(layout.groups(k)) for k in range(len(layout.strips))], len(layout.shared_groups())
    normals = ChainNormals(
        diagonal=[np.zeros((n, n)) for n in sizes],
        next_to=[np.zeros((n, after)) for n, after in pairwise(sizes)],
        border=[np.zeros((n, m)) for n in sizes],
        shared=np.zeros((m, m)),
        right=[np.zeros(n) for n in sizes],
        right_shared=np.zeros(m),
    )
    for k, products in enumerate(sums.own):
        if products is not None:
            _add_block(layout, normals, (k, k), products)
        _add_right(layout, normals, k, sums.few[k], sums.splines[k])
    for blocks, products in sums.seams.items():
        _add_block(layout, normals, blocks, products)
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


def _products(layout: Layout, pairs: Sequence[tuple[Rows, Rows, NDArray[np.int64]]], information: Array) -> Products:
    """Sums over terms of one strip times those of another, or its own, for one or more sets of rows in both."""
    left, right, _ = pairs[0]
    band = band_of([pair[:2] for pair in pairs], layout.n_splines)
    sums = empty_products(3, (left.few.shape[1], right.few.shape[1]), band)
    for left, right, index in pairs:
        add_products(sums, left, right, information[index])
    return sums


def _add_block(layout: Layout, normals: ChainNormals, blocks: tuple[int, int], sums: Products) -> None:
    """Add the sums of one strip's terms times its own or its neighbour's."""
    k, other = blocks
    target = normals.diagonal[k] if k == other else normals.next_to[k]
    for i in range(2):
        for j in range(2):
            here, there = layout.columns(k, i), layout.columns(other, j)
            if k == other and i > j:
                target[here, there] = target[there, here].T
            else:
                target[here, there] += _over_own(layout, blocks, sums, i, j)
        _add_border(layout, normals, (k, i), other, sums.few[i : i + 2], sums.left[i : i + 2])
        if k != other:
            _add_border(layout, normals, (other, i), k, sums.few[i : i + 2].transpose(0, 2, 1), sums.right[i : i + 2])


def _over_own(layout: Layout, blocks: tuple[int, int], sums: Products, i: int, j: int) -> Array:
    """Sums over the unknowns that move axis i of the left strip times those that move axis j of the right one."""
    left, right = layout.wander[blocks[0]][i], layout.wander[blocks[1]][j]
    few, beside = sums.few[i + j], sums.left[i + j]
    top = layout.onto_own(j, few.T, right.T @ sums.right[i + j])
    down = layout.onto_own(j, beside.T, band_product(sums.near[i + j], sums.low, right).T)
    return layout.onto_own(i, top.T, left.T @ down.T)


def _add_border(
    layout: Layout, normals: ChainNormals, own: tuple[int, int], other: int, few: Array, beside: Array
) -> None:
    """Add sums of a strip's few terms (2, f, g) and splines (2, n, g) times the few terms of the same or another strip
    on either axis, which stand for the shared unknowns; `own`: strip and axis."""
    n_few, at = layout.n_few, layout.shared_columns(*own)
    by = np.concatenate([layout.shared_columns(other, axis) for axis in range(2)])
    top = np.concatenate([few[0, :, :n_few], few[1, :, :n_few]], axis=1)
    down = np.concatenate([beside[0, :, :n_few], beside[1, :, :n_few]], axis=1)
    wander = layout.wander[own[0]][own[1]].T @ down
    normals.border[own[0]][layout.columns(*own), by] += layout.onto_own(own[1], top, wander)
    normals.shared[np.ix_(at, by)] += top[:n_few]


def _add_right(layout: Layout, normals: ChainNormals, strip: int, few: Array, splines: Array) -> None:
    """Add what pulls at a strip's terms."""
    for i in range(2):
        wander = layout.wander[strip][i].T @ splines[:, i]
        normals.right[strip][layout.columns(strip, i)] += layout.onto_own(i, few[:, i], wander)
        normals.right_shared[layout.shared_columns(strip, i)] += few[: layout.n_few, i]


def fitted_values(layout: Layout, solution: ChainSolution, batches: Sequence[Batch], count: int) -> Array:
    """The fit's values (count, 2) of the batches' observations."""
    fitted = np.zeros((count, 2))
    for k, mine in enumerate(by_strip(layout, batches)):
        for batch, rows in mine:
            fitted[batch.index] += place_values(layout, solution, k, rows)
    return fitted


def place_values(layout: Layout, solution: ChainSolution, strip: int, rows: Rows) -> Array:
    """The fit's departures (N, 2) at places in one strip."""
    axes = [solution.unknowns[strip][layout.columns(strip, i)] for i in range(2)]
    few = np.stack([layout.onto_few(strip, i, own, solution.shared) for i, own in enumerate(axes)], axis=1)
    splines = np.stack([layout.onto_splines(strip, i, own) for i, own in enumerate(axes)], axis=1)
    return np.asarray(rows.few @ few + spline_values(rows.cell, rows.weight, splines))
