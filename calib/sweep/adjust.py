"""All strips' sweeps from all evidence at once: robust hierarchical least squares with covariance.

Coefficients have Gaussian priors by group, u ~ N(0, tau_g^2); tau_g^2 and the scale of each kind of evidence are found
by restricted maximum likelihood, fixed-point form (Fellner 1986, Technometrics 28:51; Wood & Fasiolo 2017, Biometrics
73:1071): tau_g^2 = |u_g|^2 / (n_g - tr(C_gg)/tau_g^2). Outliers lose weight as under Student's t.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.chain import ChainEstimate, ChainNormals, ChainSolution, ChainVariances, estimate_chain, solve_chain
from calib.coordinates import Array
from calib.ordered import shared_out
from calib.sweep.covariance import fit_covariance
from calib.sweep.evidence import ARM, EDGE, EDGE_X, KINDS, PACE, TIE, Observations
from calib.sweep.layout import GROUPS, Layout
from calib.sweep.normals import (
    Batches,
    StripRows,
    Sums,
    fitted_values,
    normal_equations,
    sum_up,
    with_joint_rows,
    with_priors,
)
from calib.sweep.pace import pace_weights
from calib.sweep.rows import Rows

ALONE, HANGING, TIES = range(3)  # sorts of observations of a strip: of itself, of its left neighbour's mark, of a seam
SORTS = 3
STUDENT_DOF = 5.0
SETTLED = 0.03  # of the prior variances: no larger change from one round to the next;
NEARLY_SETTLED = 0.1  # for fits that others follow
STEADY = 0.1  # of the robust weights: no larger change either
PRIOR_COUNT = 1.0  # a group's expected variance counts as this many coefficients: few data then stay close to it


@dataclass(frozen=True, slots=True, eq=False)
class Adjustment:
    """The fit: its unknowns with covariance, and what it says of each of N observations.

    `prior`, `variances`: prior variances by group that the solution was made with, and those a next one would take.
    `scale` (KINDS,): factor on the stated variances of each kind of observation.
    `residual` (N, 2): value less fit, px; `fit_cov` (N, 2, 2): the fit's own covariance on the axes seen.
    `weight` (N,): robust weights; `trust` (N,): those that the solution was made with, over their kinds' factors.
    """

    layout: Layout
    solution: ChainSolution
    prior: Array
    variances: Array
    scale: Array
    residual: Array
    fit_cov: Array
    weight: Array
    trust: Array


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """What a fit begins with: prior variances by group, factors on each kind's variances, robust weights (N,)."""

    variances: Array
    scale: Array
    weight: Array


def unknown_start(expected: Array, count: int) -> Start:
    """The start of a fit before which nothing is known of its `count` observations."""
    return Start(expected, np.ones(KINDS), np.ones(count))


def adjust(
    layout: Layout,
    observations: Observations,
    expected: Array,
    free: Sequence[str],
    start: Start,
    rounds: int = 16,
    threads: int = 1,
    settled: float = SETTLED,
) -> Adjustment:
    """Fit until variances (none changes by more than `settled` of it) and weights have settled; where it begins decides
    how soon they do.

    `expected` (len(GROUPS),) are the prior variances as one thinks of them beforehand; those of the groups in `free`
    are estimated. The result does not depend on `threads`.
    """
    batches = make_batches(layout, observations, threads)
    seen = np.diagonal(observations.information, axis1=1, axis2=2) > 0
    seen[observations.kind >= ARM] = False
    layout = layout.cut_to([(side.rows, seen[side.index]) for side in batches.strips], threads)
    batches = with_joint_rows(layout, batches, threads)
    variances = np.where(np.isin(GROUPS, free), start.variances, expected)
    scale, weight = start.scale, start.weight
    fit = None
    for _ in range(rounds):
        fit = solve_weighted(layout, observations, batches, variances, scale, weight, threads)
        used, weight = weight, _robust_weights(observations, fit)
        scale = _scales(observations, fit)
        before, (variances, _) = variances, next_variances(layout, fit.solution, variances, expected, free)
        fit = replace(fit, weight=weight, scale=scale, variances=variances)
        steady = np.all(np.abs(np.log(variances / before)) < settled)
        if steady and np.all(np.abs(weight - used) < STEADY * np.maximum(used, 1)):
            break
    if fit is None:
        raise ValueError(f"rounds must be 1 or more, not {rounds}")
    return fit


