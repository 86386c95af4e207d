"""Finding the step wedge in a strip: how far it lies, along y, from where the sweep puts it.

A wedge of equal steps taken one patch too far fits itself almost as well, so the whole pattern is matched at once: each
patch must be of one DN, and so must all unexposed film above, below and between - the gap between wedge and picture
with it. The step edges then give the place to a fraction of a line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.median import TO_SIGMA
from calib.sweep.model import StripSweep
from calib.tone.known_film import KnownFilm
from calib.tone.wedge_misfit import COLUMN_GROUPS, nearest_line, row_medians, wedge_edges, wedge_misfits

EDGE_SAMPLES = 4.0  # kept clear of a wedge's side edges, in samples
MARGIN_LINES, LEAST_MARGIN, MARGIN_SHARE = 2.5, 1.5, 0.25  # lines kept clear of a step; this part of a low patch
SLOPES = (-0.012, 0.0, 0.012)  # stretches of the sweep tried in the search
VETO = 1e5  # cost of a placing that contradicts the order of the patches or the sameness of unexposed film
FOG_TOLERANCE = 0.15  # of the wedge's range: unexposed film on both sides of a wedge differs by no more, ...
FOG_DRIFT = 0.4  # ... or where nothing else bears the pattern out, by no more than this
LEAST_CONTRAST = 6.0  # times the profile's noise, between the lightest and the darkest of a wedge and fog
TYPICAL_EXPONENT, LEAST_CORRELATION = 0.7, 0.8
FEWEST_LABELLED = 0.5  # of the patches' lines must be in the strip
OUT_OF_VIEW_MM = 1e9  # film y that no strip reaches
STEP_OVER_NOISE = 5.0  # an edge is measured where its step is so many times the profile's noise


@dataclass(frozen=True, slots=True, eq=False)
class WedgePlace:
    """Film y of a group of patches in one strip, from that of the sweep: a shift, a stretch and a skew.

    ``y = sweep y + shift_mm + slope * (sweep y - middle_mm) + skew * (x - center_mm)``; `sigma_mm` is the scatter of
    the step edges about it; `found` is False where the pattern was not seen.
    """

    shift_mm: float
    slope: float
    skew: float
    middle_mm: float
    center_mm: float
    sigma_mm: float
    found: bool
    reason: str = ""

    def corrected(self, x_mm: Array, y_mm: Array) -> Array:
        """Film y by the wedge, of film x and y by the sweep."""
        stretched = y_mm + self.shift_mm + self.slope * (y_mm - self.middle_mm)
        return stretched + self.skew * (x_mm - self.center_mm)

    def by(self, before: StripSweep, after: StripSweep) -> WedgePlace:
        """The same place on the film, found by the sweep `before`, told by the one `after`."""
        line = np.argmin(np.abs(before.y_line_mm + self.shift_mm - self.middle_mm))
        return replace(self, shift_mm=self.shift_mm + float(before.y_line_mm[line] - after.y_line_mm[line]))


@dataclass(frozen=True, slots=True, eq=False)
class _Profile:
    """Medians of column groups line by line, flat: one column group after the other; NaN where lost."""

    x_mm: Array
    y_mm: Array
    dn: Array
    noise: float


def locate_group(
    dn: NDArray,
    lost: NDArray[np.bool_],
    sweep: StripSweep,
    known: KnownFilm,
    strip: int,
    group: int,
) -> WedgePlace:
    """Place of one group of patches in a strip's raster `dn` (n_lines, n_samples)."""
    tolerance_mm = known.tolerance_mm
    top, bottom = known.group_span_mm(group)
    nowhere = WedgePlace(0.0, 0.0, 0.0, (top + bottom) / 2, known.center_mm[strip], tolerance_mm, False)
    missing = replace(nowhere, reason="its wedge could not be found")
    profile = _profile(dn, lost, sweep, known, strip, (top - 2 * tolerance_mm, bottom + 2 * tolerance_mm))
    if profile is None:
        return missing
    line_mm = float(np.median(np.abs(np.diff(sweep.y_line_mm))))
    place, share = _match(profile, known, group, line_mm, sweep, nowhere)
    if share < FEWEST_LABELLED:
        return missing
    for _ in range(2):
        place = _place_from_edges(_edges(profile, known, group, place, line_mm), place, line_mm)
    return place


