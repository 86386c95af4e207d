"""Rejects measured marks whose strokes do not have the expected value: something else was taken for a mark."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from calib.coordinates import Array
from calib.median import MIDDLE_SIZE
from calib.sweep.markfit import MarkFit
from calib.sweep.markjudge import reject
from calib.sweep.tables import ODD_STROKE, MarkTable

ODD_CHANCE = 1e-5  # probability that a good mark is rejected
ALIKE = 4.0  # number of values of a strip by which the scatter of the whole frame is weighted
ENOUGH_OWN, ENOUGH = 4, 8  # marks of a strip, and of a frame, with which a median serves as the expected value
OF_CONTRAST = 0.25  # deviation of strokes that a doubtful tone may cause, relative to the mark's contrast (assumed)
SURE = 4.0  # deviation allowed against a stated density, in the 1-sigma of the stroke's value
# Deviation allowed against a stated density for the draft's curves (by trial: up to .05 on 8 healthy frames of 9).
DRAFT = 0.1
MAD_EFFICIENCY = 0.37  # efficiency of the median absolute deviation as an estimate of a normal distribution's scatter
MEDIAN_VARIANCE = np.pi / 2  # variance of the median of normal values relative to that of their mean


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
    """The median of the strip's marks, for strips with at least ENOUGH_OWN of them.

    The limit follows from a value's own sigma, the scatter of the strip's values and its uncertainty (Student's t).
    Strips do not all scatter alike: with a poorly known tone or a drifting scan values scatter more, and marks must not
    be rejected for it. A strip's scatter is the weighted mean of its own, weighted by the efficiency of the median
    absolute deviation, and that of the whole frame, weighted as `ALIKE` values.
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
        return _none_judged(table)
    told = MAD_EFFICIENCY * (number - 1)
    scatter2 = (ALIKE * _scatter((table.stroke_value - middle)[known]) ** 2 + told * own2) / (ALIKE + told)
    sigma = np.hypot(np.sqrt(scatter2 * (1 + MEDIAN_VARIANCE / number)), table.stroke_sigma)
    limit = stdtrit(ALIKE + told, 1 - ODD_CHANCE / 2)
    return Expected(middle, np.where(known, limit * sigma, np.inf))


def of_the_frame(table: MarkTable, contrast: Array) -> Expected:
    """The median density of all the frame's marks, for the marks of strips with too few for `of_its_strip`.

    A false mark on rough film shows the density of that film. A single strip's scatter is as uncertain here as in
    `of_its_strip`; if a strip's tone is doubtful, its strokes may deviate by a part of their `contrast` (M,).
    """
    number = np.bincount(table.strip[table.used], minlength=int(table.strip.max(initial=0)) + 1)
    few = table.used & (number[table.strip] < ENOUGH_OWN)
    if table.used.sum() < ENOUGH or not few.any():
        return _none_judged(table)
    value = np.full(len(table), np.median(table.stroke_value[table.used]))
    sigma = np.hypot(_scatter((table.stroke_value - value)[table.used]), table.stroke_sigma)
    most_off = np.maximum(stdtrit(ALIKE, 1 - ODD_CHANCE / 2) * sigma, OF_CONTRAST * contrast)
    return Expected(value, np.where(few, most_off, np.inf))


def as_stated(table: MarkTable, contrast: Array, density: float | None) -> Expected:
    """The stated density, unless the frame's marks agree on another one.

    On film as dark as the strokes hardly a mark is visible, and most measured marks are false. On such a frame half of
    the strokes deviated by more than their contrast; on ten frames with clear marks nine of ten strokes deviated by
    less than a fourth of it (by trial).
    """
    if density is None or not table.used.any():
        return _none_judged(table)
    own = table.stroke_value[table.used]
    if _scatter(own - np.median(own)) < OF_CONTRAST * np.median(contrast[table.used]):
        return _none_judged(table)
    most_off = np.maximum(np.maximum(OF_CONTRAST * contrast, SURE * table.stroke_sigma), DRAFT)
    return Expected(np.full(len(table), density), most_off)


def contrasts(fits: Sequence[MarkFit | None]) -> Array:
    """Absolute contrast (M,) of the marks' strokes with the film beside them; inf without a fit."""
    return np.array([np.inf if fit is None else abs(fit.rise) for fit in fits])


def _none_judged(table: MarkTable) -> Expected:
    """An expectation by which no mark is rejected."""
    return Expected(np.zeros(len(table)), np.full(len(table), np.inf))


def _scatter(deviation: Array) -> float:
    """1-sigma estimated from the median absolute deviation."""
    return float(np.median(np.abs(deviation))) / MIDDLE_SIZE
