"""Makes the table of the measured marks: rejects bad ones by their own fits, and adds their residuals to the sweeps."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import FilmPoints, ScanPoints
from calib.sweep.cross import CrossShape
from calib.sweep.markfigures import VISIBLE_SHARE, log_likelihood_ratio
from calib.sweep.markfit import MarkFit
from calib.sweep.marks import LEAST_CONTRAST, Sought, under_other_sweeps
from calib.sweep.model import StripSweep
from calib.sweep.nominal import Nominal, departure_mm
from calib.sweep.tables import BAD_RESIDUAL, CUT, GOOD, NOT_SEEN, OUTSIDE, MarkTable

LEAST_PARTS = 4  # visible half arms, of 8
# A mark is rejected if its rms residual beyond noise exceeds MOST_MISFIT of the strokes' contrast, its reduced
# chi-square MOST_CHI2, and its misfit UNUSUAL times the median of all marks: a rough scene raises that of every mark.
MOST_MISFIT, MOST_CHI2, UNUSUAL = 0.25, 4.0, 2.0
LEAST_LOG_RATIO = 2.0  # log likelihood ratio of a cross to anything else, by the half arms
LEAST_INSIDE_PX = 2.0  # from the strip's edge: a stroke that the edge cuts lengthwise gives neither place nor tilt


def mark_table(sought: Sought, fits: Sequence[MarkFit | None], sweeps: Sequence[StripSweep]) -> MarkTable:
    """The table of the measured marks with the reason why each is used or rejected.

    Residuals are NaN until the sweeps are fitted (`with_residuals`). A mark without a fit (too little signal) gets the
    place where it was expected, with infinite variance.
    """
    n = len(fits)
    columns = {"line": sought.line.copy(), "sample": sought.sample.copy(), "chi2": np.full(n, np.inf),
               "stroke_value": np.zeros(n), "stroke_sigma": np.full(n, np.inf)}  # fmt: skip
    cov = np.tile(np.diag([np.inf, np.inf]), (n, 1, 1))
    reasons = [_reason(fit, sweeps[k]) for fit, k in zip(fits, sought.strip.tolist(), strict=True)]
    usual = [fit.misfit for fit, reason in zip(fits, reasons, strict=True) if fit is not None and reason in (GOOD, CUT)]
    most_misfit = max(MOST_MISFIT, UNUSUAL * float(np.median(usual))) if usual else MOST_MISFIT
    for i, fit in enumerate(fits):
        if fit is not None:
            if reasons[i] in (GOOD, CUT) and fit.misfit > most_misfit and fit.chi2 > MOST_CHI2:
                reasons[i] = BAD_RESIDUAL
            columns["line"][i], columns["sample"][i] = fit.place
            columns["chi2"][i], cov[i] = fit.chi2, fit.cov
            columns["stroke_value"][i], columns["stroke_sigma"][i] = fit.stroke_value, fit.stroke_sigma
    empty = np.full(n, np.nan)
    used = np.array([reason in (GOOD, CUT) for reason in reasons], bool)
    return MarkTable(
        strip=sought.strip, mark=sought.mark, var_line=cov[:, 0, 0], var_sample=cov[:, 1, 1], cov=cov[:, 0, 1],
        used=used, reason=tuple(reasons), residual_x_mm=empty, residual_y_mm=empty, first_residual_x_mm=empty,
        first_residual_y_mm=empty, **columns,
    )  # fmt: skip


def _reason(fit: MarkFit | None, sweep: StripSweep) -> str:
    """The reason by which a mark is used or rejected, from its own fit alone; the misfit is judged later."""
    if fit is None:
        return OUTSIDE
    line, sample = fit.place
    inside = min(line, sample, sweep.n_lines - 1 - line, sweep.n_samples - 1 - sample)
    if inside < LEAST_INSIDE_PX:
        return OUTSIDE
    seen = fit.parts > VISIBLE_SHARE
    if fit.contrast < LEAST_CONTRAST or seen.sum() < LEAST_PARTS or not (seen[:4].any() and seen[4:].any()):
        return NOT_SEEN
    if log_likelihood_ratio(fit.parts, fit.contrast) < LEAST_LOG_RATIO:
        return NOT_SEEN
    return CUT if np.any(fit.parts == 0) else GOOD


def used_marks(table: MarkTable) -> list[tuple[int, int]]:
    """(strip, mark) of the used marks, in the table's order."""
    return list(zip(table.strip[table.used].tolist(), table.mark[table.used].tolist(), strict=True))


def reject(table: MarkTable, which: NDArray[np.bool_], reason: str) -> MarkTable:
    """The table with the marks of the mask `which` (N,) no longer used, for a reason."""
    reasons = tuple(reason if bad else old for bad, old in zip(which, table.reason, strict=True))
    return table.with_columns(used=table.used & ~which, reason=reasons)


def with_places_under(
    table: MarkTable, fits: Sequence[MarkFit | None], sweeps: Sequence[StripSweep], shape: CrossShape
) -> MarkTable:
    """The table with the places that the given fits would have under these sweeps (`under_other_sweeps`)."""
    line, sample = table.line.copy(), table.sample.copy()
    for i, fit in enumerate(under_other_sweeps(fits, table.strip, sweeps, shape)):
        if fit is not None:
            line[i], sample[i] = fit.place
    return table.with_columns(line=line, sample=sample)


def with_residuals(table: MarkTable, nominal: Nominal, sweeps: Sequence[StripSweep]) -> MarkTable:
    """The table with residuals, film place minus stated place in mm, by the fitted and by the nominal sweeps."""
    marks = nominal.frame.marks
    after, first = np.full((len(table), 2), np.nan), np.full((len(table), 2), np.nan)
    for k in np.unique(table.strip).tolist():
        mine = table.strip == k
        points = ScanPoints(table.line[mine], table.sample[mine])
        stated = FilmPoints(marks.x_mm[table.mark[mine]], marks.y_mm[table.mark[mine]])
        after[mine] = -departure_mm(sweeps[k], points, stated)
        first[mine] = -departure_mm(nominal.sweeps[k], points, stated)
    return table.with_columns(
        residual_x_mm=after[:, 0], residual_y_mm=after[:, 1],
        first_residual_x_mm=first[:, 0], first_residual_y_mm=first[:, 1],
    )  # fmt: skip
