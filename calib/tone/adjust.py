"""The one least-squares problem: all evidence on all unknowns of a frame, robust, with the scales of both estimated."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.tone.evidence import Curves
from calib.tone.model import Scales
from calib.tone.system import NormalEquations, Rows, Solution
from calib.tone.unknowns import add_priors, first_scales, updated_scales

ITERATIONS = 8
AGAIN = 5  # ... when the scales of an earlier fit are at hand
REBUILT = 3  # first turns after which all rows are built anew about the residuals
ROBUST = 2.5  # residuals beyond so many sigma lose weight as 1 / t^2
LEAST_FACTOR, MOST_FACTOR = 0.5, 10.0  # bounds of what the residuals may say of a kind of evidence's sigma


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """All rows that speak of one strip, or of it and the next; `build` makes them anew about a fit's residuals."""

    strip: int
    rows: Rows
    build: Callable[[Array | None], Rows]


def evidence_of(strip: int, build: Callable[[Array | None], Rows], placing: Array | None = None) -> Evidence:
    """Evidence before any fit, placed away from where it was measured by `placing`."""
    return Evidence(strip, build(placing), build)


@dataclass(frozen=True, slots=True, eq=False)
class Adjustment:
    """Solution, the scales it was found with, and what the residuals say of each kind's sigma: (strips, kinds)."""

    solution: Solution
    scales: Scales
    factor: Array


def adjust(
    curves: Curves, evidence: Sequence[Evidence], sigmas: tuple[Array, float], n_kinds: int, start: Scales | None
) -> Adjustment:
    """Fit the unknowns to the evidence; `sigmas` as in `add_priors`, `start` the scales of an earlier fit."""
    n_strips = len(curves.n_lines)
    scales, iterations = (first_scales(curves.layout.n_samples), ITERATIONS) if start is None else (start, AGAIN)
    factor = np.ones((n_strips, n_kinds))
    standardised = [np.zeros(each.rows.value.size) for each in evidence]
    for turn in range(iterations):
        equations = NormalEquations(n_strips, curves.layout.n_own, curves.layout.n_common)
        for each, off in zip(evidence, standardised, strict=True):
            sigma = each.rows.sigma * factor[each.strip, each.rows.kind]
            equations.add(each.strip, each.rows, robust_weight(off) / sigma**2)
        add_priors(equations, curves.layout, curves.basis, scales, sigmas)
        solution = equations.solve()
        residuals = [residual_of(each, solution) / each.rows.sigma for each in evidence]
        factor = _factors(evidence, residuals, n_strips, n_kinds)
        standardised = [off / factor[each.strip, each.rows.kind] for each, off in zip(evidence, residuals, strict=True)]
        if turn < REBUILT:
            again = zip(evidence, residuals, strict=True)
            evidence = [evidence_at(each, off * each.rows.sigma) for each, off in again]
        if turn + 1 < iterations:
            scales = updated_scales(solution, curves.layout, curves.basis)
    return Adjustment(solution, scales, factor)


def evidence_at(evidence: Evidence, residual: Array) -> Evidence:
    """Evidence built about the residuals of a fit."""
    return Evidence(evidence.strip, evidence.build(residual), evidence.build)


def residual_of(each: Evidence, solution: Solution) -> Array:
    """Residuals of some evidence, in density."""
    following = solution.strips[each.strip + 1] if each.rows.next is not None else None
    return each.rows.residual(solution.strips[each.strip], following, solution.common)


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
