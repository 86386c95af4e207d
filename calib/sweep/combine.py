"""Fits the sweeps to marks, borders and ties together, and leaves out marks that contradict the others."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.errors import CalibError
from calib.frame.remarks import Remark
from calib.median import MIDDLE_SQUARE
from calib.sweep import markevidence, markjudge
from calib.sweep.adjust import NEARLY_SETTLED, SETTLED, Adjustment, Start, adjust, squared_residuals, unknown_start
from calib.sweep.constellation import slope_variances
from calib.sweep.evidence import MARK, PACE, Observations, join
from calib.sweep.layout import GROUPS, ROUGH, Smoothness, make_layout
from calib.sweep.model import StripSweep
from calib.sweep.nominal import (
    MOST_STRETCH,
    NEARLY_STILL,
    Nominal,
    fitted_sweeps,
    prediction_weights,
    sample_steps,
    strip_shapes,
)
from calib.sweep.pace import with_paces
from calib.sweep.smoothness import FEW_STRIPS, FIRST, MOST_STRIPS, find_smoothness
from calib.sweep.tables import DISAGREES, MarkTable

# Starting prior variances (px^2) of the groups; the data move them, as far as there are any: marks at two samples of
# each strip say nothing of what is uneven in its own sweep, which then is as large as it is expected to be. A narrow
# prior on a variance about a small one is no weak statement (Gelman 2006, Bayesian Analysis 1:515). What mixes at
# borders (no px) is light to a power of 0 .. 1, as is what mixes at marks, from which it is counted.
START = {"S": 4.0, "Y": 0.04, "slope_x": 4.0, "slope_y": 4.0, "Wx": 0.25, "Wy": 4.0, "Sk_line": 0.16,
         "Sk": 0.16, "shear": 1.0, "border_x": 1e-3, "border_y": 1e-3,
         "arm_x": 0.25, "border_power": 0.25}  # fmt: skip
# px^2, of the wander across with which a fit begins anew that has made the sweep stand still, or turn back, somewhere:
# it explains with that what strips wander where marks stand at few samples, and from a still wander never comes back.
WANDERING = 16.0
# Those of the borders' and arms' offsets and of the power stay: of each there is one, and one number says nothing of
# the size of such numbers.
FREE = ("S", "Y", "a", "b", "slope_x", "slope_y", "Wx", "Wy", "Sk_line", "Sk", "shear")
# Held where sweeps stand still even then: marks that all stand at one sample of their strips tell nothing of these.
SWEEP = ("S", "Sk", "Sk_line")
DISAGREES_AT = 28.0  # squared residual over its variance: 1e-6 of good marks lie beyond
ROUNDS = 6
UNSTATED_PX = 0.05  # the accuracy of the marks' places to start from where none is stated,
FEWEST_MARKS = 12  # by which that accuracy is judged
PLACE_ROUNDS = 3  # and how often it is then found anew
MOST_DRAWN = 0.9  # of a mark's variance that the fit, which it draws to itself, may be said to share with it


def start_variances(nominal: Nominal, place_sigma_mm: float) -> Array:
    """Starting prior variances by group, with what the description states."""
    tolerance_px = nominal.tolerance_px
    stated = slope_variances(float(tolerance_px.max()), strip_shapes(nominal.frame))
    stated |= dict(zip(("a", "b"), (tolerance_px / 3) ** 2, strict=True))
    stated["common"] = float(tolerance_px.max()) ** 2  # what no mark places lies within the tolerance all the same
    sigma_px = place_sigma_mm / nominal.px_mm
    stated |= dict(zip(("place_x", "place_y"), np.maximum(sigma_px**2, 1e-8), strict=True))
    given = START | stated
    return np.array([given[name] for name in GROUPS])


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """A fit to all evidence: the table of marks with the rejected ones flagged, the fit, its evidence, the sweeps, and
    warnings.

    `place_sigma_mm` is the 1-sigma of the marks' stated places: the stated value, or else the estimated one.
    `smoothness` is the prior of the fit.
    """

    table: MarkTable
    fit: Adjustment
    evidence: Observations
    sweeps: tuple[StripSweep, ...]
    warnings: tuple[Remark, ...]
    place_sigma_mm: float
    smoothness: Smoothness


@dataclass(frozen=True, slots=True)
class _Prior:
    """Assumptions of a fit: the 1-sigma of the marks' stated places, the smoothness of the wander, and the groups whose
    variances are estimated from the data."""

    place_sigma_mm: float
    smoothness: Smoothness
    free: Sequence[str] = FREE


def fit_marks(nominal: Nominal, table: MarkTable, before: Combined | None = None, threads: int = 1) -> Combined:
    """Fit the sweeps to the marks alone; their places' accuracy, where it is not stated, comes from the scatter.

    A fit `before`, to much the same marks, says where to begin. Variances are nearly settled: more evidence follows.
    """
    stated = nominal.frame.film.reseau.sigma_mm
    guess = UNSTATED_PX * float(nominal.px_mm.min()) if before is None else before.place_sigma_mm
    prior = _Prior(guess if stated is None else stated, ROUGH)
    expected, count = start_variances(nominal, prior.place_sigma_mm), int(table.used.sum())
    start = unknown_start(expected, count)
    if before is not None:
        start = replace(start, variances=before.fit.variances, scale=before.fit.scale)
    fit_table = partial(_fit, nominal, others=(), threads=threads, settled=NEARLY_SETTLED)
    chosen, fit, evidence = fit_table(table, prior=prior, start=start)
    if _stands_still(nominal, fit):
        variances = expected.copy()
        variances[GROUPS.index("Wx")] = WANDERING
        start = unknown_start(variances, count)
        for held in ((), SWEEP):
            some = replace(prior, free=tuple(group for group in FREE if group not in held))
            again = fit_table(table, prior=some, start=start)
            if not _stands_still(nominal, again[1]):
                (chosen, fit, evidence), prior = again, some
                break
    if stated is None:
        for _ in range(PLACE_ROUNDS):
            prior = replace(prior, place_sigma_mm=_place_sigma_mm(fit, evidence, prior.place_sigma_mm, nominal))
            start = Start(fit.variances, fit.scale, fit.weight)
            chosen, fit, evidence = fit_table(chosen, prior=prior, start=start)
    sweeps = sweeps_by_marks(nominal, fit, threads)
    return Combined(chosen, fit, evidence, sweeps, (), prior.place_sigma_mm, ROUGH)


def _stands_still(nominal: Nominal, fit: Adjustment) -> bool:
    """Whether some strip's samples lie far nearer together at some place than all of them do.

    Where all crowd, as in a coarse fit they may by false pairs, marks are sure by now: the description is wrong, and a
    large wander must not hide that from `fitted_sweeps`, which refuses it.
    """
    return any(step.min() < NEARLY_STILL and step.mean() > 1 / MOST_STRETCH for step in sample_steps(nominal, fit))


def sweeps_by_marks(nominal: Nominal, fit: Adjustment, threads: int = 1) -> tuple[StripSweep, ...]:
    """The sweeps of a fit to marks alone; CalibError where they bend back on themselves, for nothing else is known."""
    try:
        return fitted_sweeps(nominal, fit, threads)
    except ValueError as error:
        path = nominal.frame.path
        raise CalibError(f"{path}: the reseau marks found lie on no continuous sweep ({error})") from error


def fit_all(
    nominal: Nominal, before: Combined, others: Sequence[Observations], threads: int = 1,
    settled: float = SETTLED,
) -> Combined:  # fmt: skip
    """Fit the sweeps to the marks and all other evidence, under the prior of the fit before.

    Evidence starts with the weight that that fit gave or would give it. Where all this bends a sweep back on itself,
    the fit to the marks alone stands.
    """
    start = _predicted(before, others, threads)
    return _fit_all(nominal, before, others, start, before.smoothness, threads, settled)


def fit_likeliest(nominal: Nominal, before: Combined, others: Sequence[Observations], threads: int = 1) -> Combined:
    """`fit_all`, but under the prior under which the evidence, with the weight it starts with, is most likely; where
    that bends a sweep back on itself, under that of the fit before.

    A smooth wander takes few unknowns, so the prior is asked for before the first large fit and not after it.
    """
    start = _predicted(before, others, threads)
    evidence = join([before.evidence.select(before.evidence.kind == MARK), *others])
    evidence, weight = with_paces(evidence, start.weight)
    start = replace(start, weight=weight)
    smoothness, variances = _likeliest(nominal, before, evidence, start, FIRST, FEW_STRIPS, threads)
    fit = _fit_all(nominal, before, others, replace(start, variances=variances), smoothness, threads)
    return fit_all(nominal, before, others, threads) if fit.warnings else fit


def settle_smoothness(nominal: Nominal, found: Combined, others: Sequence[Observations], threads: int = 1) -> Combined:
    """`fit_all` under the prior under which the evidence of a fit, weighted as it has come to be, is most likely; the
    fit as it is where it has that prior already, or where sweeps would bend back on themselves."""
    start = Start(found.fit.variances, found.fit.scale, found.fit.weight)
    begin = FIRST if found.smoothness == ROUGH else found.smoothness
    smoothness, variances = _likeliest(nominal, found, found.evidence, start, begin, MOST_STRIPS, threads)
    if smoothness == found.smoothness:
        return found
    start = replace(_predicted(found, others, threads), variances=variances)
    fit = _fit_all(nominal, found, others, start, smoothness, threads)
    return found if fit.warnings else fit


def _likeliest(
    nominal: Nominal, before: Combined, evidence: Observations, start: Start, begin: Smoothness,
    most_strips: int, threads: int,
) -> tuple[Smoothness, Array]:  # fmt: skip
    """The prior under which evidence is most likely, sought from that of `begin` on, and its variances."""
    expected = start_variances(nominal, before.place_sigma_mm)
    return find_smoothness(before.fit.layout, evidence, start, expected, FREE, begin, most_strips, threads)


def _predicted(before: Combined, others: Sequence[Observations], threads: int) -> Start:
    """Variances and scales as they were, the weights of evidence that the fit before has seen, of other evidence those
    that it predicts, and of its paces."""
    fit = before.fit
    weights = [fit.weight[before.evidence.kind == MARK]]
    for part in others:
        weight = np.full(len(part), np.nan)
        _, seen, there = np.intersect1d(_keys(part), _keys(before.evidence), return_indices=True)
        weight[seen] = fit.weight[there]
        new = np.isnan(weight)
        weight[new] = prediction_weights(fit, part.select(new), threads)
        weights.append(weight)
    weights.append(fit.weight[before.evidence.kind == PACE])
    return Start(fit.variances, fit.scale, np.concatenate(weights))


def _keys(evidence: Observations) -> NDArray[np.void]:
    """All that evidence says (N,), as one piece of bytes each."""
    said = (np.asarray(getattr(evidence, f.name), np.float64) for f in fields(evidence))
    table = np.column_stack([part.reshape(len(evidence), int(np.prod(part.shape[1:]))) for part in said])
    return np.ascontiguousarray(table).view(np.dtype((np.void, 8 * table.shape[1]))).reshape(len(evidence))


def _fit_all(
    nominal: Nominal, before: Combined, others: Sequence[Observations], start: Start, smoothness: Smoothness,
    threads: int, settled: float = SETTLED,
) -> Combined:  # fmt: skip
    """Fit the marks of the fit before and all other evidence; the marks alone, and a warning, where that bends back."""
    prior = _Prior(before.place_sigma_mm, smoothness)
    chosen, fit, evidence = _fit(nominal, before.table, others, prior, start, threads, settled)
    try:
        sweeps = fitted_sweeps(nominal, fit, threads)
    except ValueError as error:
        said = Remark(f"wedge borders and overlaps contradict the marks and were left out ({error})")
        return replace(fit_marks(nominal, before.table, threads=threads), warnings=(said,))
    return Combined(chosen, fit, evidence, sweeps, (), prior.place_sigma_mm, smoothness)


def _fit(
    nominal: Nominal, table: MarkTable, others: Sequence[Observations], prior: _Prior, start: Start, threads: int,
    settled: float,
) -> tuple[MarkTable, Adjustment, Observations]:  # fmt: skip
    """Fit the sweeps, leaving out marks that disagree, the worst first. Evidence: used marks, then `others`."""
    frame, sigma_mm = nominal.frame, prior.place_sigma_mm
    expected = start_variances(nominal, sigma_mm)
    for left in reversed(range(ROUNDS)):
        places = markevidence.shared_places(table, len(frame.strips), sigma_mm)
        layout = make_layout(strip_shapes(frame), places, prior.smoothness)
        observations, rows = markevidence.observations(table, nominal, places, sigma_mm)
        known = join([observations, *others])
        everything, weight = with_paces(known, start.weight)  # paces come last, and are made anew
        start = replace(start, weight=weight)
        fit = adjust(layout, everything, expected, prior.free, start, threads=threads, settled=settled)
        bad = _disagreeing(everything, fit)
        if not bad.any() or not left:
            break
        which = np.zeros(len(table), bool)
        which[rows[bad[: len(rows)]]] = True
        table = markjudge.reject(table, which, DISAGREES)
        start = Start(fit.variances, fit.scale, fit.weight[~bad])
    return table, fit, everything


def _place_sigma_mm(fit: Adjustment, evidence: Observations, assumed_mm: float, nominal: Nominal) -> float:
    """1-sigma of the marks' stated places that their residuals (the middle ones of them) call for, mm.

    A residual's variance is the mark's less the fit's there; what the measurement does not explain is the place's.
    """
    alone = (evidence.kind == MARK) & (evidence.mark < 0)
    if alone.sum() < FEWEST_MARKS:
        return assumed_mm
    own = np.diagonal(np.linalg.inv(evidence.information[alone]), axis1=1, axis2=2)
    drawn = np.clip(np.diagonal(fit.fit_cov[alone], axis1=1, axis2=2) / own, 0.0, MOST_DRAWN)
    squared = fit.residual[alone] ** 2 / (1 - drawn) * nominal.px_mm**2
    measured = own * nominal.px_mm**2 - assumed_mm**2
    return float(np.sqrt(max(np.median(squared) / MIDDLE_SQUARE - np.median(measured), 0.0)))


def _disagreeing(observations: Observations, fit: Adjustment) -> NDArray[np.bool_]:
    """Mask of the marks that lie far from where the others put them; in a strip with several, only of the worst and
    those nearly as bad."""
    is_mark, squared = observations.kind == MARK, np.zeros(len(observations))
    theirs = {name: getattr(fit, name)[is_mark] for name in ("residual", "fit_cov", "trust")}
    squared[is_mark] = squared_residuals(observations.select(is_mark), replace(fit, **theirs))
    worst = np.zeros(len(fit.layout.strips))
    np.maximum.at(worst, observations.a, squared)
    return (squared > DISAGREES_AT) & (squared > 0.5 * worst[observations.a])
