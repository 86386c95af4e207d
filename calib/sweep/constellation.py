"""Identifies the reseau's marks among the cross-like places: those whose departures are smooth over the frame.

Every candidate is paired with every mark that it may be within the tolerance. In each strip the pairs vote for a common
shift. Then the sweep model is fitted to all pairs with weights that become sharper step by step. The candidates of a
mark share its weight, so false pairs lose theirs as the model approaches the truth.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr

from calib.chain import ChainEstimate
from calib.compiled import bare
from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.median import MIDDLE_SIZE, weighted_median
from calib.ordered import shared_out
from calib.sweep.adjust import Adjustment, estimate_weighted, make_batches, solve_weighted
from calib.sweep.candidates import Candidates
from calib.sweep.evidence import KINDS, MARK, Observations
from calib.sweep.layout import GROUPS, Layout, StripShape
from calib.sweep.model import to_scan
from calib.sweep.nominal import NEARLY_STILL, Nominal, marks_in_reach, sample_steps
from calib.sweep.normals import with_joint_rows

VOTE_PX = 10.0
SHARPEN_PX = (14.0, 10.0, 7.0, 5.0, 3.5, 2.5, 2.0, 2.0)
DOUBT = 0.02  # weight of "none of the candidates is the mark", beside a candidate's score to the fourth power
# Wide prior variances (px^2), for the search only.
WIDE = {"S": 100.0, "Y": 1.0, "slope_x": 25.0, "slope_y": 25.0, "Wx": 4.0,
        "Wy": 4.0, "Sk_line": 0.25, "Sk": 0.04, "shear": 4.0, "place_x": 1e-8, "place_y": 1e-8, "border_x": 1e-8,
        "border_y": 1e-8, "arm_x": 1e-8, "border_power": 1e-8}  # fmt: skip
# Of half a line, or half a strip: 1-sigma of what all are longer than promised, and askew. Marks that stand at one
# sample, or one line, of their strips cannot tell strips that move from lines that see one place at all samples, or
# strips that do so at all lines; the latter would be the likelier.
STRETCH = 0.03
SEARCH_MODES = 32  # of the wander, at most: all that the wide prior has beyond them is 0.02 px
STIFF_S = 4.0  # px^2, of the sweep's common curve once its marks are known
STIFFER_S = (STIFF_S, 0.25, 0.01)  # px^2, tried in turn where a looser one lets the sweep stand still
AS_MANY = 0.9  # of the weight gathered with a sweep that stands still, with a stiff one
UNLIKE_SIGMAS, LEAST_UNLIKE = 4.0, 0.2  # how much less like a cross than its strip's marks a pair is no mark of it
NO_WEIGHT = 1e-12  # of what is no mark
LEAST_SCORE = 1e-3  # of a pair, whose logarithm is asked
LEAST_PACE = 0.05  # of the stated step from sample to sample, by which a pair's distance is judged
LEAST_STRENGTH = 1.5  # marks' worth of weight in a strip's constellation before it counts as placed
BY_CHANCE = 0.05  # strips are remarkable that chance alone leaves unplaced in no more than so many frames


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Candidates paired with the marks they may be, (N,) each; `departure` (N, 2) px from the nominal place."""

    strip: NDArray[np.int64]
    mark: NDArray[np.int64]
    line: Array
    sample: Array
    score: Array
    departure: Array

    def __len__(self) -> int:
        return self.strip.size


@dataclass(frozen=True, slots=True, eq=False)
class Constellation:
    """Pairs with their final weights (0 .. 1), the coarse fit, and the weight gathered in each strip (K,)."""

    pairs: Pairs
    weight: Array
    fit: Adjustment
    strength: Array


def wide_variances(tolerance_px: float, layout: Layout) -> Array:
    """Prior variances by group for the search."""
    given = WIDE | slope_variances(tolerance_px, layout.strips) | dict.fromkeys(("common", "a", "b"), tolerance_px**2)
    return np.array([given[name] for name in GROUPS])


def slope_variances(tolerance_px: float, strips: Sequence[StripShape]) -> dict[str, float]:
    """Prior variances (px^2, at the edges), by group, of how much longer and how askew all strips and all lines are.

    No strip's end is farther from its nominal place than the tolerance.
    """
    long, wide = max(shape.n_lines for shape in strips), strips[0].n_samples
    return {"slope": min(tolerance_px, STRETCH * long / 2) ** 2, "stretch": (STRETCH * wide / 2) ** 2}


def search_spans(nominal: Nominal, strip: int) -> list[tuple[int, int]]:
    """Spans (first, stop) of a strip's lines in which some mark may be centred: nothing outside them makes a pair."""
    frame, sweep = nominal.frame, nominal.sweeps[strip]
    reach_px = _reach_px(nominal)[1]
    marks = marks_in_reach(sweep, frame.marks, frame.scan.tolerance_mm)
    line = np.sort(to_scan(sweep, FilmPoints(frame.marks.x_mm[marks], frame.marks.y_mm[marks])).line)
    spans: list[tuple[int, int]] = []
    for middle in line.tolist():
        first = max(int(np.floor(middle - reach_px)), 0)
        stop = min(int(np.ceil(middle + reach_px)) + 1, sweep.n_lines)
        if spans and first <= spans[-1][1]:
            spans[-1] = (spans[-1][0], stop)
        elif first < stop:
            spans.append((first, stop))
    return spans


