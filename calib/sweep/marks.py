"""Measures the reseau marks of all strips, each in its window, and corrects the measured places for better sweeps."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints
from calib.frame.frame import Frame
from calib.ordered import shared_out
from calib.sweep.cross import CrossShape
from calib.sweep.markfit import FitPriors, MarkFit, MarkWindow, fit_mark
from calib.sweep.mixing import mixing_exponent
from calib.sweep.model import StripSweep, to_scan
from calib.sweep.nominal import marks_in_reach
from calib.sweep.tables import ReadWindow

FIRST_BLUR_PX = 0.8  # rms radius of the spot, assumed until it is measured
BLUR_MARKS, OF_STRIP = 24, 2  # marks in all, or in each strip if that is more, from which the blur is estimated
# A strip was read out of focus if all its marks are SOFT times as blurred as the median. Healthy strips differ by a
# tenth, but over a rough scene one mark in seven looks as soft.
SOFT = 1.5
MOST_CHANCE = 0.05  # expected number of healthy strips per frame whose marks are all as soft by chance
LEAST_CONTRAST = 7.0  # of the strokes, in its 1-sigma
CLEAR_CONTRAST, CLEAR_PART = 35.0, 0.6  # the same, and least share of each half arm, of marks used for the blur
# Priors of a mark's unknowns. Candidates and sweeps give the place to a few px; the tilt is the smaller, the better the
# sweep is known; the blur is known after some marks were fitted with a free one. The first look is followed by a second
# one, so it needs places to 0.3 px only.
PRIORS = FitPriors(place_px=4.0, tilt=0.005, blur=1e-3, iterations=12)
BLUR_PRIORS = replace(PRIORS, tilt=0.02, blur=0.5)
FIRST_PRIORS = replace(PRIORS, tilt=0.01, iterations=9, settled_px=0.3, enough_px=0.3)
BENT_PX = 0.3  # change of an arm's end against the centre up to which the place changes linearly, to a fifth of sigma
MARGIN_PX = 10  # of a window beyond the arms


@dataclass(frozen=True, slots=True, eq=False)
class Sought:
    """Marks to measure, (N,) each: strip, index of the mark, and its expected place (line, sample)."""

    strip: NDArray[np.int64]
    mark: NDArray[np.int64]
    line: Array
    sample: Array

    def select(self, keep: NDArray[np.bool_]) -> "Sought":
        """The rows where `keep` is true."""
        return Sought(self.strip[keep], self.mark[keep], self.line[keep], self.sample[keep])


def expected_marks(frame: Frame, sweeps: Sequence[StripSweep]) -> Sought:
    """All marks that lie in a strip by the sweeps, or up to 2 px outside."""
    rows = []
    for k, sweep in enumerate(sweeps):
        marks = marks_in_reach(sweep, frame.marks, frame.film.reseau.arm_mm)
        at = to_scan(sweep, FilmPoints(frame.marks.x_mm[marks], frame.marks.y_mm[marks]))
        inside = (at.line > -2) & (at.line < sweep.n_lines + 1) & (at.sample > -2) & (at.sample < sweep.n_samples + 1)
        rows.append(np.column_stack([np.full((len(marks), 1), k), marks, at.line, at.sample])[inside])
    table = np.concatenate(rows)
    return Sought(table[:, 0].astype(np.int64), table[:, 1].astype(np.int64), table[:, 2], table[:, 3])


def first_shape(frame: Frame) -> CrossShape:
    """The cross by the description, with an assumed spot."""
    blur = FIRST_BLUR_PX * np.array([frame.scan.sample_mm, frame.scan.line_mm])
    return CrossShape(frame.film.reseau.arm_mm, frame.film.reseau.width_mm, float(blur[0]), float(blur[1]))


def estimate_blur(
    read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], sought: Sought, shape: CrossShape, threads: int
) -> tuple[CrossShape, Array]:
    """The shape with the spot's rms radius, the median of the marks that fit well; and the excess blur of each strip.

    The excess is an rms radius (K, 2) in x and y, mm. It is 0 unless all marks of a strip are clearly softer, and so
    few marks of other strips are as soft that this is no chance.
    """
    fits = measure(read, sweeps, sought, shape, BLUR_PRIORS, threads)
    clear = [f is not None and f.contrast > CLEAR_CONTRAST and bool(np.all(f.parts > CLEAR_PART)) for f in fits]
    soft = np.zeros((len(sweeps), 2))
    if not any(clear):
        return shape, soft
    of_marks = np.array([f.blur_mm for f, is_clear in zip(fits, clear, strict=True) if f is not None and is_clear])
    blur, strips = np.median(of_marks, axis=0), sought.strip[clear]
    times = of_marks.prod(axis=1) / blur.prod()
    for strip in np.unique(strips).tolist():
        own = strips == strip
        least = times[own].min()
        by_chance = (np.sum(times[~own] >= least) + 1) / (np.sum(~own) + 1)
        if own.sum() > 1 and least > SOFT**2 and by_chance ** own.sum() * len(sweeps) < MOST_CHANCE:
            soft[strip] = np.sqrt(np.maximum(np.median(of_marks[own], axis=0) ** 2 - blur**2, 0.0))
    return replace(shape, blur_x_mm=float(blur[0]), blur_y_mm=float(blur[1])), soft


def measure(
    read: Sequence[ReadWindow],
    sweeps: Sequence[StripSweep],
    sought: Sought,
    shape: CrossShape,
    priors: FitPriors,
    threads: int,
) -> list[MarkFit | None]:
    """Fit each sought mark in its window; None for those without enough signal."""
    flat, curve = _slopes(sweeps, sought.strip, np.column_stack([sought.line, sought.sample]), shape)

    def fit(i: int) -> MarkFit | None:
        k, place = int(sought.strip[i]), (float(sought.line[i]), float(sought.sample[i]))
        window = _window(read[k], sweeps[k], place, _half_window(sweeps[k], shape), flat[i], curve[i])
        return None if window is None else fit_mark(window, shape, priors)

    return shared_out(fit, range(len(sought.strip)), threads)


def _window(
    read: ReadWindow, sweep: StripSweep, place: tuple[float, float], half: int, flat: Array, curve: Array
) -> MarkWindow | None:
    """The square window of half width `half` px around a place; None if all of it lies outside the strip.

    Samples beyond the strip and bad ones have value 0 and infinite sigma.
    """
    at_l, at_s = round(place[0]), round(place[1])
    low, high = max(at_l - half, 0), min(at_l + half + 1, sweep.n_lines)
    left, right = max(at_s - half, 0), min(at_s + half + 1, sweep.n_samples)
    if high <= low or right <= left:
        return None
    values, sigma = np.zeros((2 * half + 1,) * 2), np.full((2 * half + 1,) * 2, np.inf)
    some_values, some_sigma = read(low, high, slice(left, right))
    there = (slice(low - at_l + half, high - at_l + half), slice(left - at_s + half, right - at_s + half))
    values[there], sigma[there] = some_values, some_sigma
    sigma[~np.isfinite(values) | ~(sigma > 0)] = np.inf
    values[~np.isfinite(sigma)] = 0.0
    return MarkWindow(at_l, at_s, values, sigma, flat, curve, (place[0] - at_l, place[1] - at_s))


def _slopes(
    sweeps: Sequence[StripSweep], strips: NDArray[np.int64], places: Array, shape: CrossShape
) -> tuple[Array, Array]:
    """Slopes (N, 2, 2) of film (x, y) by (line, sample), mm/px, and quadratic terms (N, 2, 2), mm/px^2, of the sweeps
    over the windows at places (N, 2) in strips (N,): of parabolas through three entries of each table."""
    flat, curve = np.empty((len(places), 2, 2)), np.empty((len(places), 2, 2))
    for k in np.unique(strips).tolist():
        sweep, mine = sweeps[k], np.flatnonzero(strips == k)
        tables = ((sweep.x_line_mm, sweep.x_sample_mm), (sweep.y_line_mm, sweep.y_sample_mm))
        half = _half_window(sweep, shape)
        for j, at in enumerate(np.rint(places[mine]).astype(np.int64).T):
            for i in (0, 1):
                table = tables[i][j]
                middle = np.clip(at, 1, table.size - 2)
                reach = np.clip(np.minimum(middle, table.size - 1 - middle), 1, half)
                low, here, high = table[middle - reach], table[middle], table[middle + reach]
                curve[mine, i, j] = (high - 2 * here + low) / (2 * reach**2)
                flat[mine, i, j] = (high - low) / (2 * reach) + 2 * curve[mine, i, j] * (at - middle)
    return flat, curve


def under_other_sweeps(
    fits: Sequence[MarkFit | None], strips: NDArray[np.int64], sweeps: Sequence[StripSweep], shape: CrossShape
) -> list[MarkFit | None]:
    """The fits of marks in `strips` (N,) as they would be with other sweeps, whose curvature over the windows differs.

    None where there is no fit, or where the change is too large to be linear: these must be measured again.
    """
    there = [i for i, fit in enumerate(fits) if fit is not None]
    some = [fit for fit in fits if fit is not None]
    place = np.array([fit.place for fit in some]).reshape(-1, 2)
    flat, curve = _slopes(sweeps, strips[there], place, shape)
    change = curve - np.array([fit.curve for fit in some]).reshape(-1, 2, 2)
    place += np.einsum("nijk,njk->ni", np.array([fit.place_per_curve for fit in some]).reshape(-1, 2, 2, 2), change)
    steps = np.abs(np.column_stack([flat[:, 1, 0], flat[:, 0, 1]]))
    bent_px = np.max(np.abs(change).max(axis=1) * (shape.arm_mm / steps) ** 2 / steps, axis=1)
    bent: list[MarkFit | None] = [None] * len(fits)
    for n in np.flatnonzero(bent_px <= BENT_PX).tolist():
        bent[there[n]] = replace(some[n], place=place[n], curve=curve[n])
    return bent


def _half_window(sweep: StripSweep, shape: CrossShape) -> int:
    """Half width of a mark's window, px."""
    across_mm, along_mm = sweep.x_sample_mm[-1] - sweep.x_sample_mm[0], abs(sweep.y_line_mm[-1] - sweep.y_line_mm[0])
    return math.ceil(shape.arm_mm / min(across_mm / sweep.n_samples, along_mm / sweep.n_lines)) + MARGIN_PX


def mixing(fits: Sequence[MarkFit | None], used: NDArray[np.bool_]) -> float:
    """The power of light that a sample averages, from the bends of the used marks; their windows hold density."""
    some = [fit for fit, use in zip(fits, used, strict=True) if use and fit is not None]
    columns = np.array([(fit.rise, fit.bend, fit.bend_sigma) for fit in some]).reshape(-1, 3)
    return mixing_exponent(*columns.T)
