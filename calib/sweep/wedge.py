"""Finds the borders of the step wedge by the description, and places the wedge as a whole in a strip.

Touching patches form a wedge. It has borders between patches and to the uniform film beside it (fog, or the gap to the
picture). All borders look alike, so the whole pattern is placed first: the offsets of the borders along y are chosen so
that every piece between two borders is uniform and offsets change little from border to border. Dynamic programming
finds the optimum. A wedge placed one patch too far fits almost as well, but then the unexposed film differs between its
two ends. Film beside a wedge that lies inside the format may be uneven or end near the wedge, and is not used.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.frame.film import WedgePatch
from calib.frame.frame import Frame
from calib.sweep.evenness import MOST_UNEVEN, make_profiles
from calib.sweep.model import StripSweep

TOUCH_MM = 1e-6  # distance within which patches touch
LEAST_EVEN_LINES = 4.0  # of uniform film on either side of a border that is used
DRIFT_PX = 3.0  # 1-sigma of the change of the offset from one border to the next in a strip without marks
MOST_DRIFT = 0.2  # greatest such change, in patch heights: motion is slow, and more could skip a damaged patch
CLEARLY_BETTER = 12.0  # least margin of the negative log probability over places half a patch or more away
UNEVEN = 0.3  # 1-sigma of a line about the mean of its piece, in mean steps: noise, skew, blur at the borders
FOG_LINES = 8  # number of lines by which the unexposed film at the two ends of the wedge is compared
GAP = 2.0  # greatest length, in patch heights, of the film used beside a wedge that the picture or other patches end
MARGIN_LINES = 2.5  # on either side of a border, not used because of blur and skew
MOST_LEFT = 0.2  # greatest share of the profile's variance inside the uniform pieces of a wedge


@dataclass(frozen=True, slots=True)
class Border:
    """A border at `at_mm` along y. Between `across_mm`, film is uniform from `low_mm` to it and from it to `high_mm`.

    If one side is `in_picture`, the film there is unknown, and another edge may be near.
    """

    at_mm: float
    low_mm: float
    high_mm: float
    across_mm: tuple[float, float]
    in_picture: bool = False


@dataclass(frozen=True, slots=True)
class Wedge:
    """Touching patches, and their borders in order of y."""

    borders: tuple[Border, ...]
    patches: tuple[WedgePatch, ...]

    @property
    def span_mm(self) -> tuple[float, float]:
        """Lowest and highest film y of its patches and of the uniform film beside them."""
        low = min(*(b.low_mm for b in self.borders), *(p.y_mm[0] for p in self.patches))
        return low, max(*(b.high_mm for b in self.borders), *(p.y_mm[1] for p in self.patches))

    @property
    def patch_mm(self) -> float:
        """Least height of its patches."""
        return float(min(p.y_mm[1] - p.y_mm[0] for p in self.patches))


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """The place of a wedge: at the stated film y `at_mm` (rising) the sweep gives `at_mm` + `offset_mm`."""

    at_mm: Array
    offset_mm: Array

    def seen_mm(self, y_mm: float) -> float:
        """The y that the sweep gives at a stated y."""
        return y_mm + float(np.interp(y_mm, self.at_mm, self.offset_mm))


def wedges(frame: Frame) -> tuple[Wedge, ...]:
    """The frame's wedges with all their borders."""
    patches = sorted(frame.film.wedge.patches, key=lambda p: (p.y_mm[0], p.across_mm[0]))
    groups: list[list[WedgePatch]] = []
    for patch in patches:
        before = [group for group in groups if abs(patch.y_mm[0] - group[-1].y_mm[1]) <= TOUCH_MM]
        if before:  # of patches side by side, the one in the same column
            max(before, key=lambda group: _shared_mm(group[-1], patch)).append(patch)
        else:
            groups.append([patch])
    half = frame.camera.format_mm[1] / 2
    least_mm = LEAST_EVEN_LINES * frame.scan.line_mm
    found = tuple(Wedge(_borders(group, patches, half, least_mm), tuple(group)) for group in groups)
    return tuple(wedge for wedge in found if wedge.borders)


def _shared_mm(one: WedgePatch, other: WedgePatch) -> float:
    """Width across that two patches share; if negative, their distance."""
    return min(one.across_mm[1], other.across_mm[1]) - max(one.across_mm[0], other.across_mm[0])