def make_batches(layout: Layout, evidence: Observations, threads: int = 1) -> Batches:
    """Group the observations by the blocks of unknowns they touch.

    Of a strip's own some hang on its left neighbour by a mark whose place is an unknown of that one.
    """
    count = len(layout.strips)
    owner = {mark: k for k, marks in enumerate(layout.places) for mark in marks}
    held = np.flatnonzero(evidence.mark >= 0)
    sort = np.where(evidence.kind == TIE, TIES, ALONE)
    places = zip(evidence.mark[held].tolist(), evidence.a[held].tolist(), strict=True)
    borrowed = [owner.get(mark, strip) != strip for mark, strip in places]
    sort[held[np.array(borrowed, bool)]] = HANGING
    group = SORTS * evidence.a + sort
    order = np.argsort(group, kind="stable")
    ends = np.searchsorted(group[order], np.arange(-SORTS, SORTS * (count + 1) + 1))  # a strip more on either side
    at = [order[start:stop] for start, stop in pairwise(ends.tolist())]
    of_strip = [at[first : first + SORTS] for first in range(0, len(at), SORTS)]
    parts = [
        (mine[ALONE], mine[HANGING], left[TIES], right[HANGING], mine[TIES])
        for left, mine, right in zip(of_strip, of_strip[1:], of_strip[2:], strict=False)
    ]
    strips = shared_out(
        lambda k: StripRows(np.concatenate(parts[k]), _rows(layout, evidence, k, parts[k])), range(count), threads
    )
    seams = {}
    for k, (left, right) in enumerate(pairwise(strips)):
        n = parts[k][3].size + parts[k][4].size
        if n:
            first = parts[k + 1][0].size
            seams[k, k + 1] = _part(left, left.index.size - n, left.index.size), _part(right, first, first + n)
    return Batches(strips, seams)


def _rows(layout: Layout, evidence: Observations, strip: int, parts: tuple[NDArray[np.int64], ...]) -> Rows:
    """Rows in a strip: of observations of itself alone, of those that hang on its left neighbour, of ties to that one,
    of those of its right neighbour that hang on it (by the mark's place alone), and of ties to that one."""
    index = np.concatenate(parts)
    sizes = [part.size for part in parts]
    sign, is_right = np.repeat([1.0, 1.0, -1.0, 0.0, 1.0], sizes), np.repeat([False, False, True, False, False], sizes)
    line = np.where(is_right, evidence.line_b[index], evidence.line_a[index])
    sample = np.where(is_right, evidence.sample_b[index], evidence.sample_a[index])
    rows = layout.rows(strip, line, sample)
    kind = evidence.kind[index]
    rows.few[:, layout.n_few - 2] = (kind == EDGE) | (kind == EDGE_X)
    pace = kind >= ARM
    ends = evidence.sample_a[index], evidence.sample_b[index]
    before, behind = (layout.rows(strip, line[pace], end[pace]).few for end in ends)
    rows.few[pace, : layout.n_few], rows.weight[pace] = (behind - before)[:, : layout.n_few], 0.0
    rows.few[:, layout.n_few - 1] = np.where(kind == ARM, 1.0, evidence.per_power[index])
    few = rows.few * sign[:, None] + layout.place_terms(strip, evidence.mark[index])
    return Rows(few, rows.cell, rows.weight * sign[:, None])


def _part(side: StripRows, start: int, stop: int) -> StripRows:
    """Some of the observations of a side."""
    rows = side.rows
    return StripRows(side.index[start:stop], Rows(rows.few[start:stop], rows.cell[start:stop], rows.weight[start:stop]))


def solve_weighted(
    layout: Layout, evidence: Observations, batches: Batches, variances: Array, scale: Array, weight: Array,
    threads: int = 1,
) -> Adjustment:  # fmt: skip
    """One weighted solution with its residuals."""
    normals = _weighted_normals(layout, evidence, batches, scale, weight, threads)
    solution = solve_chain(with_priors(layout, normals, variances), threads)
    residual = evidence.value - fitted_values(layout, solution, batches, len(evidence), threads)
    fit_cov = fit_covariance(layout, solution, batches, len(evidence), threads)
    trust = weight / scale[evidence.kind]
    return Adjustment(layout, solution, variances, variances, scale, residual, fit_cov, weight, trust)


def estimate_weighted(
    layout: Layout, evidence: Observations, batches: Batches, variances: Array, scale: Array, weight: Array,
    threads: int = 1,
) -> tuple[ChainEstimate, Array]:  # fmt: skip
    """The unknowns and residuals (N, 2) of `solve_weighted` alone."""
    normals = _weighted_normals(layout, evidence, batches, scale, weight, threads)
    estimate = estimate_chain(with_priors(layout, normals, variances), threads)
    return estimate, evidence.value - fitted_values(layout, estimate, batches, len(evidence), threads)


def _weighted_normals(
    layout: Layout, evidence: Observations, batches: Batches, scale: Array, weight: Array, threads: int
) -> ChainNormals:
    """Normal equations of weighted evidence, without any prior."""
    information = evidence.information * (weight / scale[evidence.kind])[:, None, None]
    return normal_equations(layout, sum_up(layout, evidence.value, information, batches, threads), threads)


def _all_groups(layout: Layout) -> NDArray[np.int64]:
    """Prior group of every unknown, strip by strip and then the shared ones."""
    return np.concatenate([*(layout.groups(k) for k in range(len(layout.strips))), layout.shared_groups()])


