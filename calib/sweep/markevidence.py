"""Turns the used marks into observations for the sweep fit: their places, and the ends of their arms."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.median import MIDDLE_SIZE
from calib.sweep.evidence import ARM, MARK, Observations
from calib.sweep.markfigures import VISIBLE_SHARE
from calib.sweep.markfit import MarkFit
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.sweep.nominal import Nominal
from calib.sweep.tables import MarkTable

MOST_REACH_SIGMA_PX = 1.0  # greatest 1-sigma of an arm's length that is still used
FEWEST_MARKS = 8  # with both arms seen, from which the scatter of arm ends is estimated


def shared_places(table: MarkTable, n_strips: int, sigma_mm: float) -> tuple[tuple[int, ...], ...]:
    """For each strip k the marks used in both k and k + 1; the error of their stated place affects two observations.

    Empty if `sigma_mm`, the 1-sigma of stated places, is 0. A mark used in three strips is listed for the first pair.
    """
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
    table: MarkTable, nominal: Nominal, places: Sequence[tuple[int, ...]], place_sigma_mm: float
) -> tuple[Observations, NDArray[np.int64]]:
    """Observations of the places of the used marks, and their rows in the table.

    The error of a stated place, 1-sigma `place_sigma_mm`, is added to the covariance unless it is an unknown of the fit
    (`places`, from `shared_places`).
    """
    rows = np.flatnonzero(table.used)
    strip, mark, line, sample = table.strip[rows], table.mark[rows], table.line[rows], table.sample[rows]
    marks = nominal.frame.marks
    stated = FilmPoints(marks.x_mm[mark], marks.y_mm[mark])
    own = {(k + step, m) for k, shared in enumerate(places) for m in shared for step in (0, 1)}
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
        mark=np.where(is_own, mark, -1), per_power=zero,
    ), rows  # fmt: skip


def arm_observations(
    fits: Sequence[MarkFit | None], table: MarkTable, sweeps: Sequence[StripSweep], px_mm: float, arm_mm: float
) -> Observations:
    """Observations of the sweep between a used mark's centre and the ends of its arms along x, which are `arm_mm` long.

    If all marks stand at the same few samples of their strips, nothing else shows how the sweep bends between these.

    The observation refers to the sample at which the current `sweeps` expect the arm's end, not to that where it was
    measured; the difference is converted to film by the sweep's local slope. Otherwise an error of one sample would
    change the observed length by just that sample, and a sweep whose samples all coincide would explain the scatter of
    all arms.
    """
    seen = [
        (i, side)
        for i in np.flatnonzero(table.used).tolist()
        for side in (0, 1)
        if (fit := fits[i]) is not None
        and fit.parts[1 + 2 * side] > VISIBLE_SHARE
        and fit.reach_sigma[side] < MOST_REACH_SIGMA_PX
    ]
    which, side = np.array(seen, np.int64).reshape(-1, 2).T
    reach, sigma = (
        np.array([getattr(fits[i], name)[side] for i, side in seen], np.float64) for name in ("reach_px", "reach_sigma")
    )
    strip, line, sample, sign = table.strip[which], table.line[which], table.sample[which], 1.0 - 2.0 * side
    end, slope = np.empty(len(seen)), np.empty(len(seen))  # expected sample; film px per sample there
    for k in np.unique(strip):
        mine = strip == k
        middle = to_film(sweeps[k], ScanPoints(line[mine], sample[mine]))
        end[mine] = to_scan(sweeps[k], FilmPoints(middle.x_mm + sign[mine] * arm_mm, middle.y_mm)).sample
        before, after = (to_film(sweeps[k], ScanPoints(line[mine], end[mine] + step)).x_mm for step in (-0.5, 0.5))
        slope[mine] = (after - before) / px_mm
    expected = sign * (end - sample)
    arms = np.column_stack([which, sample, arm_mm / px_mm - expected - slope * (reach - expected), slope * sigma])
    zero, value, information = np.zeros(len(seen)), np.zeros((len(seen), 2)), np.zeros((len(seen), 2, 2))
    value[:, 0], information[:, 0, 0] = arms[:, 2], 1 / (arms[:, 3] ** 2 * _variance_factor(arms))
    return Observations(
        kind=np.full(len(seen), ARM), a=strip, line_a=line, sample_a=np.minimum(sample, end), line_b=zero,
        sample_b=np.maximum(sample, end), value=value, information=information, mark=np.full(len(seen), -1),
        per_power=zero,
    )  # fmt: skip


def _variance_factor(arms: Array) -> float:
    """Factor (1 or more) on the variances of arm ends, from the scatter of the differences between a mark's two arms.

    `arms` has a row per arm: its mark, the mark's sample, the observed value in px and its 1-sigma.

    The sweep's slope changes both arms of a mark alike; its bend makes them differ, by nearly the same for marks at
    neighbouring samples of any strips. The remaining scatter is error. It is needed because the few samples of a window
    give a poor estimate of how far a rough scene displaces an arm's end.
    """
    first = np.flatnonzero(arms[1:, 0] == arms[:-1, 0])
    if first.size < FEWEST_MARKS:
        return 1.0
    first = first[np.argsort(arms[first, 1], kind="stable")]
    difference, variance = arms[first, 2] - arms[first + 1, 2], arms[first, 3] ** 2 + arms[first + 1, 3] ** 2
    squared = np.diff(difference) ** 2 / (variance[1:] + variance[:-1])
    most = (3 / MIDDLE_SIZE) ** 2 * np.median(squared)  # 3 sigma: the fit gives less weight to values farther out
    return max(1.0, float(np.minimum(squared, most).mean()))