def _reach_px(nominal: Nominal) -> Array:
    """How far (x, y) from its nominal place a mark may lie: the tolerance, a twentieth and a px more."""
    return 1.05 * nominal.tolerance_px + 1


def make_pairs(nominal: Nominal, candidates: Sequence[Candidates]) -> Pairs:
    """All pairs of a candidate with a mark that may lie there."""
    frame, reach_px = nominal.frame, _reach_px(nominal)
    columns = []
    for k, found in enumerate(candidates):
        marks = marks_in_reach(nominal.sweeps[k], frame.marks, frame.scan.tolerance_mm)
        film = FilmPoints(frame.marks.x_mm[marks, None], frame.marks.y_mm[marks, None])
        departure = nominal.departure_px(k, ScanPoints(found.line, found.sample), film)
        of, near = np.nonzero(np.all(np.abs(departure) <= reach_px, axis=-1))
        columns.append(
            np.column_stack(
                [np.full(of.size, k), marks[of], found.line[near], found.sample[near], found.score[near],
                 departure[of, near]]
            )
        )  # fmt: skip
    table = np.concatenate(columns) if columns else np.empty((0, 7))
    return Pairs(
        table[:, 0].astype(np.int64), table[:, 1].astype(np.int64), table[:, 2], table[:, 3], np.abs(table[:, 4]),
        table[:, 5:7],
    )  # fmt: skip


def find_constellation(
    layout: Layout, pairs: Pairs, tolerance_px: float, threads: int = 1, sweep_px2: float = WIDE["S"]
) -> Constellation:
    """Vote, then sharpen; strips whose own vote was unlike what the common sweep allows are voted on again.

    `sweep_px2` is the prior variance of the sweep's common curve while false pairs die out.
    """
    variances = wide_variances(tolerance_px, layout)
    variances[GROUPS.index("S")] = sweep_px2
    observations = _as_observations(pairs)
    batches = with_joint_rows(layout, make_batches(layout, observations, threads), threads)
    residual = pairs.departure - _votes(layout, pairs, pairs.departure, VOTE_PX, tolerance_px, threads)
    weight = _weights(pairs, residual, SHARPEN_PX[0])
    for turn, reach_px in enumerate(SHARPEN_PX):
        scale = np.ones(KINDS) * (reach_px / 3) ** 2
        found, residual = estimate_weighted(layout, observations, batches, variances, scale, weight, threads)
        if turn == 1:
            residual = residual - _votes(layout, pairs, residual, VOTE_PX / 2, tolerance_px, threads)
        weight = _weights(pairs, residual / _paces(layout, found, pairs.sample), reach_px)
    # Between the few samples at which marks stand, and beside them, the wide sweep may swing as it likes, to whatever
    # looks a little like a mark: the coarse fit is a stiff one, by what looks like its strip's marks.
    variances[GROUPS.index("S")] = min(STIFF_S, sweep_px2)
    alike = np.where(_looks_alike(pairs, weight), weight, NO_WEIGHT)
    fit = solve_weighted(layout, observations, batches, variances, np.ones(KINDS), alike, threads)
    strength = np.asarray(np.bincount(pairs.strip, weight * pairs.score, minlength=len(layout.strips)), np.float64)
    return Constellation(pairs, weight, fit, strength)


def find_steady(nominal: Nominal, layout: Layout, pairs: Pairs, tolerance_px: float, threads: int = 1) -> Constellation:
    """`find_constellation`; where its sweep nearly stands still or turns back, the one of the least stiff sweep that
    does not, if no other has far more marks.

    All that may be one mark, at whatever sample, sees one place on a sweep that stands still, and so do marks whose
    strips have wandered: false pairs draw a loose sweep there, and are kept by it. Where all marks stand at one sample
    of their strips, hardly anything else holds it.
    """
    found = find_constellation(layout, pairs, tolerance_px, threads)
    tried = [found]
    for sweep_px2 in STIFFER_S:
        if not _stands_still(nominal, tried[-1]):
            break
        tried.append(find_constellation(layout, pairs, tolerance_px, threads, sweep_px2))
    most = max(each.strength.sum() for each in tried)
    is_good = tried[-1].strength.sum() > AS_MANY * most and not _stands_still(nominal, tried[-1])
    return tried[-1] if is_good else found


def _stands_still(nominal: Nominal, found: Constellation) -> bool:
    """Whether the coarse sweep nearly stands still, or turns back, at some sample of a strip."""
    return any(step.min() < NEARLY_STILL for step in sample_steps(nominal, found.fit))


