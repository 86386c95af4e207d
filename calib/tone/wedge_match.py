"""Laying a wedge's pattern on a strip's profile: the shift and stretch at which all of it fits at once.

A wedge of equal steps taken one patch too far fits itself almost as well, so the whole pattern is matched: each patch
must be of one DN, and so must all unexposed film above, below and between - the gap between wedge and picture with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.frame.wedge_columns import covers
from calib.sweep.model import StripSweep
from calib.tone.known_film import KnownFilm
from calib.tone.wedge_misfit import COLUMN_GROUPS, wedge_misfits
from calib.tone.wedge_profile import Profile

MARGIN_LINES, LEAST_MARGIN, MARGIN_SHARE = 2.5, 1.5, 0.25  # lines kept clear of a step; this part of a low patch
SLOPES = (-0.012, 0.0, 0.012)  # stretches of the sweep tried in the search
STEEP = tuple(0.012 * np.arange(-5, 6))  # those where none of these does: far from marks a first look's sweep is bent
POOR = 0.5  # cost by point of the patches beyond which no placing does: the noise alone makes an eighth
VETO = 1e5  # cost of a placing that contradicts the order of the patches or the sameness of unexposed film
FOG_TOLERANCE = 0.15  # of the wedge's range: unexposed film on both sides of a wedge differs by no more, ...
FOG_DRIFT = 0.4  # ... or where nothing else bears the pattern out, by no more than this
LEAST_CONTRAST = 6.0  # times the profile's noise, between the lightest and the darkest of a wedge and fog
TYPICAL_EXPONENT, LEAST_CORRELATION = 0.7, 0.8
SPARED = 25.0  # cost of a placing at which one patch is something else: what the sweep's own doubt costs at most,
FEWEST_SPARED = 3  # where so many are in view
FEWEST_LABELLED = 0.5  # of the patches' lines must be in the strip
OUT_OF_VIEW_MM = 1e9  # film y that no strip reaches


@dataclass(frozen=True, slots=True)
class Match:
    """Where the pattern fits best, ``y = sweep y + shift_mm + slope * (sweep y - middle_mm)``, and the part of the
    patches' lines that is in the strip there.
    """

    shift_mm: float
    slope: float
    share: float

    @property
    def in_view(self) -> bool:
        """Whether enough of the wedge is in the strip."""
        return self.share >= FEWEST_LABELLED


def match_pattern(
    profile: Profile, known: KnownFilm, group: int, line_mm: float, sweep: StripSweep, middle_mm: float
) -> Match:
    """The shift and stretch at which the pattern of a group of patches fits best; `middle_mm` is the group's."""
    tolerance_mm = known.tolerance_mm
    beside = np.abs(sweep.y_line_mm - middle_mm) < tolerance_mm
    prior = max(2.0 * float(np.median(sweep.sigma_y_mm[beside])) if beside.any() else tolerance_mm, 2.0 * line_mm)
    pattern = _pattern(known, group, margin_lines(known, group, line_mm) * line_mm)
    whole = 1.15 * tolerance_mm + 2 * line_mm
    order = np.argsort(profile.y_mm, kind="stable")
    profile = Profile(profile.x_mm[order], profile.y_mm[order], profile.dn[order], profile.noise)
    close = min(4.0 * prior + 3 * line_mm, whole)
    height = float(np.ptp(known.patch_y_mm[known.group == group], axis=1).min())
    # laid a patch too far, a pattern shows unexposed film for its last patch, as if that one were missing
    near = (min(close, height / 2), SPARED) if close < height else (close, VETO)
    found = []
    # a sweep that claims to know is believed where the pattern bears it out, if need be but for one patch; ...
    for reach, price in (near, (whole, VETO)):
        for apart in (FOG_TOLERANCE, FOG_DRIFT):  # rather gain that drifts far than what contradicts itself
            best, cost = _search(profile, pattern, middle_mm, reach, prior, line_mm, apart, price)
            if cost < VETO and best.in_view:
                return best
            found.append(best)
    return next((best for best in found if best.in_view), found[0])  # ... and where it does not so anywhere


def _search(
    profile: Profile,
    pattern: _Pattern,
    middle_mm: float,
    reach: float,
    prior: float,
    line_mm: float,
    apart: float,
    price: float,
) -> tuple[Match, float]:
    """The best match of shifts within a reach, and its cost: coarsely, then to half a line.

    Unexposed film on both sides may be `apart` by that part of the wedge's range, and one patch may be anything at a
    `price`.
    """
    steps = int(np.ceil(reach / (1.5 * line_mm)))
    best, best_cost = Match(0.0, 0.0, 0.0), np.inf
    coarse, fine = 1.5 * line_mm * np.arange(-steps, steps + 1), np.arange(-3, 4) * 0.5 * line_mm
    good = POOR * float((pattern.y_mm[pattern.is_patch] @ [-1.0, 1.0]).sum()) * COLUMN_GROUPS / line_mm
    for shifts, slopes in ((coarse, SLOPES), (fine, SLOPES), (coarse, STEEP), (fine, STEEP)):
        if slopes is STEEP and best_cost < good:
            break
        about = best.shift_mm if shifts is fine else 0.0
        shift, slope = np.repeat(about + shifts, len(slopes)), np.tile(slopes, len(shifts))
        cost, share, level = _misfit(profile, pattern, shift, slope, middle_mm, line_mm)
        cost += 0.5 * np.minimum((shift / prior) ** 2, 50.0) + (slope / 0.01) ** 2
        for index in np.argsort(cost, kind="stable"):
            if cost[index] >= best_cost:  # contradictions only add to it
                break
            total = float(cost[index]) + _cost_of_contradictions(level[index], pattern, profile.noise, apart, price)
            if total < best_cost:
                best, best_cost = Match(float(shift[index]), float(slope[index]), float(share[index])), total
    return best, best_cost


