"""Fits the sweeps of all strips to all evidence at once: robust hierarchical least squares with covariance.

Coefficients have Gaussian priors by group, u ~ N(0, tau_g^2). tau_g^2 and the scale of each kind of evidence are
estimated by restricted maximum likelihood, in fixed-point form (Fellner 1986, Technometrics 28:51; Wood & Fasiolo 2017,
Biometrics 73:1071): tau_g^2 = |u_g|^2 / (n_g - tr(C_gg)/tau_g^2). Outliers are downweighted as under Student's t.
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

# Classes of a strip's observations, by the blocks of unknowns they touch: its own; also that of the left neighbour,
# which holds the place of the mark seen; both sides of a seam.
OWN, VIA_LEFT_MARK, TIES = range(3)
CLASSES = 3
STUDENT_DOF = 5.0
SETTLED = 0.03  # largest relative change of the prior variances between rounds at which a fit has converged,
NEARLY_SETTLED = 0.1  # and that for fits that are only the start of others
WEIGHTS_SETTLED = 0.1  # largest change of the robust weights at convergence; relative to weights above 1
PRIOR_COUNT = 1.0  # coefficients that a group's expected variance counts as: with few data the estimate stays near it


@dataclass(frozen=True, slots=True, eq=False)
class Adjustment:
    """A fit: its unknowns with covariance, and residuals and weights of its N observations.

    `prior`, `variances`: prior variances by group, those the solution was made with and those for the next round.
    `scale` (KINDS,): factor on the stated variances of each kind of observation.
    `residual` (N, 2): observed minus fitted value, px; `fit_cov` (N, 2, 2): covariance of the fitted value, px^2.
    `weight` (N,): robust weights for the next round; `trust` (N,): those the solution was made with, divided by the
        `scale` of their kind that it was made with.
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
    """Initial values of a fit: prior variances by group, factors on each kind's variances, robust weights (N,)."""

    variances: Array
    scale: Array
    weight: Array


