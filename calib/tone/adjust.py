"""The one least-squares problem: all evidence on all unknowns of a frame, robust, with the scales of both estimated."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.ordered import in_order
from calib.tone.evidence import Curves, Placing, correction, placed
from calib.tone.model import Scales, ToneResiduals
from calib.tone.system import NormalEquations, Rows, Share, Solution, Values
from calib.tone.unknowns import Stated, add_priors, updated_scales

ROBUST = 2.5  # residuals beyond so many sigma lose weight as 1 / t^2
LEAST_FACTOR, MOST_FACTOR = 1.0, 10.0  # what residuals may say of a sigma; below 1 only the fit itself speaks


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """All rows of one sort that speak of one strip, or of it and the next.

    `kind` (N,) numbers the sort of each row, `measured` are the first-order densities read in the strip (and in the
    next), `shares` the part of a row's variance that each makes (known densities make none), `placings` where the rows
    are linearised, and `build` makes them there: rows are large and soon made, so that none are kept.
    """

    strip: int
    kind: NDArray[np.int8]
    measured: tuple[Array, ...]
    shares: tuple[Array, ...]
    placings: tuple[Placing, ...]
    build: Callable[[tuple[Placing, ...]], Rows]

    def rows(self) -> Rows:
        """The rows, linearised at the placings."""
        return self.build(self.placings)


def evidence_of(
    curves: Curves,
    strip: int,
    kind: NDArray[np.int8],
    build: Callable[[tuple[Placing, ...]], Rows],
    measured: tuple[Array, ...],
    first: tuple[Array, ...],
    own_share: Array | None = None,
) -> Evidence:
    """Evidence before any fit, linearised about the first-order densities `first`; on two strips with `own_share`."""
    placings = tuple(placed(curves, strip + side, z, None) for side, z in enumerate(first))
    shares = (np.ones(measured[0].size),) if own_share is None else (own_share, 1.0 - own_share)
    return Evidence(strip, kind, measured, shares, placings, build)


def evidence_about(evidence: Evidence, curves: Curves, residual: Array, solution: Values) -> Evidence:
    """The same evidence linearised about a solution: a Newton step towards where the model puts each cell.

    Two strips share a residual by their variances: only then is the place free of the residual's noise, which would
    bend the curves otherwise (errors in variables).
    """
    placings = []
    parts = zip(evidence.measured, evidence.shares, evidence.placings, strict=True)
    for side, (measured, share, old) in enumerate(parts):
        z = measured + (share if side == 0 else -share) * residual / old.slope
        placings.append(placed(curves, evidence.strip + side, z, solution))
    return replace(evidence, placings=tuple(placings))


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """What a fit starts with: scales, and values of its unknowns if there are any."""

    scales: Scales
    values: Values | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Adjustment:
    """The solution, the scales it was found with, the residuals and what they say of sigmas: (strips, kinds)."""

    solution: Solution
    scales: Scales
    factor: Array
    residuals: ToneResiduals


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """Evidence about the latest solution, with its standardised residuals and the sigmas' factors."""

    evidence: Sequence[Evidence]
    standardised: Sequence[Array]
    factor: Array


def adjust(
    curves: Curves, evidence: Sequence[Evidence], stated: Stated, n_kinds: int, start: Start, turns: int, threads: int
) -> Adjustment:
    """Fit the unknowns to the evidence in some turns; `stated` is what is known of them beforehand."""
    scales = start.scales
    factor = np.ones((len(curves.n_lines), n_kinds))
    state = _State(evidence, [_first_residuals(each) for each in evidence], factor)
    if start.values is not None:
        state = _restate(curves, state, start.values, threads)
    for turn in range(turns):
        solution = _solve(curves, state, scales, stated, threads)
        state = _restate(curves, state, solution, threads)
        if turn + 1 < turns:
            scales = updated_scales(solution, scales, curves.layout, curves.basis, stated)
    return Adjustment(solution, scales, state.factor, _residual_table(curves, state, solution))


