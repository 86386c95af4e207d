"""The step wedge's borders, and where the wedge as a whole lies in a strip.

Patches that touch form a wedge; it has its borders and, outside, the even film beside it (fog, or the gap to the
picture). All borders look alike, so the whole pattern is placed first, by a shift and a stretch along y.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from calib.coordinates import Array
from calib.sweep.model import StripSweep
from calib.sweep.tables import ReadWindow

TOUCH_MM = 1e-6
LEAST_EVEN_MM = 0.03
STRETCHES = np.linspace(-1, 1, 13)
MOST_STRETCH = 0.04
SIGMAS = 4.0
CLEARLY_BETTER = 1.3  # scatter of the best other place over the best one's


@dataclass(frozen=True, slots=True)
class Border:
    """A border at `at_mm` along y; the film is even from `low_mm` to it and from it to `high_mm`, between across."""

    at_mm: float
    low_mm: float
    high_mm: float
    across_mm: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Wedge:
    """Touching patches: their borders in order of y, and the patches themselves."""

    borders: tuple[Border, ...]
    patches: tuple[Any, ...]

    @property
    def pivot_mm(self) -> float:
        """The border nearest the picture's middle: marks place it best."""
        return min((b.at_mm for b in self.borders), key=abs)

    @property
    def patch_mm(self) -> float:
        """Height of the lowest patch."""
        return float(min(p.y_mm[1] - p.y_mm[0] for p in self.patches))


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a wedge lies: film y by the sweep = y + shift + stretch (y - pivot), mm."""

    shift_mm: float
    stretch: float
    pivot_mm: float

    def seen_mm(self, y_mm: float) -> float:
        """The y that the sweep gives to stated y."""
        return y_mm + self.shift_mm + self.stretch * (y_mm - self.pivot_mm)


def wedges(frame: Any) -> tuple[Wedge, ...]:
    """The frame's wedges with all their borders."""
    patches = sorted(frame.film.wedge.patches, key=lambda p: (p.y_mm[0], p.across_mm[0]))
    groups: list[list[Any]] = []
    for patch in patches:
        if groups and patch.y_mm[0] <= groups[-1][-1].y_mm[1] + TOUCH_MM:
            groups[-1].append(patch)
        else:
            groups.append([patch])
    half = frame.camera.format_mm[1] / 2
    ends = sorted({-half, half, *(y for p in patches for y in p.y_mm)})
    found = tuple(Wedge(_borders(group, ends), tuple(group)) for group in groups)
    return tuple(wedge for wedge in found if wedge.borders)


def _borders(group: Sequence[Any], ends: Sequence[float]) -> tuple[Border, ...]:
    """Borders inside a group of touching patches and at its two ends."""
    first, last = group[0], group[-1]
    height = min(p.y_mm[1] - p.y_mm[0] for p in group)
    below = [first.y_mm[0] - y for y in ends if y < first.y_mm[0] - TOUCH_MM]
    above = [y - last.y_mm[1] for y in ends if y > last.y_mm[1] + TOUCH_MM]
    borders = [Border(first.y_mm[0], first.y_mm[0] - min([height, *below]), first.y_mm[1], first.across_mm)]
    for one, other in pairwise(group):
        across = (max(one.across_mm[0], other.across_mm[0]), min(one.across_mm[1], other.across_mm[1]))
        borders.append(Border(other.y_mm[0], one.y_mm[0], other.y_mm[1], across))
    borders.append(Border(last.y_mm[1], last.y_mm[0], last.y_mm[1] + min([height, *above]), last.across_mm))
    return tuple(
        b for b in borders
        if min(b.high_mm - b.at_mm, b.at_mm - b.low_mm) > LEAST_EVEN_MM and b.across_mm[1] > b.across_mm[0]
    )  # fmt: skip


def place_wedge(wedge: Wedge, read: ReadWindow, sweep: StripSweep, line_mm: float, reach_mm: float) -> Placed | None:
    """Find a wedge in a strip within what the sweep's uncertainty allows; None where no place is clearly the best.

    The place that leaves the least scatter inside the pattern's even pieces is taken; if one half a patch or more away
    does nearly as well, there is no telling.
    """
    pivot, far = wedge.pivot_mm, max((b.at_mm for b in wedge.borders), key=abs)
    sigma = _sigma_at(sweep, pivot), _sigma_at(sweep, far)
    reach = min(reach_mm, SIGMAS * sigma[0] + 2 * line_mm)
    length = max(abs(far - pivot), line_mm)
    most = min(MOST_STRETCH, SIGMAS * sigma[1] / length)
    low, high = wedge.borders[0].low_mm, wedge.borders[-1].high_mm
    slack = reach + most * (high - low)
    y_mm, profile = _profile(read, sweep, low - slack, high + slack)
    if len(profile) < 8:
        return None
    cuts = np.array(sorted({y for b in wedge.borders for y in (b.low_mm, b.at_mm, b.high_mm)}))
    shifts = np.arange(-np.floor(reach / line_mm), np.floor(reach / line_mm) + 1) * line_mm
    stretches = most * STRETCHES
    scatter = np.array(
        [[_scatter((y_mm - pivot - s) / (1 + m) + pivot, profile, cuts) for m in stretches] for s in shifts]
    )
    i, j = np.unravel_index(int(scatter.argmin()), scatter.shape)
    best = scatter[i, j]
    others = scatter[np.abs(shifts - shifts[i]) >= wedge.patch_mm / 2]
    if not best < 0.2 * np.var(profile) or (others.size and others.min() < CLEARLY_BETTER * best):
        return None
    return Placed(float(shifts[i]), float(stretches[j]), pivot)


def _sigma_at(sweep: StripSweep, y_mm: float) -> float:
    """1-sigma in y of the line nearest a film y."""
    return float(sweep.sigma_y_mm[np.abs(sweep.y_line_mm - y_mm).argmin()])


def _profile(read: ReadWindow, sweep: StripSweep, low_mm: float, high_mm: float) -> tuple[Array, Array]:
    """Median over the strip's middle samples, line by line between two film y: y and value."""
    along = sweep.y_line_mm + sweep.y_sample_mm[sweep.n_samples // 2]
    lines = np.flatnonzero((along > low_mm) & (along < high_mm))
    if lines.size == 0:
        return np.empty(0), np.empty(0)
    first, last = int(lines.min()), int(lines.max()) + 1
    near, far = int(sweep.n_samples * 0.35), int(sweep.n_samples * 0.65) + 1
    values, sigma = (part[:, near:far] for part in read(first, last))
    good = np.isfinite(sigma)
    whole = good.mean(axis=1) > 0.5
    profile = np.array([np.median(v[g]) for v, g in zip(values[whole], good[whole], strict=True)])
    return along[first:last][whole], profile


def _scatter(y_mm: Array, profile: Array, cuts: Array) -> float:
    """Mean square scatter of a profile inside the pieces between the cuts."""
    piece = np.searchsorted(cuts, y_mm) - 1
    inside = (piece >= 0) & (piece < cuts.size - 1)
    if inside.sum() < 8:
        return np.inf
    piece, values = piece[inside], profile[inside]
    count = np.bincount(piece, minlength=cuts.size - 1)
    mean = np.bincount(piece, values, minlength=cuts.size - 1) / np.maximum(count, 1)
    return float(np.mean((values - mean[piece]) ** 2))
