"""Finds the step wedge in a strip: its displacement along y from its place by the sweep.

The whole pattern is matched to the strip's profile; then the step edges give the place to a fraction of a line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.median import TO_SIGMA
from calib.sweep.model import StripSweep
from calib.tone.known_film import KnownFilm
from calib.tone.wedge_match import match_pattern
from calib.tone.wedge_misfit import COLUMN_GROUPS, wedge_edges
from calib.tone.wedge_profile import Profile, wedge_profile

STEP_OVER_NOISE = 5.0  # least step of an edge that is measured, in units of the profile's noise


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


def locate_group(
    dn: NDArray,
    lost: NDArray[np.bool_],
    sweep: StripSweep,
    known: KnownFilm,
    strip: int,
    group: int,
) -> WedgePlace:
    """Place of one group of patches in a strip's raster `dn` (n_lines, n_samples)."""
    top, bottom = known.group_span_mm(group)
    nowhere = WedgePlace(0.0, 0.0, 0.0, (top + bottom) / 2, known.center_mm[strip], known.tolerance_mm, False)
    missing = replace(nowhere, reason="its wedge could not be found")
    profile = wedge_profile(dn, lost, sweep, known, strip, group)
    if profile is None:
        return missing
    line_mm = float(np.median(np.abs(np.diff(sweep.y_line_mm))))
    match = match_pattern(profile, known, group, line_mm, sweep, nowhere.middle_mm)
    if not match.in_view:
        return missing
    place = replace(nowhere, shift_mm=match.shift_mm, slope=match.slope, sigma_mm=1.5 * line_mm, found=True)
    for _ in range(2):
        place = _place_from_edges(_edges(profile, known, group, place, line_mm), place, line_mm)
    return place


def _edges(profile: Profile, known: KnownFilm, group: int, place: WedgePlace, line_mm: float) -> Array:
    """Measured minus stated y of the group's step edges: rows of (stated y, x, difference), one per column group."""
    chosen = np.flatnonzero(known.group == group)
    stated = np.unique(np.round(known.patch_y_mm[chosen].ravel(), 9))
    height = float(np.median(known.patch_y_mm[chosen, 1] - known.patch_y_mm[chosen, 0]))
    reach = max(min(0.4 * height, 10 * line_mm), 3 * line_mm)
    y = place.corrected(profile.x_mm, profile.y_mm)
    x, y, dn = (each.reshape(COLUMN_GROUPS, -1) for each in (profile.x_mm, y, profile.dn))
    return wedge_edges(stated, x, y, dn, reach, line_mm, STEP_OVER_NOISE * profile.noise)


def _place_from_edges(edges: Array, place: WedgePlace, line_mm: float) -> WedgePlace:
    """The place with shift, stretch and skew corrected robustly by the edges; unchanged if there are too few."""
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
