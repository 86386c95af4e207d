"""Measure the reseau's marks in all strips, say why the bad ones are bad, and turn the good ones into evidence."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.frame.frame import Frame
from calib.median import MIDDLE_SIZE
from calib.ordered import shared_out
from calib.sweep.cross import CrossShape
from calib.sweep.edgefit import mixing_exponent
from calib.sweep.evidence import ARM, MARK, Observations
from calib.sweep.markfigures import GONE, likeness_of
from calib.sweep.markfit import FitPriors, MarkFit, MarkWindow, fit_mark
from calib.sweep.model import StripSweep
from calib.sweep.nominal import Nominal
from calib.sweep.tables import BAD_RESIDUAL, CUT, GOOD, NOT_SEEN, ODD_STROKE, OUTSIDE, MarkTable, ReadWindow

FIRST_BLUR_PX = 0.8
BLUR_MARKS = 24  # at most this many marks, the strongest, tell the blur
LEAST_CONTRAST = 7.0  # of the strokes over its 1-sigma
LEAST_PARTS = 4  # half arms seen, of 8
MOST_MISFIT = 0.25  # rms left by the model in parts of the strokes' contrast, where chi-square is bad as well
UNUSUAL = 2.0  # but no misfit is bad that is less than this many times the middle one: a rough scene spoils all
MOST_CHI2 = 4.0
LEAST_LIKE = 2.0  # log of how much likelier its half arms are a cross's than just anything's
ODD_CHANCE = 1e-5  # that a good mark's strokes look odd
ALIKE = 4.0  # values of a strip's own that the frame's scatter counts for
MAD_TELLS, MEDIAN_VARIANCE = 0.37, np.pi / 2  # what a median tells of a normal scatter, and its variance; to the mean's
BENT_PX = 0.3  # bends of a mark's arms against its centre up to here move the place in proportion, to a fifth of sigma
MARGIN_PX = 10
MOST_REACH_PX = 1.0  # 1-sigma of an arm's end that still counts
FEWEST_ENDS = 8  # marks whose two arms tell how far their ends scatter
LEAST_INSIDE_PX = 2.0  # a stroke that the strip's edge cuts lengthwise says neither where it is nor how it is turned


@dataclass(frozen=True, slots=True, eq=False)
class Sought:
    """Marks to look for, (N,) each: strip, index of the mark, and the place (line, sample) to start from."""

    strip: NDArray[np.int64]
    mark: NDArray[np.int64]
    line: Array
    sample: Array

    def select(self, keep: NDArray[np.bool_]) -> "Sought":
        """The rows where `keep` is true."""
        return Sought(self.strip[keep], self.mark[keep], self.line[keep], self.sample[keep])


def estimate_blur(
    read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], sought: Sought, shape: CrossShape, threads: int
) -> CrossShape:
    """The shape with the spot's rms radius that the given marks show: the median over those that fit well."""
    fits = measure(read, sweeps, sought, shape, FitPriors(place_px=4.0, tilt=0.02, blur=0.5, iterations=12), threads)
    good = [f for f in fits if f is not None and f.contrast > 5 * LEAST_CONTRAST and np.all(f.parts > 0.6)]
    if not good:
        return shape
    blur = np.median([f.blur_mm for f in good], axis=0)
    return replace(shape, blur_x_mm=float(blur[0]), blur_y_mm=float(blur[1]))


def measure(
    read: Sequence[ReadWindow],
    sweeps: Sequence[StripSweep],
    sought: Sought,
    shape: CrossShape,
    priors: FitPriors,
    threads: int,
) -> list[MarkFit | None]:
    """Fit each sought mark in its window; None where the window carries too little signal."""

    flat, curve = _slopes(sweeps, sought.strip, np.column_stack([sought.line, sought.sample]), shape)

    def fit(i: int) -> MarkFit | None:
        k, place = int(sought.strip[i]), (float(sought.line[i]), float(sought.sample[i]))
        window = _window(read[k], sweeps[k], place, _half_window(sweeps[k], shape), flat[i], curve[i])
        return None if window is None else fit_mark(window, shape, priors)

    return shared_out(fit, range(len(sought.strip)), threads)


def _window(
    read: ReadWindow, sweep: StripSweep, place: tuple[float, float], half: int, flat: Array, curve: Array
) -> MarkWindow | None:
    """The square window around a place, padded with samples without signal beyond the strip; None if outside it."""
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
    """Film (x, y) mm per (line, sample) px, (N, 2, 2), and per px^2, of the parabolas through the tables over the
    windows of marks at places (N, 2) in some strips."""
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


