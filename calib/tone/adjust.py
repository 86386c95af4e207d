"""The least-squares fit of a frame's tone: robust, with the variances of unknowns and the sigmas of evidence
estimated."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.median import MIDDLE_SIZE, medians_by, weighted_median
from calib.ordered import shared_out
from calib.tone.model import Scales, ToneResiduals
from calib.tone.placing import Curves, Placing, StripSide, correction, modelled, placed, terms_of
from calib.tone.system import NormalEquations, Rows, Share, Sizes, Solution, Values
from calib.tone.unknowns import Stated, Step, add_priors, stepped, updated_scales

ROBUST = 2.5  # residuals beyond this many sigma lose weight as 1 / t^2
ALIKE = 200  # number of a strip's residuals at which its own scatter weighs as much as that of all strips
LEAST_FACTOR, MOST_FACTOR = 1.0, 10.0  # bounds of the factor on a sigma; below 1 would only show that the fit is close

At = Callable[[tuple[Placing, ...]], tuple[Array, Array]]


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Rows of evidence on one strip, or on a strip and the next, with one of `sides` for each.

    `kind` (N,): kind of each row. `value`, `sigma` (N,): value and 1-sigma of each row, computed by `at` for the point
    at which it is linearised. `placings`: those points on the curves, for each of the `sides`. `error` (N,): index of
    the common unknown that is the error of a row's stated value; None if nothing is stated. `share`: factor on the
    weight of all rows.
    """

    sides: tuple[StripSide, ...]
    kind: NDArray[np.int8]
    error: NDArray[np.int64] | None
    at: At
    placings: tuple[Placing, ...]
    value: Array
    sigma: Array
    share: float = 1.0

    @property
    def strip(self) -> int:
        """Index of the strip, or of the first of both."""
        return self.sides[0].strip

    def placed(self, placings: tuple[Placing, ...]) -> "Evidence":
        """The same evidence, linearised at other placings."""
        value, sigma = self.at(placings)
        return replace(self, placings=placings, value=value, sigma=sigma)


def evidence_of(
    curves: Curves,
    sides: tuple[StripSide, ...],
    kind: NDArray[np.int8],
    error: NDArray[np.int64] | None,
    at: At,
    first: tuple[Array, ...],
) -> Evidence:
    """Evidence before any fit, linearised about the first-order densities `first`."""
    placings = tuple(placed(curves, side.strip, z, None) for side, z in zip(sides, first, strict=True))
    return Evidence(sides, kind, error, at, placings, *at(placings))


def placings_about(evidence: Evidence, curves: Curves, residual: Array, solution: Values) -> tuple[Placing, ...]:
    """Placings of the cells by a solution: a Newton step.

    Two strips share a residual in proportion to their variances. Only then is the placing independent of the residual's
    noise, which would otherwise bend the curves (errors in variables).
    """
    placings = []
    for sign, side, old in zip((1.0, -1.0), evidence.sides, evidence.placings, strict=False):
        z = side.measured + sign * side.part * residual / old.slope
        placings.append(placed(curves, side.strip, z, solution))
    return tuple(placings)


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Start of a fit: scales, and values of its unknowns if known."""

    scales: Scales
    values: Values | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Adjustment:
    """Result of a fit: the solution, its scales, the evidence, and the factors of the sigmas from before the last
    iteration; `stated` is the prior knowledge that was used."""

    solution: Solution
    scales: Scales
    state: "State"
    stated: Stated


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Evidence linearised at the latest solution, its standardised residuals, and the factors of the sigmas (strips,
    kinds)."""

    evidence: Sequence[Evidence]
    standardised: Sequence[Array]
    factor: Array


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """Residuals of an adjustment, and the factors of the sigmas that they imply, (strips, kinds)."""

    factor: Array
    residuals: ToneResiduals


def adjust(
    curves: Curves, evidence: Sequence[Evidence], stated: Stated, n_kinds: int, start: Start, turns: int, threads: int
) -> Adjustment:
    """Fit the unknowns to the evidence in `turns` iterations; `stated` is prior knowledge of the densities."""
    scales = start.scales
    factor = np.ones((len(curves.n_lines), n_kinds))
    state = State(evidence, _first_residuals(evidence, n_kinds), factor)
    if start.values is not None:
        state = _restate(curves, state, start.values, threads)
    step: Step | None = None
    about = start.values
    for turn in range(turns):
        solution = _solve(curves, state, scales, stated, about, threads)
        about = solution
        if turn + 1 < turns:
            state = _restate(curves, state, solution, threads)
            found = updated_scales(solution, scales, curves.layout, curves.basis, stated)
            scales, step = stepped(scales, found, step)
    return Adjustment(solution, scales, state, stated)


def judge(curves: Curves, fit: Adjustment, threads: int) -> Verdict:
    """Residuals of all evidence about the solution: measured minus fitted, the opposite sign of the rows' residuals."""
    state = _restate(curves, fit.state, fit.solution, threads)

    def look(each: Evidence) -> tuple[Array, ...]:
        density = _density_of(curves, each, fit.solution)
        sigma = each.sigma * state.factor[each.strip, each.kind]
        strip = np.full(each.kind.size, each.strip)
        return strip, each.kind.astype(np.int64), density, -residual_of(curves, each, fit.solution), sigma

    parts = shared_out(look, state.evidence, threads)
    return Verdict(state.factor, ToneResiduals(*(np.concatenate(column) for column in zip(*parts, strict=True))))