def margin_lines(known: KnownFilm, group: int, line_mm: float) -> float:
    """Lines kept clear of the steps of a group's patches, fewer where the patches are low."""
    height = float(np.ptp(known.patch_y_mm[known.group == group], axis=1).min()) / line_mm
    return float(np.clip(MARGIN_SHARE * height, LEAST_MARGIN, MARGIN_LINES))


@dataclass(frozen=True, slots=True, eq=False)
class _Pattern:
    """Stretches of film y of one density: rows (first, last) in `y_mm`, the density, and whether it is a patch."""

    y_mm: Array
    density: Array
    is_patch: NDArray[np.bool_]


def _pattern(known: KnownFilm, group: int, margin_mm: float) -> _Pattern:
    """The patches of a group and the unexposed film above and below them, each kept clear of its edges.

    A side on which the picture begins at once, as it does beside a wedge within the format, has no unexposed film.
    """
    whole = covers(known.patch_across_mm, *known.group_columns_mm(group))
    chosen = np.flatnonzero((known.group == group) & whole)  # the others are not under all columns of the profile
    rows = [(top + margin_mm, bottom - margin_mm) for top, bottom in known.patch_y_mm[chosen]]
    half = known.half_format_mm[1]
    taken = [(-half, half)] + [known.group_span_mm(other) for other in range(int(known.group.max()) + 1)]
    top, bottom = known.group_span_mm(group)
    above = max([last for _, last in taken if last <= top + margin_mm], default=-np.inf)
    below = min([first for first, _ in taken if first >= bottom - margin_mm], default=OUT_OF_VIEW_MM)
    nothing = (OUT_OF_VIEW_MM, OUT_OF_VIEW_MM)
    rows.append(nothing if -half < top < half - margin_mm else (above + margin_mm, top - margin_mm))
    rows.append(nothing if margin_mm - half < bottom < half else (bottom + margin_mm, below - margin_mm))
    density = np.concatenate([known.patch_density[chosen], [known.fog_guess] * 2])
    return _Pattern(np.array(rows), density, np.arange(len(rows)) < len(chosen))


def _misfit(
    profile: Profile, pattern: _Pattern, shift_mm: Array, slope: Array, middle_mm: float, line_mm: float
) -> tuple[Array, Array, Array]:
    """Robust misfits (M,) of all points of a profile sorted by y that placings without skew put on known film.

    With them the shares of the patches in view, and the DN (M, stretches) of each stretch of the pattern.
    """
    room = np.maximum(pattern.y_mm[:, 1] - pattern.y_mm[:, 0], line_mm) * COLUMN_GROUPS / line_mm
    by_sweep = (pattern.y_mm - (shift_mm - slope * middle_mm)[:, None, None]) / (1.0 + slope)[:, None, None]
    span = np.searchsorted(profile.y_mm, by_sweep)
    level = np.full(span.shape[:2], np.nan)
    cost, seen = wedge_misfits(profile.dn, span, room, pattern.is_patch, profile.noise, level)
    return cost, seen / room[pattern.is_patch].sum(), level


def _contradictions(level: Array, pattern: _Pattern, noise: float, apart: float) -> int:
    """How often the DN of patches and of unexposed film, above and below, break the order of their densities.

    Unexposed film has about the density of the characteristic curve's first knot; its steps may break the order, or
    differ between above and below, by a part `apart` of the wedge's range: the readout's drift and banding are in them.
    The patches of a group may be alike, all deep, so unexposed film counts in that range.
    Patches of unknown density have no place in the order.
    """
    level = np.where(np.isfinite(pattern.density), level, np.nan)
    seen = np.isfinite(level)
    if (pattern.is_patch & seen).sum() < 2:
        return 0
    tolerance = apart * np.ptp(level[seen]) + 6 * noise
    order = np.lexsort((level, pattern.density))
    order = order[np.isfinite(level[order])]
    steps = np.diff(level[order])
    slack = np.where(pattern.is_patch[order], 3 * noise, tolerance)
    slack = np.maximum(slack[1:], slack[:-1])
    parted = abs(level[-1] - level[-2]) > tolerance  # false where either is not in view
    order_broken = min((steps < -slack).sum(), (steps > slack).sum())
    return int(order_broken) + int(parted) + int(_is_no_wedge(level, pattern, noise))


def _cost_of_contradictions(level: Array, pattern: _Pattern, noise: float, apart: float, price: float) -> float:
    """What they add to a placing's cost: a veto each, or a price for the patch that makes them: it may be missing."""
    cost = VETO * _contradictions(level, pattern, noise, apart)
    seen = np.flatnonzero(pattern.is_patch & np.isfinite(level) & np.isfinite(pattern.density))
    if cost <= price or seen.size < FEWEST_SPARED:
        return cost
    without = np.where(np.arange(level.size) == seen[:, None], np.nan, level)
    return min(cost, price + VETO * min(_contradictions(each, pattern, noise, apart) for each in without))


def _is_no_wedge(level: Array, pattern: _Pattern, noise: float) -> bool:
    """Whether DN do not go with the light through the densities at all: the wedge laid on even film, or on the picture.

    A video chain bends light by an exponent of a half to one; with one between, a real wedge correlates well.
    """
    seen = np.isfinite(level)
    if np.ptp(level[seen]) < LEAST_CONTRAST * noise:
        return True
    light = 10.0 ** (-TYPICAL_EXPONENT * pattern.density[seen])
    return bool(np.ptp(light) > 0 and abs(np.corrcoef(light, level[seen])[0, 1]) < LEAST_CORRELATION)
