"""Fit the sweeps to marks, borders and ties together, and leave out the marks that the others speak against."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.errors import CalibError
from calib.frame.frame import Frame
from calib.sweep import marks as marking
from calib.sweep.adjust import MARK, Adjustment, Observations, adjust, join, squared_residuals
from calib.sweep.layout import GROUPS, make_layout
from calib.sweep.model import StripSweep
from calib.sweep.nominal import Nominal, fitted_sweeps, prediction_weights, strip_shapes
from calib.sweep.tables import DISAGREES, MarkTable

# Starting prior variances (px^2) of the groups; the data move them.
START = {"common": 1e4, "S": 4.0, "Y": 0.04, "a": 100.0, "b": 400.0, "slope_x": 4.0, "slope_y": 4.0, "Wx": 0.25,
         "Wy": 4.0, "Sk_line": 0.04, "Sk": 0.01, "shear": 1.0, "place_x": 1e-8, "place_y": 1e-8}  # fmt: skip
FREE = ("S", "Y", "a", "b", "slope_x", "slope_y", "Wx", "Wy", "Sk_line", "Sk", "shear")
DISAGREES_AT = 28.0  # squared residual over its variance: 1e-6 of good marks lie beyond
ROUNDS = 6


def start_variances(frame: Frame, nominal: Nominal) -> Array:
    """Starting prior variances by group, with what the description states."""
    variances = np.array([START[name] for name in GROUPS])
    tolerance_px = frame.scan.tolerance_mm / nominal.px_mm
    sigma_px = (frame.film.reseau.sigma_mm or 0.0) / nominal.px_mm
    for i, name in enumerate(("a", "b")):
        variances[GROUPS.index(name)] = (tolerance_px[i] / 3) ** 2
    for i, name in enumerate(("place_x", "place_y")):
        variances[GROUPS.index(name)] = max(sigma_px[i] ** 2, 1e-8)
    return variances


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """A fit of everything: the marks with those left out marked, the fit, its evidence, the sweeps, what to say."""

    table: MarkTable
    fit: Adjustment
    evidence: Observations
    sweeps: tuple[StripSweep, ...]
    warnings: tuple[str, ...]


def fit_marks(frame: Frame, nominal: Nominal, table: MarkTable) -> Combined:
    """Fit the sweeps to the marks alone."""
    chosen, fit, evidence = _fit(frame, nominal, table, (), np.ones(0))
    try:
        return Combined(chosen, fit, evidence, fitted_sweeps(nominal, fit), ())
    except ValueError as error:
        raise CalibError(f"{frame.path}: the reseau marks found lie on no continuous sweep ({error})") from error


def fit_all(frame: Frame, nominal: Nominal, before: Combined, others: Sequence[Observations]) -> Combined:
    """Fit the sweeps to the marks and all other evidence, which starts with the weight that the fit before gives it.

    Where that bends a sweep back on itself, the fit to the marks alone stands.
    """
    start = np.concatenate([prediction_weights(before.fit, part) for part in others])
    chosen, fit, evidence = _fit(frame, nominal, before.table, others, start)
    try:
        return Combined(chosen, fit, evidence, fitted_sweeps(nominal, fit), ())
    except ValueError as error:
        said = f"wedge borders and overlaps contradict the marks and were left out ({error})"
        return replace(fit_marks(frame, nominal, before.table), warnings=(said,))


def _fit(
    frame: Frame, nominal: Nominal, table: MarkTable, others: Sequence[Observations], start: Array
) -> tuple[MarkTable, Adjustment, Observations]:
    """Fit the sweeps, leaving out marks that disagree, the worst first. Evidence: used marks, then `others`, whose
    robust weights begin with `start`."""
    variances = start_variances(frame, nominal)
    for left in reversed(range(ROUNDS)):
        places = marking.shared_places(table, len(frame.strips), frame.film.reseau.sigma_mm or 0.0)
        layout = make_layout(strip_shapes(frame), places)
        observations, rows = marking.observations(table, frame, nominal, places)
        everything = join([observations, *others])
        fit = adjust(layout, everything, variances, FREE, np.concatenate([np.ones(len(rows)), start]))
        bad = _disagreeing(everything, fit)[: len(rows)]
        if not bad.any() or not left:
            break
        which = np.zeros(len(table), bool)
        which[rows[bad]] = True
        table = marking.reject(table, which, DISAGREES)
    return table, fit, everything


def _disagreeing(observations: Observations, fit: Adjustment) -> NDArray[np.bool_]:
    """Marks far from where the others put them; of several in one strip only the worst, and those nearly as bad."""
    squared = np.where(observations.kind == MARK, squared_residuals(observations, fit), 0.0)
    worst = np.zeros(len(fit.layout.strips))
    np.maximum.at(worst, observations.a, squared)
    return (squared > DISAGREES_AT) & (squared > 0.5 * worst[observations.a])
