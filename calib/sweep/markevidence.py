"""The marks that are used, as evidence for the fit of all strips: their places, and the ends of their arms."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.median import MIDDLE_SIZE
from calib.sweep.evidence import ARM, MARK, Observations
from calib.sweep.markfigures import GONE
from calib.sweep.markfit import MarkFit
from calib.sweep.nominal import Nominal
from calib.sweep.tables import MarkTable

MOST_REACH_PX = 1.0  # 1-sigma of an arm's end that still counts
FEWEST_ENDS = 8  # marks whose two arms tell how far their ends scatter


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
    table: MarkTable, nominal: Nominal, places: Sequence[tuple[int, ...]], place_sigma_mm: float
) -> tuple[Observations, NDArray[np.int64]]:
    """The used marks as evidence, and their rows in the table.

    `place_sigma_mm` of the stated places is added where it is not an unknown of its own (`places`).
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
        per_power=zero,
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