def _density_of(curves: Curves, each: Evidence, solution: Solution) -> Array:
    """Density of the cells by the model, including banding and drift; of two strips the mean."""
    sides = zip(each.sides, each.placings, strict=True)
    parts = [at.z + correction(curves, side.strip, at.z, solution) for side, at in sides]
    return np.asarray(np.mean(parts, axis=0))


def _first_residuals(evidence: Sequence[Evidence], n_kinds: int) -> list[Array]:
    """Residuals about the first curves, divided by the scatter of each kind, which is mostly banding.

    Cells of a scratched patch lie far beyond that. With full weight they would pull the curves so far off that the
    stated densities of the other patches looked wrong. Overlaps get no weight yet, because their cells are not placed.
    """
    alone = [each for each in evidence if len(each.sides) == 1]
    size = np.abs(np.concatenate([np.zeros(0), *(each.value for each in alone)]))
    kind = np.concatenate([np.zeros(0, np.int64), *(each.kind.astype(np.int64) for each in alone)])
    scatter = medians_by(size, kind, n_kinds) / MIDDLE_SIZE
    return [
        each.value / np.maximum(scatter[each.kind], each.sigma)
        if len(each.sides) == 1
        else np.full(each.kind.size, np.inf)
        for each in evidence
    ]


def _solve(
    curves: Curves, state: State, scales: Scales, stated: Stated, about: Values | None, threads: int
) -> Solution:
    layout = curves.layout
    strips = tuple(layout.n_own(strip) for strip in range(len(curves.n_lines)))
    equations = NormalEquations(
        Sizes(strips, layout.n_common, layout.n_samples, shared=layout.n_curve, beside=layout.drift.stop)
    )

    def share(pair: tuple[Evidence, Array]) -> Share:
        each, off = pair
        sigma = each.sigma * state.factor[each.strip, each.kind]
        return equations.share_of(each.strip, rows_of(curves, each), each.share * robust_weight(off) / sigma**2)

    for made in shared_out(share, zip(state.evidence, state.standardised, strict=True), threads):
        equations.add(made)
    add_priors(equations, layout, curves.basis, scales, stated, about)
    return equations.solve(threads)


def rows_of(curves: Curves, each: Evidence) -> Rows:
    """The rows of some evidence, linearised at its placings. They are large and quick to make, so they are not kept."""
    parts = zip((1.0, -1.0), each.sides, each.placings, strict=False)
    terms = [terms_of(curves, side, at, sign) for sign, side, at in parts]
    first = each.sides[0].sample[:, 0]
    column = np.where(curves.layout.edge[each.strip, first] >= 0, -1, first)
    return Rows(terms[0], terms[1] if len(terms) > 1 else None, each.error, column, each.value)


def _restate(curves: Curves, state: State, solution: Values, threads: int) -> State:
    """The evidence linearised at a solution, with residuals and factors."""
    n_kinds = state.factor.shape[1]

    def look(each: Evidence) -> tuple[Evidence, Array, Array, NDArray[np.int64]]:
        moved = each.placed(placings_about(each, curves, residual_of(curves, each, solution), solution))
        relative = residual_of(curves, moved, solution) / moved.sigma
        scale = medians_by(np.abs(relative), each.kind, n_kinds) / MIDDLE_SIZE
        count = np.bincount(each.kind, minlength=n_kinds)
        return moved, relative, scale, count

    evidence, relative, scales, counts = zip(*shared_out(look, state.evidence, threads), strict=True)
    factor = _factors([each.strip for each in evidence], np.stack(scales), np.stack(counts), len(state.factor))
    standardised = [off / factor[each.strip, each.kind] for each, off in zip(evidence, relative, strict=True)]
    return State(evidence, standardised, factor)


def residual_of(curves: Curves, each: Evidence, solution: Values) -> Array:
    """Residuals of some evidence, in density."""
    sides = zip(each.sides, each.placings, strict=True)
    model, *following = [modelled(curves, side, at, solution) for side, at in sides]
    error = 0.0 if each.error is None else solution.common[each.error]
    return np.asarray(each.value - model + error + sum(following))


def robust_weight(standardised: Array) -> Array:
    """Weight of a residual in its sigma: 1 up to `ROBUST`, then falling with its square."""
    return np.minimum(1.0, (ROBUST / np.maximum(np.abs(standardised), 1e-9)) ** 2)


def _factors(strips: Sequence[int], scales: Array, counts: NDArray[np.int64], n_strips: int) -> Array:
    """Robust scale of the residuals of each kind in each strip, shrunk towards that of the kind in all strips.

    `scales` and `counts` (evidence, kinds) are those of each piece of evidence and `strips` its strip; a strip has at
    most one piece of each kind.
    """
    own, count = np.full((n_strips, scales.shape[1]), np.nan), np.zeros((n_strips, scales.shape[1]))
    for strip, scale, n in zip(strips, scales, counts, strict=True):
        own[strip, n > 0], count[strip, n > 0] = scale[n > 0], n[n > 0]
    factor = np.ones_like(own)
    for kind in np.flatnonzero(count.any(axis=0)):
        has = count[:, kind] > 0
        common = weighted_median(own[has, kind], count[has, kind])
        drawn = (count[:, kind] * own[:, kind] + ALIKE * common) / (count[:, kind] + ALIKE)
        factor[:, kind] = np.clip(np.where(has, drawn, common), LEAST_FACTOR, MOST_FACTOR)
    return factor