def _profile(
    dn: NDArray, lost: NDArray[np.bool_], sweep: StripSweep, known: KnownFilm, strip: int, span_mm: tuple[float, float]
) -> _Profile | None:
    """The strip's tone along y between two film y, over the columns that its own wedge must cover."""
    lines = np.flatnonzero((sweep.y_line_mm > span_mm[0]) & (sweep.y_line_mm < span_mm[1]))
    if lines.size < 8:
        return None
    rows = slice(int(lines[0]), int(lines[-1]) + 1)
    sample_mm = float(np.median(np.diff(sweep.x_sample_mm)))
    left = known.center_mm[strip] + np.median(known.patch_across_mm[:, 0])
    right = known.center_mm[strip] + np.median(known.patch_across_mm[:, 1])
    clear = EDGE_SAMPLES * sample_mm + min(float(np.median(sweep.sigma_x_mm[rows])), 0.2 * (right - left))
    columns = np.flatnonzero((sweep.x_sample_mm > left + clear) & (sweep.x_sample_mm < right - clear))
    if columns.size < COLUMN_GROUPS:
        return None
    x, y, values = [], [], []
    for part in np.array_split(columns, COLUMN_GROUPS):
        under = slice(int(part[0]), int(part[-1]) + 1)
        median = row_medians(dn[rows, under], lost[rows, under])
        x.append(np.full(len(median), sweep.x_sample_mm[part].mean()) + sweep.x_line_mm[rows])
        y.append(sweep.y_line_mm[rows] + sweep.y_sample_mm[part].mean())
        values.append(median)
    alike = _without_banding(np.array(values))
    if np.isfinite(alike).sum() < 2 * alike.shape[1]:  # most column groups are lost
        return None
    return _Profile(np.concatenate(x), np.concatenate(y), alike.ravel(), _noise_of(alike))


def _noise_of(values: Array) -> float:
    """1-sigma scatter in profiles (groups, lines) of one line about the next, or next seen if none has a neighbour."""
    steps = np.abs(np.diff(values, axis=1)).ravel()
    if not np.isfinite(steps).any():  # as where every other line is lost
        steps = np.concatenate([np.abs(np.diff(row[np.isfinite(row)])) for row in values])
    return max(float(np.nanmedian(steps)) / 0.954, 0.05)


def _without_banding(values: Array) -> Array:
    """Column groups' profiles (groups, lines) brought to their middle one, each by a gain and an offset, robustly.

    Banding multiplies the light, so that it is nearly a gain and an offset of DN.
    """
    known = np.isfinite(values).all(axis=0)
    if known.sum() < COLUMN_GROUPS:
        return values
    middle = np.median(values[:, known], axis=0)
    alike = np.empty_like(values)
    for row, into in zip(values, alike, strict=True):
        gain, offset = nearest_line(row[known], middle)
        into[:] = gain * row + offset
    return alike


def _match(
    profile: _Profile,
    known: KnownFilm,
    group: int,
    line_mm: float,
    sweep: StripSweep,
    start: WedgePlace,
) -> tuple[WedgePlace, float]:
    """The shift and stretch at which the pattern fits best, and the share of the patches' lines in view there."""
    tolerance_mm = known.tolerance_mm
    near = np.abs(sweep.y_line_mm - start.middle_mm) < tolerance_mm
    prior = max(2.0 * float(np.median(sweep.sigma_y_mm[near])) if near.any() else tolerance_mm, 2.0 * line_mm)
    pattern = _pattern(known, group, margin_lines(known, group, line_mm) * line_mm)
    whole = 1.15 * tolerance_mm + 2 * line_mm
    order = np.argsort(profile.y_mm, kind="stable")
    profile = _Profile(profile.x_mm[order], profile.y_mm[order], profile.dn[order], profile.noise)
    close = min(4.0 * prior + 3 * line_mm, whole)
    found = []
    for apart in (FOG_TOLERANCE, FOG_DRIFT):  # rather gain that drifts far than what contradicts itself
        for reach in (close, whole):  # a sweep that claims to know is believed only where the pattern bears it out
            best, best_cost, best_share = _search(profile, pattern, start, reach, prior, line_mm, apart)
            if best_cost < VETO and best_share > FEWEST_LABELLED:
                return best, best_share
            found.append((best, best_share))
    return found[1]


