"""The marks that are used, as evidence for the fit of all strips: their places, and the ends of their arms."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.median import MIDDLE_SIZE
from calib.sweep.evidence import ARM, MARK, Observations
from calib.sweep.markfigures import GONE
from calib.sweep.markfit import MarkFit
from calib.sweep.model import StripSweep, to_film, to_scan
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


def arm_observations(
    fits: Sequence[MarkFit | None], table: MarkTable, sweeps: Sequence[StripSweep], px_mm: float, arm_mm: float
) -> Observations:
    """What the ends of the used marks' arms along x say of the sweep between them and the marks' middles.

    Where all marks stand at the same few samples of their strips, nothing else tells how the sweep bends between them.

    An arm's end is taken from the sample at which it was seen to where the `sweeps` known so far expect it, at their
    pace. Held against the samples where it was seen, an arm that errs by a sample would seem the longer by just that:
    samples that stand still would explain all that arms scatter.
    """
    seen = [
        (i, side)
        for i in np.flatnonzero(table.used).tolist()
        for side in (0, 1)
        if (fit := fits[i]) is not None and fit.parts[1 + 2 * side] > GONE and fit.reach_sigma[side] < MOST_REACH_PX
    ]
    which, side = np.array(seen, np.int64).reshape(-1, 2).T
    reach, sigma = (
        np.array([getattr(fits[i], name)[side] for i, side in seen], np.float64) for name in ("reach_px", "reach_sigma")
    )
    strip, line, sample, sign = table.strip[which], table.line[which], table.sample[which], 1.0 - 2.0 * side
    end, pace = np.empty(len(seen)), np.empty(len(seen))
    for k in np.unique(strip):
        mine = strip == k
        middle = to_film(sweeps[k], ScanPoints(line[mine], sample[mine]))
        end[mine] = to_scan(sweeps[k], FilmPoints(middle.x_mm + sign[mine] * arm_mm, middle.y_mm)).sample
        before, after = (to_film(sweeps[k], ScanPoints(line[mine], end[mine] + step)).x_mm for step in (-0.5, 0.5))
        pace[mine] = (after - before) / px_mm
    expected = sign * (end - sample)
    told = np.column_stack([which, sample, arm_mm / px_mm - expected - pace * (reach - expected), pace * sigma])
    zero, value, information = np.zeros(len(seen)), np.zeros((len(seen), 2)), np.zeros((len(seen), 2, 2))
    value[:, 0], information[:, 0, 0] = told[:, 2], 1 / (told[:, 3] ** 2 * _unlike(told))
    return Observations(
        kind=np.full(len(seen), ARM), a=strip, line_a=line, sample_a=np.minimum(sample, end), line_b=zero,
        sample_b=np.maximum(sample, end), value=value, information=information, mark=np.full(len(seen), -1),
        per_power=zero,
    )  # fmt: skip


def _unlike(told: Array) -> float:
    """Factor (1 or more) on the variances of arms' ends that the two of one mark call for; `told` has a row an arm: its
    mark, the mark's sample, what it tells, px, and its 1-sigma.

    Whatever the sweep's pace, a mark's arms are alike but for its bend, which marks at neighbouring samples have in
    common, whatever their strips. How far a rough scene leads an end astray its window tells badly, by a few samples.
    """
    first = np.flatnonzero(told[1:, 0] == told[:-1, 0])
    if first.size < FEWEST_ENDS:
        return 1.0
    first = first[np.argsort(told[first, 1], kind="stable")]
    unlike, variance = told[first, 2] - told[first + 1, 2], told[first, 3] ** 2 + told[first + 1, 3] ** 2
    squared = np.diff(unlike) ** 2 / (variance[1:] + variance[:-1])
    most = (3 / MIDDLE_SIZE) ** 2 * np.median(squared)  # three sigma: the fit weighs down what lies farther out
    return max(1.0, float(np.minimum(squared, most).mean()))