def _borders(
    group: Sequence[WedgePatch], patches: Sequence[WedgePatch], half_mm: float, least_mm: float
) -> tuple[Border, ...]:
    """The borders inside a `group` of touching patches and at its two ends.

    `patches` are those of all wedges, `half_mm` half the format's height. Borders with less than `least_mm` of uniform
    film on either side are left out.
    """
    first, last = group[0], group[-1]
    ends = sorted({-half_mm, half_mm, *(y for p in patches for y in p.y_mm)})
    begins_in = TOUCH_MM - half_mm < first.y_mm[0] < half_mm + TOUCH_MM  # the film just before it is in the format
    stops_in = -TOUCH_MM - half_mm < last.y_mm[1] < half_mm - TOUCH_MM
    height = min(p.y_mm[1] - p.y_mm[0] for p in group)
    below = [first.y_mm[0] - y for y in ends if y < first.y_mm[0] - TOUCH_MM]
    above = [y - last.y_mm[1] for y in ends if y > last.y_mm[1] + TOUCH_MM]
    borders = [
        Border(first.y_mm[0], first.y_mm[0] - _even_beside(height, below), first.y_mm[1], first.across_mm, begins_in)
    ]
    for one, other in pairwise(group):
        across = (max(one.across_mm[0], other.across_mm[0]), min(one.across_mm[1], other.across_mm[1]))
        borders.append(Border(other.y_mm[0], one.y_mm[0], other.y_mm[1], across))
    borders.append(
        Border(last.y_mm[1], last.y_mm[0], last.y_mm[1] + _even_beside(height, above), last.across_mm, stops_in)
    )
    return tuple(
        b for b in borders
        if min(b.high_mm - b.at_mm, b.at_mm - b.low_mm) > least_mm and b.across_mm[1] > b.across_mm[0]
    )  # fmt: skip


def _even_beside(height: float, ends: Sequence[float]) -> float:
    """Length of the uniform film used beside a wedge: to the nearest of the `ends` (distances of the picture and other
    patches), because a wedge placed one patch off would reach beyond it; one patch height if there are no ends."""
    return min([GAP * height, *ends]) if ends else height


def place_wedge(
    wedge: Wedge,
    first_line: int,
    values: NDArray[np.float32],
    sigma: NDArray[np.float32],
    sweep: StripSweep,
    line_mm: float,
    reach_mm: float,
) -> Placed | None:
    """Place a wedge in lines of a strip from `first_line` on, with borders within `reach_mm` of their places by the
    sweep.

    None if it is not visible, or if another place, half a patch or more away at the end nearer the middle of the
    picture, is nearly as good.
    """
    borders = wedge.borders if abs(wedge.borders[-1].at_mm) <= abs(wedge.borders[0].at_mm) else wedge.borders[::-1]
    span = (wedge.span_mm[0] - reach_mm, wedge.span_mm[1] + reach_mm)
    sums = make_profiles(first_line, values, sigma, sweep, span, MARGIN_LINES * line_mm, UNEVEN / len(borders))
    if sums is None or len(borders) < 2:
        return None
    offsets = np.arange(-np.floor(reach_mm / line_mm), np.floor(reach_mm / line_mm) + 1) * line_mm
    apart = int(MOST_DRIFT * wedge.patch_mm / line_mm) + 1  # greatest difference of adjacent borders' offsets, in steps
    change = np.abs(np.arange(-apart, apart + 1)) * line_mm
    change[change > MOST_DRIFT * wedge.patch_mm] = np.inf
    outer, inner = borders[0], borders[-1]
    steps = []
    for one, other in pairwise(borders):
        drift = (change / _drift_mm(sweep, one, other, inner, line_mm)) ** 2 / 2
        piece = sums.unevenness_between(one.at_mm + offsets, other.at_mm + offsets, apart)
        steps.append(piece + drift)
    ends = _outside(outer, borders[1], offsets), _outside(inner, borders[-2], offsets)
    before, after = (
        np.zeros(offsets.size) if border.in_picture else sums.unevenness(*end)
        for border, end in zip((outer, inner), ends, strict=True)
    )
    pairs = least_costs(before, steps)
    if not outer.in_picture and not inner.in_picture:
        (outside, variance), (within, its_variance) = sums.mean(*ends[0]), sums.mean(*ends[1])
        unlike = (within - outside[:, None]) ** 2 / (its_variance + variance[:, None]) / 2
        pairs += FOG_LINES * np.where(np.isnan(unlike), MOST_UNEVEN, unlike)  # no gain by moving an end out of sight
    cost = pairs.min(axis=0) + after
    cost = cost + (offsets / (_sigma_at(sweep, inner.at_mm) + line_mm)) ** 2 / 2
    best = int(cost.argmin())
    others = cost[np.abs(offsets - offsets[best]) >= wedge.patch_mm / 2]
    if others.size and others.min() < cost[best] + CLEARLY_BETTER:
        return None
    states = _cheapest_path(int(pairs[:, best].argmin()), best, steps)
    at = np.array([b.at_mm for b in borders[::-1]])
    order = np.argsort(at)
    placed = Placed(at[order], offsets[states[::-1]][order])
    edges = np.array([placed.seen_mm(b.at_mm) for b in wedge.borders])
    return placed if sums.share_inside(edges) < MOST_LEFT else None