def _residual_table(curves: Curves, state: _State, solution: Solution) -> ToneResiduals:
    """What all evidence, linearised about the solution, says beyond it: measured less fitted; rows have it reversed."""
    parts = []
    for each in state.evidence:
        residual, sigma = residual_of(each, solution)
        density = _density_of(curves, each, solution)
        sigma = sigma * state.factor[each.strip, each.kind]
        parts.append((np.full(each.kind.size, each.strip), each.kind.astype(np.int64), density, -residual, sigma))
    return ToneResiduals(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _density_of(curves: Curves, each: Evidence, solution: Solution) -> Array:
    """Density as read out that the model gives to the cells of some evidence; in two strips their mean."""
    parts = [at.z + correction(curves, each.strip + side, at.z, solution) for side, at in enumerate(each.placings)]
    return np.asarray(np.mean(parts, axis=0))


def _first_residuals(evidence: Evidence) -> Array:
    """Standardised residuals before any fit: overlaps have no weight then, since their cells are not yet placed."""
    return np.full(evidence.kind.size, 0.0 if len(evidence.measured) == 1 else np.inf)


def _solve(curves: Curves, state: _State, scales: Scales, stated: Stated, threads: int) -> Solution:
    layout = curves.layout
    sizes = [layout.n_own(strip) for strip in range(len(curves.n_lines))]
    equations = NormalEquations(sizes, layout.n_common, layout.n_samples)

    def share(pair: tuple[Evidence, Array]) -> Share:
        each, off = pair
        rows = each.rows()
        sigma = rows.sigma * state.factor[each.strip, each.kind]
        return equations.share_of(each.strip, rows, robust_weight(off) / sigma**2)

    for made in in_order(share, zip(state.evidence, state.standardised, strict=True), threads):
        equations.add(made)
    add_priors(equations, layout, curves.basis, scales, stated)
    return equations.solve()


def _restate(curves: Curves, state: _State, solution: Values, threads: int) -> _State:
    """Evidence linearised about a solution, and what its residuals say."""

    def look(each: Evidence) -> tuple[Evidence, Array]:
        residual, sigma = residual_of(each, solution)
        return evidence_about(each, curves, residual, solution), residual / sigma

    evidence, relative = zip(*in_order(look, state.evidence, threads), strict=True)
    factor = _factors(evidence, relative, *state.factor.shape)
    standardised = [off / factor[each.strip, each.kind] for each, off in zip(evidence, relative, strict=True)]
    return _State(evidence, standardised, factor)


def residual_of(each: Evidence, solution: Values) -> tuple[Array, Array]:
    """Residuals of some evidence and the 1-sigma that its noise gives them, in density."""
    rows = each.rows()
    following = solution.strips[each.strip + 1] if rows.next is not None else None
    banding = solution.banding[each.strip]
    return rows.residual(solution.strips[each.strip], following, solution.common, banding), rows.sigma


def robust_weight(standardised: Array) -> Array:
    """Weight of a residual in its sigma: 1 up to `ROBUST`, then falling with its square."""
    return np.minimum(1.0, (ROBUST / np.maximum(np.abs(standardised), 1e-9)) ** 2)


def _factors(evidence: Sequence[Evidence], residuals: Sequence[Array], n_strips: int, n_kinds: int) -> Array:
    """Robust scale of the residuals of each kind in each strip, drawn towards that of the kind in all strips."""
    factor = np.ones((n_strips, n_kinds))
    for kind in range(n_kinds):
        own = [_of_kind(evidence, residuals, kind, strip) for strip in range(n_strips)]
        whole = np.concatenate(own)
        if whole.size == 0:
            continue
        common = _scale(whole)
        for strip, values in enumerate(own):
            mean = (values.size * _scale(values) + 200 * common) / (values.size + 200) if values.size else common
            factor[strip, kind] = np.clip(mean, LEAST_FACTOR, MOST_FACTOR)
    return factor


def _of_kind(evidence: Sequence[Evidence], residuals: Sequence[Array], kind: int, strip: int) -> NDArray[np.float64]:
    parts = [off[each.kind == kind] for each, off in zip(evidence, residuals, strict=True) if each.strip == strip]
    return np.concatenate(parts) if parts else np.zeros(0)


def _scale(values: Array) -> float:
    return float(np.median(np.abs(values))) / 0.6745