def without_marks(strength: Array, expected: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Mask (K,) of the strips in which the `expected` (K,) marks were not found, although marks are found in the other
    strips so often that this is hardly due to chance."""
    placed = strength >= LEAST_STRENGTH
    found = min(float(strength[placed].sum() / max(int(expected[placed].sum()), 1)), 1.0)
    return ~placed & (bdtr(np.minimum(strength, expected), expected, found) < BY_CHANCE / strength.size)


def _as_observations(pairs: Pairs) -> Observations:
    """Pairs as marks measured to a px."""
    n = len(pairs)
    return Observations(
        kind=np.full(n, MARK), a=pairs.strip, line_a=pairs.line, sample_a=pairs.sample, line_b=np.zeros(n),
        sample_b=np.zeros(n), value=pairs.departure, information=np.tile(np.eye(2), (n, 1, 1)), mark=np.full(n, -1),
        per_power=np.zeros(n),
    )  # fmt: skip


def _paces(layout: Layout, found: ChainEstimate, sample: Array) -> Array:
    """How far (N, 2) samples lie apart where a pair lies, by the sweep that all strips share, in parts of the stated
    step along x; 1 at most, and along y.

    Samples are measured, not film places: on a sweep that nearly stands still, candidates far from where a mark should
    have been read see its place all the same, and would make the sweep stand still.
    """
    shape = layout.strips[0]
    every = np.arange(float(shape.n_samples))
    common = layout.shared_rows(0, np.full(every.size, (shape.n_lines - 1) / 2), every)[:, 0] @ found.shared
    paces = np.ones((sample.size, 2))
    paces[:, 0] = np.clip(np.interp(sample, every, 1 + np.gradient(common)), LEAST_PACE, 1.0)
    return paces


def _votes(layout: Layout, pairs: Pairs, departure: Array, reach_px: float, tolerance_px: float, threads: int) -> Array:
    """The shift (N, 2) of its strip that most marks agree on, for every pair; a mark votes once, by its best pair.

    Where marks lie in rows nearer to each other than the tolerance, nearly as many agree on a shift by a whole row:
    small shifts are the likelier.
    """
    shift, worse = np.zeros((len(pairs), 2)), -8 * np.log(np.maximum(pairs.score, LEAST_SCORE))
    strips = [np.flatnonzero(pairs.strip == k) for k in range(len(layout.strips))]
    some = [mine for mine in strips if mine.size]

    def voted(mine: NDArray[np.int64]) -> Array:
        order = mine[np.argsort(pairs.mark[mine], kind="stable")]
        starts = np.flatnonzero(np.r_[True, np.diff(pairs.mark[order]) != 0])
        centers = departure[order]
        votes = np.empty(len(mine))
        x, y = np.ascontiguousarray(centers.T / reach_px)
        _count_votes(x, y, worse[order], np.append(starts, len(mine)), votes)
        likely = np.exp(-0.5 * np.sum(centers**2, axis=1) / tolerance_px**2)
        return centers[(votes * likely).argmax()]

    for mine, common in zip(some, shared_out(voted, some, threads), strict=True):
        shift[mine] = common
    return shift


@bare(cache=True, nogil=True, error_model="numpy", fastmath={"nnan", "nsz", "reassoc"})
def _count_votes(x, y, worse, starts, votes):  # type: ignore[no-untyped-def]  # pragma: no cover
    """How many marks agree (N,) on each departure (x, y), in parts of the reach of a vote: of each mark, whose pairs
    begin at `starts`, the pair that agrees best; `worse` is minus twice the logarithm of a pair's weight."""
    for i in range(len(votes)):
        total = 0.0
        for mark in range(len(starts) - 1):
            least = np.inf
            for j in range(starts[mark], starts[mark + 1]):
                least = min(least, (x[j] - x[i]) * (x[j] - x[i]) + (y[j] - y[i]) * (y[j] - y[i]) + worse[j])
            total += np.exp(-0.5 * least)
        votes[i] = total


def _weights(pairs: Pairs, residual: Array, reach_px: float) -> Array:
    """Share (N,) of its mark that each pair has, given its distance from the model."""
    fitness = pairs.score**4 * np.exp(-0.5 * np.sum(residual**2, axis=1) / reach_px**2)
    n_marks = int(pairs.mark.max()) + 1 if len(pairs) else 1
    owner = pairs.strip * n_marks + pairs.mark
    total = np.bincount(owner, fitness)[owner] if len(pairs) else np.zeros(0)
    return np.maximum(fitness / (total + DOUBT), NO_WEIGHT)


def _looks_alike(pairs: Pairs, weight: Array) -> NDArray[np.bool_]:
    """Pairs (N,) whose score is not far below that of the middle one of their strip's marks.

    How far marks of one strip scatter is told by all strips.
    """
    below = np.zeros(len(pairs))
    for k in np.unique(pairs.strip):
        mine = np.flatnonzero(pairs.strip == k)
        below[mine] = weighted_median(pairs.score[mine], weight[mine]) - pairs.score[mine]
    scatter = weighted_median(np.abs(below), weight) / MIDDLE_SIZE if len(pairs) else 0.0
    return below <= max(UNLIKE_SIGMAS * scatter, LEAST_UNLIKE)
