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

# Expected prior variances (px^2) of the groups; data update them. Without data they stay: marks at two samples of each
# strip do not show how uneven the strip's own sweep is. A narrow prior around a small variance would be a strong
# assumption (Gelman 2006, Bayesian Analysis 1:515). border_power (no unit) is the power of light that mixes at borders
# minus that at marks, both between 0 and 1.
START = {"S": 4.0, "Y": 0.04, "slope_x": 4.0, "slope_y": 4.0, "Wx": 0.25, "Wy": 4.0, "Sk_line": 0.16,
         "Sk": 0.16, "shear": 1.0, "border_x": 1e-3, "border_y": 1e-3,
         "arm_x": 0.25, "border_power": 0.25}  # fmt: skip
# px^2: prior variance of the wander in x with which a fit is restarted if its sweep stands still or turns back. Such a
# sweep explains the wander where marks stand at few samples, and a fit that starts with a small wander stays there.
WANDERING = 16.0
# Groups whose variances are estimated. The offsets of borders and arms and the power are not among them: there is one
# value of each, which does not show the scatter of such values.
FREE = ("S", "Y", "a", "b", "slope_x", "slope_y", "Wx", "Wy", "Sk_line", "Sk", "shear")
# Groups held at their expected variance if sweeps stand still even then: marks that all stand at one sample of their
# strips do not determine them.
SWEEP = ("S", "Sk", "Sk_line")
DISAGREES_AT = 28.0  # squared residual over its variance at which a mark is rejected: exceeded by 1e-6 of good marks
ROUNDS = 6  # most fits while marks are rejected
UNSTATED_PX = 0.05  # 1-sigma of the marks' places to start from if none is stated,
FEWEST_MARKS = 12  # marks needed to estimate it,
PLACE_ROUNDS = 3  # and how often it is estimated again
MOST_LEVERAGE = 0.9  # upper bound of a mark's leverage (its share in its own fitted value) in that estimate


def start_variances(nominal: Nominal, place_sigma_mm: float) -> Array:
    """Expected prior variances (len(GROUPS),), with those that follow from the description."""
    tolerance_px = nominal.tolerance_px
    stated = slope_variances(float(tolerance_px.max()), strip_shapes(nominal.frame))
    stated |= dict(zip(("a", "b"), (tolerance_px / 3) ** 2, strict=True))
    stated["common"] = float(tolerance_px.max()) ** 2  # the tolerance also holds for strips without any mark
    sigma_px = place_sigma_mm / nominal.px_mm
    stated |= dict(zip(("place_x", "place_y"), np.maximum(sigma_px**2, 1e-8), strict=True))
    given = START | stated
    return np.array([given[name] for name in GROUPS])


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """A fit to all evidence: the table of marks with the rejected ones flagged, the fit, its evidence, the sweeps, and
    warnings.

    `place_sigma_mm`: 1-sigma of the marks' stated places, as stated or else estimated. `smoothness`: prior of the fit.
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
    """Fit the sweeps to the marks alone; the 1-sigma of their places, if not stated, is estimated from the residuals.

    A fit `before` to nearly the same marks gives initial values. Variances converge only nearly, because fits to more
    evidence follow.
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
            refit = fit_table(table, prior=some, start=start)
            if not _stands_still(nominal, refit[1]):
                (chosen, fit, evidence), prior = refit, some
                break
    if stated is None:
        for _ in range(PLACE_ROUNDS):
            prior = replace(prior, place_sigma_mm=_place_sigma_mm(fit, evidence, prior.place_sigma_mm, nominal))
            start = Start(fit.variances, fit.scale, fit.weight)
            chosen, fit, evidence = fit_table(chosen, prior=prior, start=start)
    sweeps = sweeps_by_marks(nominal, fit, threads)
    return Combined(chosen, fit, evidence, sweeps, (), prior.place_sigma_mm, ROUGH)


def _stands_still(nominal: Nominal, fit: Adjustment) -> bool:
    """Whether some strip's samples are far closer together at some place than on average.

    If all samples are too close together, the description is wrong, since the marks are certain by now (false pairs
    could cause it only in a coarse fit). A restart with a large wander must not hide that from `fitted_sweeps`, which
    refuses it.
    """
    return any(step.min() < NEARLY_STILL and step.mean() > 1 / MOST_STRETCH for step in sample_steps(nominal, fit))


def sweeps_by_marks(nominal: Nominal, fit: Adjustment, threads: int = 1) -> tuple[StripSweep, ...]:
    """The sweeps of a fit to marks alone; CalibError if they are not monotonic, since there is no other evidence."""
    try:
        return fitted_sweeps(nominal, fit, threads)
    except ValueError as error:
        path = nominal.frame.path
        raise CalibError(f"{path}: the reseau marks found lie on no continuous sweep ({error})") from error


def fit_all(
    nominal: Nominal, before: Combined, others: Sequence[Observations], threads: int = 1,
    settled: float = SETTLED,
) -> Combined:  # fmt: skip
    """Fit the sweeps to the marks and all other evidence, with the smoothness prior of the fit `before`.

    Initial weights are those that that fit gave, or predicts for new evidence. If the result has a sweep that is not
    monotonic, it is replaced by the fit to the marks alone, with a warning.
    """
    start = _predicted(before, others, threads)
    return _fit_all(nominal, before, others, start, before.smoothness, threads, settled)