def as_bent(
    fits: Sequence[MarkFit | None], strips: NDArray[np.int64], sweeps: Sequence[StripSweep], shape: CrossShape
) -> list[MarkFit | None]:
    """Fits of marks in some strips as they would be with other sweeps, which bend the marks' arms otherwise; None where
    there is no fit, or one bent by so much that it must be made again."""
    there = [i for i, fit in enumerate(fits) if fit is not None]
    some = [fit for fit in fits if fit is not None]
    place = np.array([fit.place for fit in some]).reshape(-1, 2)
    flat, curve = _slopes(sweeps, strips[there], place, shape)
    change = curve - np.array([fit.curve for fit in some]).reshape(-1, 2, 2)
    place += np.einsum("nijk,njk->ni", np.array([fit.yields for fit in some]).reshape(-1, 2, 2, 2), change)
    steps = np.abs(np.column_stack([flat[:, 1, 0], flat[:, 0, 1]]))
    bent_px = np.max(np.abs(change).max(axis=1) * (shape.arm_mm / steps) ** 2 / steps, axis=1)
    bent: list[MarkFit | None] = [None] * len(fits)
    for n in np.flatnonzero(bent_px <= BENT_PX).tolist():
        bent[there[n]] = replace(some[n], place=place[n], curve=curve[n])
    return bent


def with_bends(
    table: MarkTable, fits: Sequence[MarkFit | None], sweeps: Sequence[StripSweep], shape: CrossShape
) -> MarkTable:
    """The table of the given fits with the places that these sweeps give them."""
    line, sample = table.line.copy(), table.sample.copy()
    for i, fit in enumerate(as_bent(fits, table.strip, sweeps, shape)):
        if fit is not None:
            line[i], sample[i] = fit.place
    return table.with_columns(line=line, sample=sample)


def _half_window(sweep: StripSweep, shape: CrossShape) -> int:
    """Half the side of a mark's window, px."""
    across_mm, along_mm = sweep.x_sample_mm[-1] - sweep.x_sample_mm[0], abs(sweep.y_line_mm[-1] - sweep.y_line_mm[0])
    return math.ceil(shape.arm_mm / min(across_mm / sweep.n_samples, along_mm / sweep.n_lines)) + MARGIN_PX


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


def mixing(fits: Sequence[MarkFit | None], used: NDArray[np.bool_]) -> float:
    """The power of the light that half covered samples average, as the used marks show it (windows of density)."""
    some = [fit for fit, use in zip(fits, used, strict=True) if use and fit is not None]
    columns = np.array([(fit.rise, fit.bend, fit.bend_sigma) for fit in some]).reshape(-1, 3)
    return mixing_exponent(*columns.T)


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
        if mine.sum() >= 4:
            deviation[mine] = table.stroke_value[mine] - np.median(table.stroke_value[mine])
            own2[mine], number[mine] = _scatter(deviation[mine]) ** 2, mine.sum()
    known = np.isfinite(deviation)
    if known.sum() < 8:
        return table
    told = MAD_TELLS * (number - 1)
    scatter2 = (ALIKE * _scatter(deviation[known]) ** 2 + told * own2) / (ALIKE + told)
    sigma = np.hypot(np.sqrt(scatter2 * (1 + MEDIAN_VARIANCE / number)), table.stroke_sigma)
    limit = stdtrit(ALIKE + told, 1 - ODD_CHANCE / 2)
    return reject(table, known & (np.abs(np.where(known, deviation, 0)) > limit * sigma), ODD_STROKE)


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


def shared_places(table: MarkTable, n_strips: int, sigma_mm: float) -> tuple[tuple[int, ...], ...]:
    """Marks used in strip k and in strip k + 1, by k: those whose stated-position error counts twice."""
    seen: list[set[int]] = [set(table.mark[table.used & (table.strip == k)].tolist()) for k in range(n_strips)]
    if sigma_mm <= 0:
        return tuple(() for _ in range(n_strips))
    after: list[set[int]] = [*seen[1:], set()]
    taken: set[int] = set()
    places = []
    for here, there in zip(seen, after, strict=True):
        mine = tuple(sorted((here & there) - taken))
        taken |= set(mine)
        places.append(mine)
    return tuple(places)


