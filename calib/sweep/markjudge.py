"""The table of the measured marks: what speaks against each, and what the fit of the sweeps leaves of it."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.median import MIDDLE_SIZE
from calib.sweep.cross import CrossShape
from calib.sweep.markfigures import GONE, likeness_of
from calib.sweep.markfit import MarkFit
from calib.sweep.marks import LEAST_CONTRAST, Sought, under_other_sweeps
from calib.sweep.model import StripSweep
from calib.sweep.nominal import Nominal, departure_mm
from calib.sweep.tables import BAD_RESIDUAL, CUT, GOOD, NOT_SEEN, ODD_STROKE, OUTSIDE, MarkTable

LEAST_PARTS = 4  # half arms seen, of 8
MOST_MISFIT = 0.25  # rms left by the model in parts of the strokes' contrast, where chi-square is bad as well
UNUSUAL = 2.0  # but no misfit is bad that is less than this many times the middle one: a rough scene spoils all
MOST_CHI2 = 4.0
LEAST_LIKE = 2.0  # log of how much likelier its half arms are a cross's than just anything's
ODD_CHANCE = 1e-5  # that a good mark's strokes look odd
ALIKE = 4.0  # values of a strip's own that the frame's scatter counts for
ENOUGH_OWN, ENOUGH = 4, 8  # marks of a strip by which others of it are judged, of a frame by which any are
OF_CONTRAST = 0.25  # of a mark's own contrast that a doubtful tone may put its strokes off (assumed)
SURE, DRAFT = 4.0, 0.1  # 1-sigma of a stroke's value that it may be off as well, and density by the draft's curves
# (by trial: up to .05 on eight healthy frames of nine)
MAD_TELLS, MEDIAN_VARIANCE = 0.37, np.pi / 2  # what a median tells of a normal scatter, and its variance; to the mean's
LEAST_INSIDE_PX = 2.0  # a stroke that the strip's edge cuts lengthwise says neither where it is nor how it is turned


def mark_table(sought: Sought, fits: Sequence[MarkFit | None], sweeps: Sequence[StripSweep]) -> MarkTable:
    """The measured marks with what speaks against each; residuals are filled in after the fit of the sweeps.

    A mark whose window carries too little signal stands at the place it was sought, with infinite variance.
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
    """What the mark's own window says of it, whatever the model leaves there."""
    if fit is None:
        return OUTSIDE
    line, sample = fit.place
    inside = min(line, sample, sweep.n_lines - 1 - line, sweep.n_samples - 1 - sample)
    if inside < LEAST_INSIDE_PX:
        return OUTSIDE
    seen = fit.parts > GONE
    if fit.contrast < LEAST_CONTRAST or seen.sum() < LEAST_PARTS or not (seen[:4].any() and seen[4:].any()):
        return NOT_SEEN
    if likeness_of(fit.parts, fit.contrast) < LEAST_LIKE:
        return NOT_SEEN
    return CUT if np.any(fit.parts == 0) else GOOD


def flag_odd_strokes(table: MarkTable) -> MarkTable:
    """Reject marks whose stroke value is far from its strip's others: by its own sigma, by how the strip's values
    scatter and by how sure that is.

    Strips scatter as the whole frame does, but not all alike: a strip whose tone is not known well, or whose scan
    drifts, scatters more, and then its marks are no odder for it. A strip's scatter is that of its own values, weighed
    by what a median of absolute deviations tells, and the frame's, weighed as `ALIKE` values.
    """
    deviation, own2, number = np.full(len(table), np.nan), np.zeros(len(table)), np.ones(len(table))
    for k in np.unique(table.strip[table.used]):
        mine = table.used & (table.strip == k)
        if mine.sum() >= ENOUGH_OWN:
            deviation[mine] = table.stroke_value[mine] - np.median(table.stroke_value[mine])
            own2[mine], number[mine] = _scatter(deviation[mine]) ** 2, mine.sum()
    known = np.isfinite(deviation)
    if known.sum() < ENOUGH:
        return table
    told = MAD_TELLS * (number - 1)
    scatter2 = (ALIKE * _scatter(deviation[known]) ** 2 + told * own2) / (ALIKE + told)
    sigma = np.hypot(np.sqrt(scatter2 * (1 + MEDIAN_VARIANCE / number)), table.stroke_sigma)
    limit = stdtrit(ALIKE + told, 1 - ODD_CHANCE / 2)
    return reject(table, known & (np.abs(np.where(known, deviation, 0)) > limit * sigma), ODD_STROKE)


