"""The normal equations of the sweep fit, summed over sparse rows of terms and then taken to the unknowns."""

from collections.abc import Sequence
from dataclasses import dataclass
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
    band_of,
    band_product,
    empty_products,
    spline_sums,
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


def normal_equations(
    layout: Layout, value: Array, information: Array, batches: Sequence[Batch], variances: Array
) -> ChainNormals:
    """Normal equations: the priors' diagonal, and what values (N, 2) with their information (N, 2, 2) add."""
    normals = _priors(layout, variances)
    pull = np.matmul(information, value[:, :, None])[:, :, 0]
    for k, mine in enumerate(by_strip(layout, batches)):
        pairs = [(rows, rows, batch.index) for batch, rows in mine]
        _add_block(layout, normals, (k, k), _summed(layout, pairs, information))
        for batch, rows in mine:
            _add_right(layout, normals, k, rows, pull[batch.index])
    for blocks, seam in seams(batches).items():
        pairs = [(batch.rows[0], batch.rows[1], batch.index) for batch in seam]
        _add_block(layout, normals, blocks, _summed(layout, pairs, information))
    return normals


def _summed(
    layout: Layout, pairs: Sequence[tuple[Rows, Rows, NDArray[np.int64]]], information: Array
) -> Products | None:
    """Sums over terms of one strip times those of another, or its own; None without any rows."""
    if not pairs:
        return None
    band = band_of([pair[:2] for pair in pairs], layout.n_splines)
    sums = empty_products(3, pairs[0][0].few.shape[1], pairs[0][1].few.shape[1], band)
    for left, right, index in pairs:
        add_products(sums, left, right, information[index])
    return sums


def _priors(layout: Layout, variances: Array) -> ChainNormals:
    """The normal equations without any evidence."""
    groups, shared = [layout.groups(k) for k in range(len(layout.strips))], layout.shared_groups()
    return ChainNormals(
        diagonal=[np.diag(1.0 / variances[g]) for g in groups],
        next_to=[np.zeros((len(g), len(h))) for g, h in pairwise(groups)],
        border=[np.zeros((len(g), len(shared))) for g in groups],
        shared=np.diag(1.0 / variances[shared]),
        right=[np.zeros(len(g)) for g in groups],
        right_shared=np.zeros(len(shared)),
    )


def _add_block(layout: Layout, normals: ChainNormals, blocks: tuple[int, int], sums: Products | None) -> None:
    """Add the sums of one strip's terms times its own or its neighbour's."""
    if sums is None:
        return
    k, other = blocks
    target = normals.diagonal[k] if k == other else normals.next_to[k]
    for i in range(2):
        for j in range(2):
            here, there = layout.columns(k, i), layout.columns(other, j)
            if k == other and i > j:
                target[here, there] = target[there, here].T
            else:
                target[here, there] += _over_own(layout, sums, i, j)
            _add_border(layout, normals, (k, i), (other, j), sums.few[i + j], sums.left[i + j])
            if k != other:
                _add_border(layout, normals, (other, j), (k, i), sums.few[i + j].T, sums.right[i + j])


def _over_own(layout: Layout, sums: Products, i: int, j: int) -> Array:
    """Sums over the unknowns that move axis i of the left strip times those that move axis j of the right one."""
    left, right = (layout.line_modes[axis].coefficients for axis in (i, j))
    few, beside = sums.few[i + j], sums.left[i + j]
    top = layout.onto_own(j, few.T, right.T @ sums.right[i + j])
    down = layout.onto_own(j, beside.T, band_product(sums.near[i + j], sums.low, right).T)
    return layout.onto_own(i, top.T, left.T @ down.T)


def _add_border(
    layout: Layout, normals: ChainNormals, own: tuple[int, int], shared: tuple[int, int], few: Array, beside: Array
) -> None:
    """Add sums of a strip's few terms and splines times the few terms of the same or another strip, which stand for the
    shared unknowns; `own`, `shared`: strip and axis."""
    n_few = layout.n_few
    at, by = layout.shared_columns(*own), layout.shared_columns(*shared)
    wander = layout.line_modes[own[1]].coefficients.T @ beside[:, :n_few]
    normals.border[own[0]][layout.columns(*own), by] += layout.onto_own(own[1], few[:, :n_few], wander)
    normals.shared[np.ix_(at, by)] += few[:n_few, :n_few]


def _add_right(layout: Layout, normals: ChainNormals, strip: int, rows: Rows, pull: Array) -> None:
    """Add what evidence pulls (N, 2) at a strip's and the shared unknowns."""
    few = rows.few.T @ pull
    splines = spline_sums(rows.cell, rows.weight, pull, layout.n_splines)
    for i in range(2):
        wander = layout.line_modes[i].coefficients.T @ splines[:, i]
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
    splines = np.stack([layout.onto_splines(i, own) for i, own in enumerate(axes)], axis=1)
    return np.asarray(rows.few @ few + spline_values(rows.cell, rows.weight, splines))
