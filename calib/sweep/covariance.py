"""Computes the covariance of fitted departures: first of the terms' coefficients that rows need, then of the rows."""

import numpy as np
from numpy.typing import NDArray

from calib.chain import ChainSolution
from calib.coordinates import Array
from calib.ordered import shared_out
from calib.sweep.joint_rows import JointRows, joint_rows
from calib.sweep.layout import Columns, Layout
from calib.sweep.normals import Batches, StripRows
from calib.sweep.rows import (
    AXES,
    Products,
    Rows,
    band_of,
    band_of_product,
    bilinear_forms,
    empty_products,
    spline_values,
)

Planes = tuple[tuple[int, int], ...]
"""Pairs of axes of a covariance: axis of the left strip, axis of the right one."""
CROSS: Planes = (*AXES, (1, 0))  # of two strips: all pairs
DIAGONAL: Planes = ((0, 0), (1, 1))  # each axis with itself


def fit_covariance(layout: Layout, solution: ChainSolution, batches: Batches, count: int, threads: int = 1) -> Array:
    """Covariance (count, 2, 2), px^2, of the fitted values of the batches' observations."""
    total = np.zeros((count, 2, 2))
    pairs = batches.pairs

    def covariances(blocks: tuple[int, int]) -> Array:
        return _covariances(layout, solution, blocks, *pairs[blocks])

    for (side, _), cov in zip(pairs.values(), shared_out(covariances, pairs, threads), strict=True):
        total[side.index] += cov
    return total


def _covariances(
    layout: Layout, solution: ChainSolution, blocks: tuple[int, int], here: StripRows, there: StripRows
) -> Array:
    """Covariance (N, 2, 2) of the fitted values of rows in one strip (`here` and `there` the same).

    For rows in two strips: the terms that the covariance between the strips adds to that of sums over both.
    """
    if here.joint is not None and there.joint is not None:
        return _row_covariances(layout, _joint_covariance(layout, solution, blocks), blocks, here.joint, there.joint)
    left, right = here.rows, there.rows
    planes = AXES if left is right else CROSS
    spread = _coefficient_covariance(layout, solution, blocks, band_of(left, right, layout.n_splines), planes)
    cov = np.zeros((len(left), 2, 2))
    for plane, (i, j) in enumerate(planes):
        form = bilinear_forms(spread, plane, left, right)
        cov[:, i, j] += form
        if left is not right or i != j:
            cov[:, j, i] += form
    return cov


def place_variance(
    layout: Layout, solution: ChainSolution, strip: int, rows: Rows, wander: Array, scatter: Array | None = None
) -> Array:
    """Variance (N, 2), px^2, of the fitted departures at places in one strip.

    `wander` (2,) is the prior variance of the wander's modes that the solution was made with; directions that the
    evidence has not seen (`Layout.cut_to`) still have it. If rows are means over several places of a line, `scatter`
    (f, f) is the covariance of the few terms of these places, and the result is the mean of their variances.
    """
    variances_of = _few_variances if len(rows) < layout.n_splines else _many_variances
    few, variance = variances_of(layout, solution, strip, rows, wander)
    return variance if scatter is None else variance + np.sum(few * scatter, axis=(1, 2))


def _few_variances(
    layout: Layout, solution: ChainSolution, strip: int, rows: Rows, wander: Array
) -> tuple[Array, Array]:
    """The few terms' covariance by axis (2, f, f), and the variance (N, 2) of rows; faster if rows are fewer than
    splines."""
    joint, columns = _joint_covariance(layout, solution, (strip, strip)), layout.columns(strip)
    halves = [joint[columns.half(axis), columns.half(axis)] for axis, _ in DIAGONAL]
    at = joint_rows(layout, strip, rows)
    variance = np.column_stack(
        [np.einsum("nt,nt->n", each @ half, each) for each, half in zip(at, halves, strict=True)]
    )
    for axis, _ in DIAGONAL:
        modes, seen = layout.line_modes[axis].coefficients, layout.wander[strip][axis]
        if seen is not modes:
            variance[:, axis] += wander[axis] * (_squares(rows, modes) - _squares(rows, seen))
    n = columns.n_terms
    return np.stack([half[:n, :n] for half in halves]), variance