def _search(
    profile: _Profile,
    pattern: _Pattern,
    start: WedgePlace,
    reach: float,
    prior: float,
    line_mm: float,
    apart: float,
) -> tuple[WedgePlace, float, float]:
    """Best place, its cost and the share in view, of shifts within a reach: coarsely, then to half a line.

    Unexposed film on both sides may be `apart` by that part of the wedge's range.
    """
    steps = int(np.ceil(reach / (1.5 * line_mm)))
    best, best_cost, best_share = start, np.inf, 0.0
    for shifts in (1.5 * line_mm * np.arange(-steps, steps + 1), np.arange(-3, 4) * 0.5 * line_mm):
        shift, slope = np.repeat(best.shift_mm + shifts, len(SLOPES)), np.tile(SLOPES, len(shifts))
        cost, share, level = _misfit(profile, pattern, shift, slope, start.middle_mm, line_mm)
        cost += 0.5 * np.minimum((shift / prior) ** 2, 50.0) + (slope / 0.01) ** 2
        for index in np.argsort(cost, kind="stable"):
            if cost[index] >= best_cost:  # contradictions only add to it
                break
            total = float(cost[index]) + VETO * _contradictions(level[index], pattern, profile.noise, apart)
            if total < best_cost:
                best = replace(start, shift_mm=float(shift[index]), slope=float(slope[index]), found=True)
                best_cost, best_share = total, float(share[index])
    return replace(best, sigma_mm=1.5 * line_mm), best_cost, best_share


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
    left, right = np.median(known.patch_across_mm, axis=0)
    whole = (known.patch_across_mm[:, 0] <= left + 1e-9) & (known.patch_across_mm[:, 1] >= right - 1e-9)
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
    profile: _Profile, pattern: _Pattern, shift_mm: Array, slope: Array, middle_mm: float, line_mm: float
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


def _is_no_wedge(level: Array, pattern: _Pattern, noise: float) -> bool:
    """Whether DN do not go with the light through the densities at all: the wedge laid on even film, or on the picture.

    A video chain bends light by an exponent of a half to one; with one between, a real wedge correlates well.
    """
    seen = np.isfinite(level)
    if np.ptp(level[seen]) < LEAST_CONTRAST * noise:
        return True
    light = 10.0 ** (-TYPICAL_EXPONENT * pattern.density[seen])
    return bool(np.ptp(light) > 0 and abs(np.corrcoef(light, level[seen])[0, 1]) < LEAST_CORRELATION)


def _edges(profile: _Profile, known: KnownFilm, group: int, place: WedgePlace, line_mm: float) -> Array:
    """Measured minus stated y of the group's step edges: rows of (stated y, x, difference), one per column group."""
    chosen = np.flatnonzero(known.group == group)
    stated = np.unique(np.round(known.patch_y_mm[chosen].ravel(), 9))
    height = float(np.median(known.patch_y_mm[chosen, 1] - known.patch_y_mm[chosen, 0]))
    reach = max(min(0.4 * height, 10 * line_mm), 3 * line_mm)
    y = place.corrected(profile.x_mm, profile.y_mm)
    x, y, dn = (each.reshape(COLUMN_GROUPS, -1) for each in (profile.x_mm, y, profile.dn))
    return wedge_edges(stated, x, y, dn, reach, line_mm, STEP_OVER_NOISE * profile.noise)


def _place_from_edges(edges: Array, place: WedgePlace, line_mm: float) -> WedgePlace:
    """The placing with shift, stretch and skew corrected by the edges, robustly; as it was where they are too few."""
    if len(edges) < 2 * COLUMN_GROUPS:
        return place
    lever = np.stack([np.ones(len(edges)), edges[:, 0] - place.middle_mm, edges[:, 1] - place.center_mm], axis=1)
    use = np.abs(edges[:, 2] - np.median(edges[:, 2])) < 4 * line_mm
    for _ in range(5):
        if len(np.unique(edges[use, 0])) < 3 or len(np.unique(edges[use, 1])) < 3:
            return place
        add = np.linalg.lstsq(lever[use], -edges[use, 2], rcond=None)[0]
        residual = edges[:, 2] + lever @ add
        scatter = max(TO_SIGMA * float(np.median(np.abs(residual[use]))), 0.02 * line_mm)
        use = np.abs(residual) < 4 * scatter
    if abs(add[0]) > 4 * line_mm or scatter > 2 * line_mm:
        return place
    return replace(
        place,
        shift_mm=place.shift_mm + float(add[0]),
        slope=place.slope + float(add[1]),
        skew=place.skew + float(add[2]),
        sigma_mm=scatter,
    )