def unknown_start(expected: Array, count: int) -> Start:
    """Initial values of a fit that follows no other: the `expected` variances, all factors and `count` weights 1."""
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
    """Fit until variances (relative change below `settled`) and weights have converged, for `rounds` at most.

    `start` decides only how many rounds that takes. `expected` (len(GROUPS),) are the prior variances assumed without
    data; those of the groups in `free` are estimated. The result does not depend on `threads`.
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
        variances_converged = np.all(np.abs(np.log(variances / before)) < settled)
        if variances_converged and np.all(np.abs(weight - used) < WEIGHTS_SETTLED * np.maximum(used, 1)):
            break
    if fit is None:
        raise ValueError(f"rounds must be 1 or more, not {rounds}")
    return fit


def make_batches(layout: Layout, evidence: Observations, threads: int = 1) -> Batches:
    """Group the observations by the blocks of unknowns they touch.

    A mark seen in a strip also touches its left neighbour's block if that block holds the mark's place.
    """
    count = len(layout.strips)
    owner = {mark: k for k, marks in enumerate(layout.places) for mark in marks}
    with_place = np.flatnonzero(evidence.mark >= 0)
    observation_class = np.where(evidence.kind == TIE, TIES, OWN)
    places = zip(evidence.mark[with_place].tolist(), evidence.a[with_place].tolist(), strict=True)
    is_via_left = [owner.get(mark, strip) != strip for mark, strip in places]
    observation_class[with_place[np.array(is_via_left, bool)]] = VIA_LEFT_MARK
    group = CLASSES * evidence.a + observation_class
    order = np.argsort(group, kind="stable")
    ends = np.searchsorted(group[order], np.arange(-CLASSES, CLASSES * (count + 1) + 1))  # a strip more on either side
    at = [order[start:stop] for start, stop in pairwise(ends.tolist())]
    classes_of = [at[first : first + CLASSES] for first in range(0, len(at), CLASSES)]
    parts = [
        (mine[OWN], mine[VIA_LEFT_MARK], left[TIES], right[VIA_LEFT_MARK], mine[TIES])
        for left, mine, right in zip(classes_of, classes_of[1:], classes_of[2:], strict=False)
    ]
    strips = shared_out(
        lambda k: StripRows(np.concatenate(parts[k]), _rows(layout, evidence, k, parts[k])), range(count), threads
    )
    seams = {}
    for k, (left, right) in enumerate(pairwise(strips)):
        n = parts[k][3].size + parts[k][4].size
        if n:
            first = parts[k + 1][0].size
            seams[k, k + 1] = _slice_of(left, left.index.size - n, left.index.size), _slice_of(right, first, first + n)
    return Batches(strips, seams)


def _rows(layout: Layout, evidence: Observations, strip: int, parts: tuple[NDArray[np.int64], ...]) -> Rows:
    """Design rows of a strip for the five `parts` of its observations, in this order.

    Its own; its own via the left neighbour's mark; ties to the left neighbour; the right neighbour's observations via a
    mark of this strip (which see only the mark's place here); ties to the right neighbour.
    """
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


def _slice_of(side: StripRows, start: int, stop: int) -> StripRows:
    """The observations `start` to `stop` (exclusive) of one side."""
    rows = side.rows
    return StripRows(side.index[start:stop], Rows(rows.few[start:stop], rows.cell[start:stop], rows.weight[start:stop]))


def solve_weighted(
    layout: Layout, evidence: Observations, batches: Batches, variances: Array, scale: Array, weight: Array,
    threads: int = 1,
) -> Adjustment:  # fmt: skip
    """One solution with given weights, with residuals and their covariance."""
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
    """Only the unknowns and the residuals (N, 2), px, of `solve_weighted`: faster, without covariances."""
    normals = _weighted_normals(layout, evidence, batches, scale, weight, threads)
    estimate = estimate_chain(with_priors(layout, normals, variances), threads)
    return estimate, evidence.value - fitted_values(layout, estimate, batches, len(evidence), threads)


def _weighted_normals(
    layout: Layout, evidence: Observations, batches: Batches, scale: Array, weight: Array, threads: int
) -> ChainNormals:
    """Normal equations of the weighted evidence, without the priors."""
    information = evidence.information * (weight / scale[evidence.kind])[:, None, None]
    return normal_equations(layout, sum_up(layout, evidence.value, information, batches, threads), threads)


def _all_groups(layout: Layout) -> NDArray[np.int64]:
    """Prior group of every unknown, strip by strip and then the shared ones."""
    return np.concatenate([*(layout.groups(k) for k in range(len(layout.strips))), layout.shared_groups()])


def misfit(layout: Layout, solution: ChainEstimate, normals: ChainNormals, sums: Sums, variances: Array) -> float:
    """Minus twice the log restricted likelihood, up to a constant, of the prior variances a solution was made with.

    It adds the squared residuals, the squared coefficients over their priors, and the log determinant of the normal
    matrix less those of the data's information and of the priors' precision. `normals` are those without the priors.
    """
    products = zip([*solution.unknowns, solution.shared], [*normals.right, normals.right_shared], strict=True)
    squares = sums.squares - sum(float(unknown @ right) for unknown, right in products)
    prior = np.log(variances[_all_groups(layout)]).sum()
    return float(squares + solution.log_det + prior - sums.log_information)


def _root(information: Array) -> Array:
    """Upper triangular R (N, 2, 2) with R^T R = information; the row of an unseen axis is zero."""
    p, q, r = information[:, 0, 0], information[:, 0, 1], information[:, 1, 1]
    root = np.zeros_like(information)
    root[:, 0, 0] = np.sqrt(p)
    root[:, 0, 1] = np.divide(q, root[:, 0, 0], out=np.zeros_like(q), where=p > 0)
    root[:, 1, 1] = np.sqrt(np.maximum(r - root[:, 0, 1] ** 2, 0.0))
    return root


def squared_residuals(evidence: Observations, fit: Adjustment) -> Array:
    """Squared leave-one-out residual (N,) over its variance: each observation against the fit to all others.

    P is the information that the fit was made with (weights and factors have changed since), V the covariance of the
    fitted value, e the residual. Without the observation the residual is (I - V P)^-1 e and the fitted value's
    covariance (I - V P)^-1 V.
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
    """Number of axes (N,) that each observation sees: its degrees of freedom."""
    return np.sum(np.diagonal(information, axis1=1, axis2=2) > 0, axis=1).astype(float)


def _robust_weights(evidence: Observations, fit: Adjustment) -> Array:
    """Robust weights (N,): Student-t weights of the residuals; the weights of paces follow the evidence's pull."""
    precision = evidence.information / fit.scale[evidence.kind][:, None, None]
    squared = np.einsum("ni,nij,nj->n", fit.residual, precision, fit.residual)
    weight = student_weights(squared, evidence.information)
    pull = weight * precision[:, 0, 0] * (fit.residual[:, 0] ** 2 + fit.fit_cov[:, 0, 0])
    return np.where(evidence.kind == PACE, pace_weights(evidence, pull), weight)


def student_weights(squared: Array, information: Array) -> Array:
    """Student-t weights (N,), at most 1, from squared standardised residuals (N,) summed over the axes seen."""
    return (STUDENT_DOF + _dof(information)) / (STUDENT_DOF + np.maximum(squared, _dof(information)))


def _scales(evidence: Observations, fit: Adjustment) -> Array:
    """Factor (KINDS,) on each kind's variances, at least 1: weighted squares over the degrees of freedom left."""
    squared = np.einsum("ni,nij,nj->n", fit.residual, evidence.information, fit.residual)
    leverage = np.einsum("nij,nji->n", evidence.information, fit.fit_cov) / fit.scale[evidence.kind]
    scale = np.ones(KINDS)
    for kind in range(PACE):
        mine = evidence.kind == kind
        weight = fit.weight[mine]
        freedom = np.sum(weight * (_dof(evidence.information[mine]) - np.minimum(weight * leverage[mine], 1.9)))
        if freedom > 0:
            scale[kind] = max(1.0, float(np.sum(weight * squared[mine]) / freedom))
    return scale


def next_variances(
    layout: Layout, solution: ChainVariances, before: Array, expected: Array, free: Sequence[str]
) -> tuple[Array, float]:
    """Prior variances by group for the next round, from a solution made with those `before`, and the expected decrease
    of the misfit.

    The decrease is for unchanged squares and degrees of freedom; since these follow, the true one is somewhat larger.
    """
    groups, variances, gain = _all_groups(layout), before.copy(), 0.0
    squares = np.bincount(groups, np.concatenate([*solution.unknowns, solution.shared]) ** 2, len(GROUPS))
    spread = np.bincount(groups, np.concatenate([*solution.variance, solution.variance_shared]), len(GROUPS))
    dof = np.maximum(np.bincount(groups, minlength=len(GROUPS)) - spread / before, 0.0)
    for group in map(GROUPS.index, free):
        square, freedom = float(squares[group]), float(dof[group])
        variances[group] = np.clip((square + PRIOR_COUNT * expected[group]) / (freedom + PRIOR_COUNT), 1e-8, 1e8)
        change = variances[group] / before[group]
        gain += square / before[group] * (1 - 1 / change) - freedom * np.log(change)
    return variances, float(gain)