def _many_variances(
    layout: Layout, solution: ChainSolution, strip: int, rows: Rows, wander: Array
) -> tuple[Array, Array]:
    """The same as `_few_variances`, from the covariance of the splines; faster if rows are many."""
    spread = _coefficient_covariance(layout, solution, (strip, strip), band_of(rows, rows, layout.n_splines), DIAGONAL)
    for axis, _ in DIAGONAL:
        modes, seen = layout.line_modes[axis].coefficients, layout.wander[strip][axis]
        if seen is not modes:
            unseen = np.zeros_like(spread.near[axis])
            band_of_product(unseen, spread.low, np.hstack([modes, -seen]), np.hstack([modes, seen]))
            spread.near[axis] += wander[axis] * unseen
    return spread.few, np.column_stack([bilinear_forms(spread, axis, rows, rows) for axis, _ in DIAGONAL])


def _squares(rows: Rows, modes: Array) -> Array:
    """Sum over the modes of their squared values at each row (N,)."""
    values = spline_values(rows.cell, rows.weight, modes)
    return np.asarray(np.einsum("nm,nm->n", values, values))


def _row_covariances(layout: Layout, joint: Array, blocks: tuple[int, int], left: JointRows, right: JointRows) -> Array:
    """`_covariances` for rows in joint terms, directly from the covariance `joint` of these terms."""
    here, there = (layout.columns(k) for k in blocks)
    cov = np.empty((len(left[0]), 2, 2))
    for i, j in AXES if left is right else CROSS:
        cov[:, i, j] = np.einsum("nt,nt->n", left[i] @ joint[here.half(i), there.half(j)], right[j])
    if left is right:
        cov[:, 1, 0] = cov[:, 0, 1]
        return cov
    return cov + cov.transpose(0, 2, 1)


def _coefficient_covariance(
    layout: Layout, solution: ChainSolution, blocks: tuple[int, int], band: tuple[NDArray[np.int64], int],
    planes: Planes,
) -> Products:  # fmt: skip
    """Covariance of the coefficients of a strip's terms with those of the same strip or its right neighbour, as given
    by `blocks`; that of splines with splines only within the band."""
    k, other = blocks
    here, there = layout.columns(k), layout.columns(other)
    joint = _joint_covariance(layout, solution, blocks)
    spread = empty_products(len(planes), (here.n_terms, there.n_terms), band)
    for plane, (i, j) in enumerate(planes):
        splines = layout.wander[k][i] @ joint[here.wander_of[i], there.half(j)]
        modes = layout.wander[other][j]
        spread.few[plane] = joint[here.few_of[i], there.few_of[j]]
        spread.left[plane] = splines[:, : there.n_terms]
        spread.right[plane] = modes @ joint[here.few_of[i], there.wander_of[j]].T
        band_of_product(spread.near[plane], spread.low, np.ascontiguousarray(splines[:, there.n_terms :]), modes)
    return spread


def _joint_covariance(layout: Layout, solution: ChainSolution, blocks: tuple[int, int]) -> Array:
    """Covariance (n_joint, n_joint) of a strip's joint terms with those of the same strip or its right neighbour."""
    k, other = blocks
    here, there = layout.columns(k), layout.columns(other)
    joint = _by_terms(_by_terms(solution.cov[k] if k == other else solution.cov_next[k], here).T, there).T
    left, right = _by_terms(solution.cov_border[k], here), _by_terms(solution.cov_border[other], there)
    joint[:, there.few] += left.take(there.shared, axis=1)
    joint[here.few] += right.take(here.shared, axis=1).T
    joint[here.few[:, None], there.few] += solution.cov_shared[here.shared[:, None], there.shared]
    return joint


def _by_terms(of_unknowns: Array, columns: Columns) -> Array:
    """Rows by unknown of a strip as rows by joint term; 0 for terms that have only a shared unknown."""
    rows = of_unknowns.take(columns.unknown, axis=0)
    rows[columns.alone] = 0.0
    return rows