def least_costs(unevenness: Array, steps: Sequence[Array]) -> Array:
    """Least cost from every state of the outermost border (rows) to every state of the innermost (columns).

    All pairs are needed because the unexposed film must be equal at both ends. If patches between them look the same,
    as in clipped video, the path of least cost alone may end anywhere among them.
    """
    cost = np.where(np.eye(len(unevenness), dtype=np.bool_), unevenness, np.inf)
    return np.asarray(_costs_at_last(cost, np.array(steps))).T


@njit(cache=True, nogil=True)
def _costs_at_last(cost: Array, steps: Array) -> Array:  # pragma: no cover
    """Least costs (N, M) of the states of the last border, from each of M states of the first."""
    for step in steps:
        cost = _costs_at_next(cost, step)
    return cost


@njit(cache=True, nogil=True)
def _costs_at_next(cost: Array, step: Array) -> Array:  # pragma: no cover
    """Least costs (N, M) of the states of the next border, from those of the border before it."""
    n, apart = cost.shape[0], step.shape[1] // 2
    out = np.full(cost.shape, np.inf)
    for state in range(n):
        after = out[state]
        for before in range(max(state - apart, 0), min(state + apart + 1, n)):
            way, added = cost[before], step[state, before - state + apart]
            for first in range(after.size):
                total = way[first] + added
                after[first] = total if total < after[first] else after[first]
    return out


def _cheapest_path(first: int, last: int, steps: Sequence[Array]) -> NDArray[np.int64]:
    """The states of all borders on the path of least cost between given states of the outermost and the innermost."""
    n, apart = len(steps[0]), steps[0].shape[1] // 2
    near, beyond = np.arange(n)[:, None] + np.arange(2 * apart + 1), np.full(apart, np.inf)
    cost, back = np.full(n, np.inf), []
    cost[first] = 0.0
    for step in steps:
        total = np.concatenate([beyond, cost, beyond])[near] + step
        best = total.argmin(axis=1)
        back.append(near[:, 0] + best - apart)
        cost = total[near[:, 0], best]
    states = [last]
    for before in reversed(back):
        states.append(int(before[states[-1]]))
    return np.array(states[::-1])


def _outside(border: Border, neighbour: Border, offsets: Array) -> tuple[Array, Array]:
    """The uniform piece (low, high), mm, outside an end border, for every offset of it."""
    if border.at_mm < neighbour.at_mm:
        return border.low_mm + offsets, border.at_mm + offsets
    return border.at_mm + offsets, border.high_mm + offsets


def _sigma_at(sweep: StripSweep, y_mm: float) -> float:
    """1-sigma in y of the line nearest a film y."""
    return float(sweep.sigma_y_mm[np.abs(sweep.y_line_mm - y_mm).argmin()])


def _drift_mm(sweep: StripSweep, one: Border, other: Border, inner: Border, line_mm: float) -> float:
    """1-sigma of the change of the offset between two borders: by the sweep's uncertainty, if marks place the strip."""
    if _sigma_at(sweep, inner.at_mm) > DRIFT_PX * line_mm:
        return DRIFT_PX * line_mm
    return line_mm + 2 * abs(_sigma_at(sweep, one.at_mm) - _sigma_at(sweep, other.at_mm))
