"""Rejects measured marks whose strokes do not have the expected value: they are no marks."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from calib.coordinates import Array
from calib.median import MIDDLE_SIZE
from calib.sweep.markfit import MarkFit
from calib.sweep.markjudge import reject
from calib.sweep.tables import ODD_STROKE, MarkTable

ODD_CHANCE = 1e-5  # that a good mark's strokes look odd
ALIKE = 4.0  # values of a strip's own that the frame's scatter counts for
ENOUGH_OWN, ENOUGH = 4, 8  # marks of a strip by which others of it are judged, of a frame by which any are
OF_CONTRAST = 0.25  # of a mark's own contrast that a doubtful tone may put its strokes off (assumed)
SURE, DRAFT = 4.0, 0.1  # 1-sigma of a stroke's value that it may be off as well, and density by the draft's curves
# (by trial: up to .05 on eight healthy frames of nine)
MAD_TELLS, MEDIAN_VARIANCE = 0.37, np.pi / 2  # what a median tells of a normal scatter, and its variance; to the mean's


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """Expected value of each mark's strokes (M,) and the largest deviation from it, inf where a mark is not judged."""

    value: Array
    most_off: Array


def flag_odd(table: MarkTable, expected: Expected) -> MarkTable:
    """Reject the marks whose stroke value deviates from the expected one by more than allowed."""
    off = np.abs(table.stroke_value - expected.value)
    return reject(table, table.used & (off > expected.most_off), ODD_STROKE)


def of_its_strip(table: MarkTable) -> Expected:
    """The median of the strip's marks, where it has enough of them.

    A value may be off by its own sigma, by how the strip's values scatter and by how sure that is. Strips scatter as
    the whole frame does, but not all alike: a strip whose tone is not known well, or whose scan drifts, scatters more,
    and then its marks are no odder for it. A strip's scatter is that of its own values, weighed by what a median of
    absolute deviations tells, and the frame's, weighed as `ALIKE` values.
    """
    n = len(table)
    middle, own2, number = np.full(n, np.nan), np.zeros(n), np.ones(n)
    for k in np.unique(table.strip[table.used]):
        mine = table.used & (table.strip == k)
        if mine.sum() >= ENOUGH_OWN:
            middle[mine] = np.median(table.stroke_value[mine])
            own2[mine], number[mine] = _scatter(table.stroke_value[mine] - middle[mine]) ** 2, mine.sum()
    known = np.isfinite(middle)
    if known.sum() < ENOUGH:
        return _nothing_of(table)
    told = MAD_TELLS * (number - 1)
    scatter2 = (ALIKE * _scatter((table.stroke_value - middle)[known]) ** 2 + told * own2) / (ALIKE + told)
    sigma = np.hypot(np.sqrt(scatter2 * (1 + MEDIAN_VARIANCE / number)), table.stroke_sigma)
    limit = stdtrit(ALIKE + told, 1 - ODD_CHANCE / 2)
    return Expected(middle, np.where(known, limit * sigma, np.inf))


def of_the_frame(table: MarkTable, contrast: Array) -> Expected:
    """The median of all the frame's marks, in density, for the marks of strips that have too few to judge each other.

    What is taken for a mark on rough film shows that film's density. The frame's scatter says as little of a single
    strip as in `of_its_strip`; where a strip's tone is doubtful, its strokes are off by a part of their contrast.
    """
    number = np.bincount(table.strip[table.used], minlength=int(table.strip.max(initial=0)) + 1)
    few = table.used & (number[table.strip] < ENOUGH_OWN)
    if table.used.sum() < ENOUGH or not few.any():
        return _nothing_of(table)
    value = np.full(len(table), np.median(table.stroke_value[table.used]))
    sigma = np.hypot(_scatter((table.stroke_value - value)[table.used]), table.stroke_sigma)
    most_off = np.maximum(stdtrit(ALIKE, 1 - ODD_CHANCE / 2) * sigma, OF_CONTRAST * contrast)
    return Expected(value, np.where(few, most_off, np.inf))


def as_stated(table: MarkTable, contrast: Array, density: float | None) -> Expected:
    """The stated density, where the frame's marks do not agree on another.

    On film as dark as the strokes hardly a mark is seen, and most of what is taken for one is none. On such a frame
    half of the strokes were off by more than their contrast; on ten frames with clear marks nine of ten strokes were
    off by less than a fourth of it (by trial).
    """
    if density is None or not table.used.any():
        return _nothing_of(table)
    own = table.stroke_value[table.used]
    if _scatter(own - np.median(own)) < OF_CONTRAST * np.median(contrast[table.used]):
        return _nothing_of(table)
    most_off = np.maximum(np.maximum(OF_CONTRAST * contrast, SURE * table.stroke_sigma), DRAFT)
    return Expected(np.full(len(table), density), most_off)


def contrasts(fits: Sequence[MarkFit | None]) -> Array:
    """Contrast of strokes with the film beside them, (M,); inf where there is no fit."""
    return np.array([np.inf if fit is None else abs(fit.rise) for fit in fits])


def _nothing_of(table: MarkTable) -> Expected:
    """No mark is judged."""
    return Expected(np.zeros(len(table)), np.full(len(table), np.inf))


def _scatter(deviation: Array) -> float:
    """1-sigma estimated from the median absolute deviation."""
    return float(np.median(np.abs(deviation))) / MIDDLE_SIZE