def fit_likeliest(nominal: Nominal, before: Combined, others: Sequence[Observations], threads: int = 1) -> Combined:
    """`fit_all` with the smoothness prior under which the evidence, with its initial weights, is most likely.

    If that gives a sweep that is not monotonic, the prior of the fit `before` is used. A smooth wander needs few
    unknowns, so the prior is estimated before the first large fit and not after it.
    """
    start = _predicted(before, others, threads)
    evidence = join([before.evidence.select(before.evidence.kind == MARK), *others])
    evidence, weight = with_paces(evidence, start.weight)
    start = replace(start, weight=weight)
    smoothness, variances = _likeliest(nominal, before, evidence, start, FIRST, FEW_STRIPS, threads)
    fit = _fit_all(nominal, before, others, replace(start, variances=variances), smoothness, threads)
    return fit_all(nominal, before, others, threads) if fit.warnings else fit


def settle_smoothness(nominal: Nominal, found: Combined, others: Sequence[Observations], threads: int = 1) -> Combined:
    """`fit_all` with the smoothness prior under which the evidence of a fit, with its final weights, is most likely.

    The result is the fit `found` itself if it has that prior already, or if a new sweep would not be monotonic.
    """
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
    """The smoothness under which the evidence is most likely, searched from `begin` on, and its prior variances."""
    expected = start_variances(nominal, before.place_sigma_mm)
    return find_smoothness(before.fit.layout, evidence, start, expected, FREE, begin, most_strips, threads)


def _predicted(before: Combined, others: Sequence[Observations], threads: int) -> Start:
    """Initial values of a fit that follows another: its variances and scales, its weights of evidence that it has seen,
    the weights that it predicts for other evidence, and its weights of paces."""
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
    """A key (N,) of each observation, to find equal ones: the bytes of all its fields."""
    columns = (np.asarray(getattr(evidence, f.name), np.float64) for f in fields(evidence))
    table = np.column_stack([part.reshape(len(evidence), int(np.prod(part.shape[1:]))) for part in columns])
    return np.ascontiguousarray(table).view(np.dtype((np.void, 8 * table.shape[1]))).reshape(len(evidence))


def _fit_all(
    nominal: Nominal, before: Combined, others: Sequence[Observations], start: Start, smoothness: Smoothness,
    threads: int, settled: float = SETTLED,
) -> Combined:  # fmt: skip
    """Fit the marks of the fit `before` and all other evidence; only the marks, with a warning, if the result has a
    sweep that is not monotonic."""
    prior = _Prior(before.place_sigma_mm, smoothness)
    chosen, fit, evidence = _fit(nominal, before.table, others, prior, start, threads, settled)
    try:
        sweeps = fitted_sweeps(nominal, fit, threads)
    except ValueError as error:
        warning = Remark(f"wedge borders and overlaps contradict the marks and were left out ({error})")
        return replace(fit_marks(nominal, before.table, threads=threads), warnings=(warning,))
    return Combined(chosen, fit, evidence, sweeps, (), prior.place_sigma_mm, smoothness)


def _fit(
    nominal: Nominal, table: MarkTable, others: Sequence[Observations], prior: _Prior, start: Start, threads: int,
    settled: float,
) -> tuple[MarkTable, Adjustment, Observations]:  # fmt: skip
    """Fit the sweeps and reject marks that disagree, the worst first. Evidence: used marks, `others`, then paces."""
    frame, sigma_mm = nominal.frame, prior.place_sigma_mm
    expected = start_variances(nominal, sigma_mm)
    for rounds_left in reversed(range(ROUNDS)):
        places = markevidence.shared_places(table, len(frame.strips), sigma_mm)
        layout = make_layout(strip_shapes(frame), places, prior.smoothness)
        observations, rows = markevidence.observations(table, nominal, places, sigma_mm)
        known = join([observations, *others])
        everything, weight = with_paces(known, start.weight)  # paces come last and are computed anew
        start = replace(start, weight=weight)
        fit = adjust(layout, everything, expected, prior.free, start, threads=threads, settled=settled)
        bad = _disagreeing(everything, fit)
        if not bad.any() or not rounds_left:
            break
        which = np.zeros(len(table), bool)
        which[rows[bad[: len(rows)]]] = True
        table = markjudge.reject(table, which, DISAGREES)
        start = Start(fit.variances, fit.scale, fit.weight[~bad])
    return table, fit, everything


def _place_sigma_mm(fit: Adjustment, evidence: Observations, assumed_mm: float, nominal: Nominal) -> float:
    """1-sigma of the marks' stated places, mm, estimated from the median of their squared residuals.

    The variance of a residual is that of the mark minus that of the fitted value. The part that the measurement does
    not explain is that of the place. `assumed_mm`, the 1-sigma that the fit used, is returned if marks are too few.
    """
    alone = (evidence.kind == MARK) & (evidence.mark < 0)
    if alone.sum() < FEWEST_MARKS:
        return assumed_mm
    own = np.diagonal(np.linalg.inv(evidence.information[alone]), axis1=1, axis2=2)
    leverage = np.clip(np.diagonal(fit.fit_cov[alone], axis1=1, axis2=2) / own, 0.0, MOST_LEVERAGE)
    squared = fit.residual[alone] ** 2 / (1 - leverage) * nominal.px_mm**2
    measured = own * nominal.px_mm**2 - assumed_mm**2
    return float(np.sqrt(max(np.median(squared) / MIDDLE_SQUARE - np.median(measured), 0.0)))


def _disagreeing(observations: Observations, fit: Adjustment) -> NDArray[np.bool_]:
    """Mask (N,) of the marks that lie far from where the others predict them; in a strip with several of these, only of
    the worst and those nearly as bad."""
    is_mark, squared = observations.kind == MARK, np.zeros(len(observations))
    theirs = {name: getattr(fit, name)[is_mark] for name in ("residual", "fit_cov", "trust")}
    squared[is_mark] = squared_residuals(observations.select(is_mark), replace(fit, **theirs))
    worst = np.zeros(len(fit.layout.strips))
    np.maximum.at(worst, observations.a, squared)
    return (squared > DISAGREES_AT) & (squared > 0.5 * worst[observations.a])
