"""The sweeps of all strips: a first look that needs no tone, and the refinement once densities are known."""

from collections.abc import Sequence

import numpy as np

from calib.coordinates import Array, FilmPoints
from calib.frame.frame import Frame
from calib.sweep import marks as marking
from calib.sweep.adjust import Adjustment, Observations, adjust, squared_residuals
from calib.sweep.candidates import CrossPixels, find_candidates
from calib.sweep.constellation import Constellation, find_constellation, make_pairs
from calib.sweep.cross import CrossShape
from calib.sweep.layout import GROUPS, make_layout
from calib.sweep.markfit import FitPriors
from calib.sweep.model import StripSweep, to_scan
from calib.sweep.nominal import Nominal, fitted_sweeps, make_nominal, marks_in_reach
from calib.sweep.tables import DISAGREES, FirstLook, MarkTable, ReadWindow

# Starting prior variances (px^2) of the groups; the data move them.
START = {"common": 1e4, "S": 4.0, "Y": 0.04, "a": 100.0, "b": 400.0, "slope_x": 4.0, "slope_y": 4.0, "Wx": 0.25,
         "Wy": 4.0, "Sk_line": 0.04, "Sk": 0.01, "shear": 1.0, "place_x": 1e-8, "place_y": 1e-8}  # fmt: skip
FREE = ("S", "Y", "a", "b", "slope_x", "slope_y", "Wx", "Wy", "Sk_line", "Sk", "shear")
DISAGREES_AT = 28.0  # squared residual over its variance: 1e-6 of good marks lie beyond
LEAST_STRENGTH = 1.5  # marks' worth of weight in a strip's constellation before it counts as placed


def first_look(frame: Frame, read: Sequence[ReadWindow]) -> FirstLook:
    """Place every strip from its reseau marks, in whatever units `read` gives."""
    nominal = make_nominal(frame)
    found = _constellation(frame, nominal, read)
    coarse = fitted_sweeps(nominal, found.fit)
    sought = _sought(frame, coarse, found)
    shape = _first_shape(frame)
    shape = marking.estimate_blur(read, coarse, _strongest(sought, found), shape)
    priors = FitPriors(place_px=4.0, tilt=0.01, blur=1e-3, iterations=10)
    table = marking.mark_table(sought, marking.measure(read, coarse, sought, shape, priors), coarse)
    table, fit = fit_marks(frame, nominal, marking.flag_odd_strokes(table))
    sweeps = fitted_sweeps(nominal, fit)
    return FirstLook(sweeps, _placing_warnings(frame, table))


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


def fit_marks(frame: Frame, nominal: Nominal, table: MarkTable) -> tuple[MarkTable, Adjustment]:
    """Fit the sweeps to the marks alone, leaving out those that disagree, the worst first."""
    variances = start_variances(frame, nominal)
    for _ in range(6):
        places = marking.shared_places(table, len(frame.strips), frame.film.reseau.sigma_mm or 0.0)
        layout = make_layout(frame.strips, places)
        observations, rows = marking.observations(table, frame, nominal, places)
        fit = adjust(layout, observations, variances, FREE)
        bad = _disagreeing(observations, fit)
        if not bad.any():
            break
        which = np.zeros(len(table), bool)
        which[rows[bad]] = True
        table = marking.reject(table, which, DISAGREES)
    return table, fit


def _disagreeing(observations: Observations, fit: Adjustment) -> Array:
    """Marks far from where the others put them; of several in one strip only the worst, and those nearly as bad."""
    squared = squared_residuals(observations, fit)
    worst = np.zeros(len(fit.layout.strips))
    np.maximum.at(worst, observations.a, squared)
    return (squared > DISAGREES_AT) & (squared > 0.5 * worst[observations.a])


def _constellation(frame: Frame, nominal: Nominal, read: Sequence[ReadWindow]) -> Constellation:
    """Find cross-like places in every strip and which of them are marks."""
    reseau, scan = frame.film.reseau, frame.scan
    cross = CrossPixels(
        arm_line=round(reseau.arm_mm / scan.line_mm), arm_sample=round(reseau.arm_mm / scan.sample_mm),
        width_line=max(1, round(reseau.width_mm / scan.line_mm)),
        width_sample=max(1, round(reseau.width_mm / scan.sample_mm)),
    )  # fmt: skip
    candidates = [find_candidates(r, s.n_lines, cross) for r, s in zip(read, frame.strips, strict=True)]
    layout = make_layout(frame.strips, [()] * len(frame.strips))
    pairs = make_pairs(frame, nominal, candidates)
    return find_constellation(layout, pairs, float((scan.tolerance_mm / nominal.px_mm).max()))


def _first_shape(frame: Frame) -> CrossShape:
    """The cross with a guess at the spot."""
    blur = marking.FIRST_BLUR_PX * np.array([frame.scan.sample_mm, frame.scan.line_mm])
    return CrossShape(frame.film.reseau.arm_mm, frame.film.reseau.width_mm, float(blur[0]), float(blur[1]))


def _sought(frame: Frame, sweeps: Sequence[StripSweep], found: Constellation) -> marking.Sought:
    """Every mark that should lie in a placed strip, starting from its candidate if it has one."""
    rows = []
    pairs = found.pairs
    best = {}
    for i in np.argsort(found.weight, kind="stable"):
        if found.weight[i] > 0.5:
            best[int(pairs.strip[i]), int(pairs.mark[i])] = (pairs.line[i], pairs.sample[i])
    for k, sweep in enumerate(sweeps):
        if found.strength[k] < LEAST_STRENGTH:
            continue
        marks = marks_in_reach(sweep, frame.marks, 0.1)
        at = to_scan(sweep, FilmPoints(frame.marks.x_mm[marks], frame.marks.y_mm[marks]))
        for m, line, sample in zip(marks.tolist(), at.line, at.sample, strict=True):
            if -2 < line < sweep.n_lines + 1 and -2 < sample < sweep.n_samples + 1:
                rows.append((k, m, *best.get((k, m), (line, sample))))
    table = np.array(rows, float).reshape(-1, 4)
    return marking.Sought(table[:, 0].astype(np.int64), table[:, 1].astype(np.int64), table[:, 2], table[:, 3])


def _strongest(sought: marking.Sought, found: Constellation) -> marking.Sought:
    """The marks with the best candidates, a limited number of them."""
    score = {}
    pairs = found.pairs
    for k, m, value in zip(pairs.strip.tolist(), pairs.mark.tolist(), found.weight * pairs.score, strict=True):
        score[k, m] = max(value, score.get((k, m), 0.0))
    mine = [-score.get((k, m), 0.0) for k, m in zip(sought.strip.tolist(), sought.mark.tolist(), strict=True)]
    keep = np.zeros(len(mine), bool)
    keep[np.argsort(mine, kind="stable")[: marking.BLUR_MARKS]] = True
    return sought.select(keep)


def _placing_warnings(frame: Frame, table: MarkTable) -> tuple[str, ...]:
    """A line for each strip with too few marks."""
    warnings = []
    for strip in frame.strips:
        count = int(np.sum(table.used & (table.strip == strip.index)))
        if count == 0:
            warnings.append(f"strip {strip.index}: no usable reseau mark; placed by its neighbours")
        elif count < 4:
            warnings.append(f"strip {strip.index}: only {count} usable reseau marks; placed with its neighbours' help")
    return tuple(warnings)