def misfit(layout: Layout, solution: ChainEstimate, normals: ChainNormals, sums: Sums, variances: Array) -> float:
    """Minus twice the logarithm of the restricted likelihood, but for a constant, of prior variances with which a
    solution was made: of the data's and the priors' squares, and of the normal matrix's determinant over theirs.

    `normals` are the evidence's alone.
    """
    pulls = zip([*solution.unknowns, solution.shared], [*normals.right, normals.right_shared], strict=True)
    pulled = sums.squares - sum(float(unknown @ pull) for unknown, pull in pulls)
    prior = np.log(variances[_all_groups(layout)]).sum()
    return float(pulled + solution.log_det + prior - sums.log_information)


def _root(information: Array) -> Array:
    """Upper triangular R with R^T R = information, (N, 2, 2); rows of an axis not seen are zero."""
    p, q, r = information[:, 0, 0], information[:, 0, 1], information[:, 1, 1]
    root = np.zeros_like(information)
    root[:, 0, 0] = np.sqrt(p)
    root[:, 0, 1] = np.divide(q, root[:, 0, 0], out=np.zeros_like(q), where=p > 0)
    root[:, 1, 1] = np.sqrt(np.maximum(r - root[:, 0, 1] ** 2, 0.0))
    return root


def squared_residuals(evidence: Observations, fit: Adjustment) -> Array:
    """Squared prediction residual (N,) over its variance: each observation against the fit to all the others.

    With P the information that the fit was made with (weights and factors have changed since), V the fit's covariance
    with the observation, e its residual: left out, the residual is (I - V P)^-1 e and the fit's covariance
    (I - V P)^-1 V.
    """
    stated = evidence.information / fit.scale[evidence.kind][:, None, None]
    remaining = np.eye(2) - np.matmul(fit.fit_cov, evidence.information * fit.trust[:, None, None])
    remaining += 1e-9 * np.eye(2)
    left_out = np.linalg.solve(remaining, fit.residual[:, :, None])
    spread = np.linalg.solve(remaining, fit.fit_cov)
    root = _root(stated)
    white = np.matmul(root, left_out)
    total = np.eye(2) + np.matmul(np.matmul(root, spread), root.transpose(0, 2, 1))
    return np.matmul(white.transpose(0, 2, 1), np.linalg.solve(total, white))[:, 0, 0]


def _dof(information: Array) -> Array:
    """Number of axes (N,) that an observation sees."""
    return np.sum(np.diagonal(information, axis1=1, axis2=2) > 0, axis=1).astype(float)


def _robust_weights(evidence: Observations, fit: Adjustment) -> Array:
    """Student-t weights (N,) from squared residuals over their stated variance."""
    precision = evidence.information / fit.scale[evidence.kind][:, None, None]
    squared = np.einsum("ni,nij,nj->n", fit.residual, precision, fit.residual)
    weight = student_weights(squared, evidence.information)
    pull = weight * precision[:, 0, 0] * (fit.residual[:, 0] ** 2 + fit.fit_cov[:, 0, 0])
    return np.where(evidence.kind == PACE, pace_weights(evidence, pull), weight)


def student_weights(squared: Array, information: Array) -> Array:
    """Weights (N,) under Student's t from squared standardised residuals (N,) on the axes seen; never above 1."""
    return (STUDENT_DOF + _dof(information)) / (STUDENT_DOF + np.maximum(squared, _dof(information)))


def _scales(evidence: Observations, fit: Adjustment) -> Array:
    """Factor on each kind's variances: weighted squares over the degrees of freedom they leave; never below 1."""
    squared = np.einsum("ni,nij,nj->n", fit.residual, evidence.information, fit.residual)
    pull = np.einsum("nij,nji->n", evidence.information, fit.fit_cov) / fit.scale[evidence.kind]
    scale = np.ones(KINDS)
    for kind in range(PACE):
        mine = evidence.kind == kind
        weight = fit.weight[mine]
        freedom = np.sum(weight * (_dof(evidence.information[mine]) - np.minimum(weight * pull[mine], 1.9)))
        if freedom > 0:
            scale[kind] = max(1.0, float(np.sum(weight * squared[mine]) / freedom))
    return scale


def next_variances(
    layout: Layout, solution: ChainVariances, before: Array, expected: Array, free: Sequence[str]
) -> tuple[Array, float]:
    """Next prior variances by group, from the solution found with those before; and by how much the misfit falls,
    squares and freedoms taken as they are: with them following it falls somewhat more."""
    groups, variances, gain = _all_groups(layout), before.copy(), 0.0
    squares = np.bincount(groups, np.concatenate([*solution.unknowns, solution.shared]) ** 2, len(GROUPS))
    spread = np.bincount(groups, np.concatenate([*solution.variance, solution.variance_shared]), len(GROUPS))
    freedoms = np.maximum(np.bincount(groups, minlength=len(GROUPS)) - spread / before, 0.0)
    for group in map(GROUPS.index, free):
        square, freedom = float(squares[group]), float(freedoms[group])
        variances[group] = np.clip((square + PRIOR_COUNT * expected[group]) / (freedom + PRIOR_COUNT), 1e-8, 1e8)
        change = variances[group] / before[group]
        gain += square / before[group] * (1 - 1 / change) - freedom * np.log(change)
    return variances, float(gain)