def flag_odd_of_few(table: MarkTable, fits: Sequence[MarkFit | None]) -> MarkTable:
    """Reject marks of strips that have too few to judge each other whose stroke value, in density, is far from all the
    frame's.

    What is taken for a mark on rough film shows that film's density. The frame's scatter says as little of a single
    strip as in `flag_odd_strokes`; where a strip's tone is doubtful, its strokes are off by a part of their contrast.
    """
    number = np.bincount(table.strip[table.used], minlength=int(table.strip.max(initial=0)) + 1)
    few = table.used & (number[table.strip] < ENOUGH_OWN)
    if table.used.sum() < ENOUGH or not few.any():
        return table
    deviation = table.stroke_value - np.median(table.stroke_value[table.used])
    sigma = np.hypot(_scatter(deviation[table.used]), table.stroke_sigma)
    least = np.maximum(stdtrit(ALIKE, 1 - ODD_CHANCE / 2) * sigma, OF_CONTRAST * _contrasts(fits))
    return reject(table, few & (np.abs(deviation) > least), ODD_STROKE)


def flag_off_stated(table: MarkTable, fits: Sequence[MarkFit | None], stated: float | None) -> MarkTable:
    """Reject marks whose stroke value is far from the stated density, where they do not agree on another.

    On film as dark as the strokes hardly a mark is seen, and most of what is taken for one is none: on such a frame
    half of the strokes were off by more than their contrast, on ten with clear marks nine of ten by less than a fourth
    of it (by trial).
    """
    if stated is None or not table.used.any():
        return table
    contrast, own = _contrasts(fits), table.stroke_value[table.used]
    if _scatter(own - np.median(own)) < OF_CONTRAST * np.median(contrast[table.used]):
        return table
    least = np.maximum(np.maximum(OF_CONTRAST * contrast, SURE * table.stroke_sigma), DRAFT)
    return reject(table, table.used & (np.abs(table.stroke_value - stated) > least), ODD_STROKE)


def _contrasts(fits: Sequence[MarkFit | None]) -> Array:
    """By how much strokes differ from the film beside them; without limit where there is no fit."""
    return np.array([np.inf if fit is None else abs(fit.rise) for fit in fits])


def _scatter(deviation: Array) -> float:
    """1-sigma of deviations by their median size."""
    return float(np.median(np.abs(deviation))) / MIDDLE_SIZE


def used_marks(table: MarkTable) -> list[tuple[int, int]]:
    """Strip and mark of those used, in the table's order."""
    return list(zip(table.strip[table.used].tolist(), table.mark[table.used].tolist(), strict=True))


def reject(table: MarkTable, which: NDArray[np.bool_], reason: str) -> MarkTable:
    """The table with some marks no longer used, for a reason."""
    reasons = tuple(reason if bad else old for bad, old in zip(which, table.reason, strict=True))
    return table.with_columns(used=table.used & ~which, reason=reasons)


def with_bends(
    table: MarkTable, fits: Sequence[MarkFit | None], sweeps: Sequence[StripSweep], shape: CrossShape
) -> MarkTable:
    """The table of the given fits with the places that these sweeps give them."""
    line, sample = table.line.copy(), table.sample.copy()
    for i, fit in enumerate(under_other_sweeps(fits, table.strip, sweeps, shape)):
        if fit is not None:
            line[i], sample[i] = fit.place
    return table.with_columns(line=line, sample=sample)


def with_residuals(table: MarkTable, nominal: Nominal, sweeps: Sequence[StripSweep]) -> MarkTable:
    """The table with film place less stated place, by the fitted and by the nominal sweeps."""
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
