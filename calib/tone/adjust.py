"""The one least-squares problem: all evidence on all unknowns of a frame, robust, with the scales of both estimated."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.tone.evidence import Curves, Placing, correction, placed
from calib.tone.model import Scales, ToneResiduals
from calib.tone.system import NormalEquations, Rows, Solution
from calib.tone.unknowns import Stated, add_priors, first_scales, updated_scales

TURNS, TURNS_AGAIN = 6, 4  # the latter when the scales of an earlier fit are at hand
ROBUST = 2.5  # residuals beyond so many sigma lose weight as 1 / t^2
LEAST_FACTOR, MOST_FACTOR = 1.0, 10.0  # what residuals may say of a sigma; below 1 only the fit itself speaks


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """All rows of one sort that speak of one strip, or of it and the next.

    `measured` are the first-order densities read in the strip (and in the next), `shares` the part of a row's variance
    that each makes (known densities make none), `placings` where the rows were linearised, `build` makes them anew.
    """

    strip: int
    rows: Rows
    measured: tuple[Array, ...]
    shares: tuple[Array, ...]
    placings: tuple[Placing, ...]
    build: Callable[[tuple[Placing, ...]], Rows]


def evidence_of(
    curves: Curves,
    strip: int,
    build: Callable[[tuple[Placing, ...]], Rows],
    measured: tuple[Array, ...],
    first: tuple[Array, ...],
    own_share: Array | None = None,
) -> Evidence:
    """Evidence before any fit, linearised about the first-order densities `first`; on two strips with `own_share`."""
    placings = tuple(placed(curves, strip + side, z, None) for side, z in enumerate(first))
    shares = (np.ones(measured[0].size),) if own_share is None else (own_share, 1.0 - own_share)
    return Evidence(strip, build(placings), measured, shares, placings, build)


def evidence_about(evidence: Evidence, curves: Curves, residual: Array, solution: Solution) -> Evidence:
    """The same evidence linearised about a solution: a Newton step towards where the model puts each cell.

    Two strips share a residual by their variances: only then is the place free of the residual's noise, which would
    bend the curves otherwise (errors in variables).
    """
    placings = []
    parts = zip(evidence.measured, evidence.shares, evidence.placings, strict=True)
    for side, (measured, share, old) in enumerate(parts):
        z = measured + (share if side == 0 else -share) * residual / old.slope
        placings.append(placed(curves, evidence.strip + side, z, solution))
    return replace(evidence, rows=evidence.build(tuple(placings)), placings=tuple(placings))


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
    curves: Curves, evidence: Sequence[Evidence], stated: Stated, n_kinds: int, start: Scales | None
) -> Adjustment:
    """Fit the unknowns to the evidence; `stated` is what is known beforehand, `start` the scales of an earlier fit."""
    scales = first_scales() if start is None else start
    factor = np.ones((len(curves.n_lines), n_kinds))
    state = _State(evidence, [_first_residuals(each) for each in evidence], factor)
    turns = TURNS if start is None else TURNS_AGAIN
    for turn in range(turns):
        solution = _solve(curves, state, scales, stated)
        state = _restate(curves, state, solution)
        if turn + 1 < turns:
            scales = updated_scales(solution, curves.layout, curves.basis, stated)
    return Adjustment(solution, scales, state.factor, _residual_table(curves, state, solution))


def _residual_table(curves: Curves, state: _State, solution: Solution) -> ToneResiduals:
    """What all evidence, linearised about the solution, says beyond it: measured less fitted; rows have it reversed."""
    rows = [each.rows for each in state.evidence]
    strips = [np.full(each.rows.value.size, each.strip) for each in state.evidence]
    return ToneResiduals(
        strip=np.concatenate(strips, dtype=np.int64),
        kind=np.concatenate([each.kind for each in rows]),
        density=np.concatenate([_density_of(curves, each, solution) for each in state.evidence]),
        residual_density=np.concatenate([-residual_of(each, solution) for each in state.evidence]),
        sigma_density=np.concatenate(
            [each.sigma * state.factor[strip, each.kind] for each, strip in zip(rows, strips, strict=True)]
        ),
    )


def _density_of(curves: Curves, each: Evidence, solution: Solution) -> Array:
    """Density as read out that the model gives to the cells of some evidence; in two strips their mean."""
    parts = [at.z + correction(curves, each.strip + side, at.z, solution) for side, at in enumerate(each.placings)]
    return np.asarray(np.mean(parts, axis=0))


def _first_residuals(evidence: Evidence) -> Array:
    """Standardised residuals before any fit: overlaps have no weight then, since their cells are not yet placed."""
    return np.full(evidence.rows.value.size, 0.0 if len(evidence.measured) == 1 else np.inf)


def _solve(curves: Curves, state: _State, scales: Scales, stated: Stated) -> Solution:
    layout = curves.layout
    sizes = [layout.n_own(strip) for strip in range(len(curves.n_lines))]
    equations = NormalEquations(sizes, layout.n_common, layout.n_samples)
    for each, off in zip(state.evidence, state.standardised, strict=True):
        sigma = each.rows.sigma * state.factor[each.strip, each.rows.kind]
        equations.add(each.strip, each.rows, robust_weight(off) / sigma**2)
    add_priors(equations, layout, curves.basis, scales, stated)
    return equations.solve()


def _restate(curves: Curves, state: _State, solution: Solution) -> _State:
    """Evidence linearised about a solution, and what its residuals say."""
    residuals = [residual_of(each, solution) for each in state.evidence]
    pairs = list(zip(state.evidence, residuals, strict=True))
    relative = [off / each.rows.sigma for each, off in pairs]
    factor = _factors(state.evidence, relative, *state.factor.shape)
    standardised = [
        off / factor[each.strip, each.rows.kind] for each, off in zip(state.evidence, relative, strict=True)
    ]
    return _State([evidence_about(each, curves, off, solution) for each, off in pairs], standardised, factor)


def residual_of(each: Evidence, solution: Solution) -> Array:
    """Residuals of some evidence, in density."""
    following = solution.strips[each.strip + 1] if each.rows.next is not None else None
    banding = solution.banding(each.strip)
    return each.rows.residual(solution.strips[each.strip], following, solution.common, banding)


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
    parts = [off[each.rows.kind == kind] for each, off in zip(evidence, residuals, strict=True) if each.strip == strip]
    return np.concatenate(parts) if parts else np.zeros(0)


def _scale(values: Array) -> float:
    return float(np.median(np.abs(values))) / 0.6745