def observations(
    table: MarkTable, frame: Frame, nominal: Nominal, places: Sequence[tuple[int, ...]], place_sigma_mm: float
) -> tuple[Observations, NDArray[np.int64]]:
    """The used marks as evidence, and their rows in the table.

    `place_sigma_mm` of the stated places is added where it is not an unknown of its own (`places`).
    """
    rows = np.flatnonzero(table.used)
    strip, mark, line, sample = table.strip[rows], table.mark[rows], table.line[rows], table.sample[rows]
    stated = FilmPoints(frame.marks.x_mm[mark], frame.marks.y_mm[mark])
    own = {(k + step, m) for k, marks in enumerate(places) for m in marks for step in (0, 1)}
    is_own = np.array([place in own for place in zip(strip.tolist(), mark.tolist(), strict=True)], bool)
    value, cov = np.empty((rows.size, 2)), np.zeros((rows.size, 2, 2))
    cov[:, 0, 0], cov[:, 1, 1] = table.var_sample[rows], table.var_line[rows]
    for k in np.unique(strip):
        mine = strip == k
        film = FilmPoints(stated.x_mm[mine], stated.y_mm[mine])
        value[mine] = nominal.departure_px(int(k), ScanPoints(line[mine], sample[mine]), film)
        cov[mine, 0, 1] = cov[mine, 1, 0] = nominal.line_sign(int(k)) * table.cov[rows][mine]
    cov[~is_own] += np.diag((place_sigma_mm / nominal.px_mm) ** 2)
    zero = np.zeros(rows.size)
    return Observations(
        kind=np.full(rows.size, MARK), a=strip, line_a=line, sample_a=sample,
        line_b=zero, sample_b=zero, value=value, information=np.asarray(np.linalg.inv(cov), np.float64),
        mark=np.where(is_own, mark, -1),
    ), rows  # fmt: skip


def arm_observations(fits: Sequence[MarkFit | None], table: MarkTable, nominal: Nominal, arm_mm: float) -> Observations:
    """What the ends of the used marks' arms along x say of the sweep between them and the marks' middles.

    Where all marks stand at the same few samples of their strips, nothing else tells how the sweep bends between them.
    """
    parts = []
    for i in np.flatnonzero(table.used).tolist():
        fit = fits[i]
        for side, sign in ((0, 1.0), (1, -1.0)):
            if fit is not None and fit.parts[1 + 2 * side] > GONE and fit.reach_sigma[side] < MOST_REACH_PX:
                there = table.sample[i] + sign * fit.reach_px[side]
                ends = sorted((float(table.sample[i]), float(there)))
                parts.append((i, *ends, arm_mm / nominal.px_mm[0] - fit.reach_px[side], fit.reach_sigma[side]))
    told = np.array(parts).reshape(-1, 5)
    which, zero = told[:, 0].astype(np.int64), np.zeros(len(told))
    value, information = np.zeros((len(told), 2)), np.zeros((len(told), 2, 2))
    value[:, 0], information[:, 0, 0] = told[:, 3], 1 / (told[:, 4] ** 2 * _unlike(told))
    return Observations(
        kind=np.full(len(told), ARM), a=table.strip[which], line_a=table.line[which], sample_a=told[:, 1],
        line_b=zero, sample_b=told[:, 2], value=value, information=information, mark=np.full(len(told), -1),
    )  # fmt: skip


def _unlike(told: Array) -> float:
    """Factor (1 or more) on the variances of arms' ends that the two of one mark call for; rows as gathered above.

    Whatever the sweep's pace, a mark's arms are alike but for its bend, which marks at neighbouring samples have in
    common, whatever their strips. How far a rough scene leads an end astray its window tells badly, by a few samples.
    """
    first = np.flatnonzero(told[1:, 0] == told[:-1, 0])
    if first.size < FEWEST_ENDS:
        return 1.0
    first = first[np.argsort(told[first, 2], kind="stable")]
    unlike, variance = told[first, 3] - told[first + 1, 3], told[first, 4] ** 2 + told[first + 1, 4] ** 2
    squared = np.diff(unlike) ** 2 / (variance[1:] + variance[:-1])
    most = (3 / MIDDLE_SIZE) ** 2 * np.median(squared)  # three sigma: the fit weighs down what lies farther out
    return max(1.0, float(np.minimum(squared, most).mean()))


def with_residuals(table: MarkTable, frame: Frame, nominal: Nominal, sweeps: Sequence[StripSweep]) -> MarkTable:
    """The table with film place less stated place, by the fitted and by the nominal sweeps."""
    stated = FilmPoints(frame.marks.x_mm[table.mark], frame.marks.y_mm[table.mark])
    after, first = np.full((len(table), 2), np.nan), np.full((len(table), 2), np.nan)
    base = Nominal(tuple(sweeps), np.ones(2))
    plain = Nominal(nominal.sweeps, np.ones(2))
    for k in np.unique(table.strip):
        mine = table.strip == k
        points = ScanPoints(table.line[mine], table.sample[mine])
        film = FilmPoints(stated.x_mm[mine], stated.y_mm[mine])
        after[mine] = -base.departure_px(int(k), points, film)
        first[mine] = -plain.departure_px(int(k), points, film)
    return table.with_columns(
        residual_x_mm=after[:, 0], residual_y_mm=after[:, 1],
        first_residual_x_mm=first[:, 0], first_residual_y_mm=first[:, 1],
    )  # fmt: skip
