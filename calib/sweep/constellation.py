"""Identifies the reseau's marks among the cross-like places: those whose departures are smooth over the frame.

Every candidate is paired with every mark that it may be within the tolerance. In each strip the pairs vote for a common
shift. Then the sweep model is fitted to all pairs, with weights that become more selective step by step. The candidates
of a mark share its weight, so false pairs lose theirs as the model approaches the truth.
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

VOTE_PX = 10.0  # 1-sigma within which pairs agree on a shift of their strip
SHARPEN_PX = (14.0, 10.0, 7.0, 5.0, 3.5, 2.5, 2.0, 2.0)  # 1-sigma of pairs about the model, iteration by iteration
DOUBT = 0.02  # weight of "none of the candidates is the mark", on the scale of a candidate's score to the fourth power
# Wide prior variances (px^2), for the search only.
WIDE = {"S": 100.0, "Y": 1.0, "slope_x": 25.0, "slope_y": 25.0, "Wx": 4.0,
        "Wy": 4.0, "Sk_line": 0.25, "Sk": 0.04, "shear": 4.0, "place_x": 1e-8, "place_y": 1e-8, "border_x": 1e-8,
        "border_y": 1e-8, "arm_x": 1e-8, "border_power": 1e-8}  # fmt: skip
# 1-sigma, as a fraction of half a line or half a strip, by which all lines or strips are longer than stated, or skewed.
# It must be small: if the marks stand at one sample (or one line) of their strips, strips that move cannot be told from
# lines that see one place at all samples (or strips that see one place on all lines), and the latter would be likelier.
STRETCH = 0.03
SEARCH_MODES = 32  # most modes of the wander: those beyond them have only 0.02 px under the wide prior
STIFF_S = 4.0  # px^2: prior variance of the sweep's common curve for the coarse fit to the identified marks
STIFFER_S = (STIFF_S, 0.25, 0.01)  # px^2: tried in turn while a looser one lets the sweep stand still
AS_MANY = 0.9  # of the most weight of marks gathered otherwise: with at least this share a result is as good
# A pair is rejected if its score is below the median of its strip's marks by more than so many sigma, or LEAST_UNLIKE
# if that is more.
UNLIKE_SIGMAS, LEAST_UNLIKE = 4.0, 0.2
NO_WEIGHT = 1e-12  # weight of a rejected pair: not 0, so that its observation stays in the fit
LEAST_SCORE = 1e-3  # lower bound of a pair's score before its logarithm is taken
LEAST_PACE = 0.05  # lower bound of the step from sample to sample, as a fraction of the stated one
LEAST_STRENGTH = 1.5  # total weight of a strip's pairs, in marks, from which the strip counts as placed
BY_CHANCE = 0.05  # greatest share of frames in which chance alone has a strip reported as without marks


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Candidates paired with the marks they may be: arrays (N,); `departure` (N, 2) in px from the nominal place."""

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
    """Pairs with their final weights (N,), 0 .. 1, the coarse fit, and `strength` (K,): the sum of weight times score
    in each strip, about its number of marks found."""

    pairs: Pairs
    weight: Array
    fit: Adjustment
    strength: Array


def wide_variances(tolerance_px: float, layout: Layout) -> Array:
    """Prior variances by group for the search."""
    given = WIDE | slope_variances(tolerance_px, layout.strips) | dict.fromkeys(("common", "a", "b"), tolerance_px**2)
    return np.array([given[name] for name in GROUPS])


def slope_variances(tolerance_px: float, strips: Sequence[StripShape]) -> dict[str, float]:
    """Prior variances (px^2, at the edges), by group, of the common stretch and skew of all strips and of all lines.

    Their 1-sigma at a strip's end is never more than the tolerance.
    """
    long, wide = max(shape.n_lines for shape in strips), strips[0].n_samples
    return {"slope": min(tolerance_px, STRETCH * long / 2) ** 2, "stretch": (STRETCH * wide / 2) ** 2}


def search_spans(nominal: Nominal, strip: int) -> list[tuple[int, int]]:
    """Spans (first, stop) of a strip's lines in which some mark may be centred: no pair lies outside them."""
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
    """Greatest distance (x, y), px, of a mark from its nominal place: 1.05 tolerances and 1 px."""
    return 1.05 * nominal.tolerance_px + 1


def make_pairs(nominal: Nominal, candidates: Sequence[Candidates]) -> Pairs:
    """All pairs of a candidate with a mark that may lie there, within the tolerance; `candidates` by strip."""
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
    """Identify the marks: vote for shifts of the strips, then fit with ever more selective weights.

    After the second fit the residuals of every strip are voted on once more, in case its first vote was wrong.
    `sweep_px2` (px^2) is the prior variance of the sweep's common curve while false pairs lose their weight.
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
    # Between and beside the few samples at which marks stand, the wide prior lets the sweep bend towards anything that
    # looks a little like a mark. So the coarse fit is stiffer and uses only pairs that look like their strip's marks.
    variances[GROUPS.index("S")] = min(STIFF_S, sweep_px2)
    kept = np.where(_looks_alike(pairs, weight), weight, NO_WEIGHT)
    fit = solve_weighted(layout, observations, batches, variances, np.ones(KINDS), kept, threads)
    strength = np.asarray(np.bincount(pairs.strip, weight * pairs.score, minlength=len(layout.strips)), np.float64)
    return Constellation(pairs, weight, fit, strength)


def find_steady(nominal: Nominal, layout: Layout, pairs: Pairs, tolerance_px: float, threads: int = 1) -> Constellation:
    """`find_constellation`, repeated with a stiffer sweep if its sweep nearly stands still or turns back.

    The result is that of the loosest sweep that does neither, unless another one found far more marks; then, or if all
    stand still, it is the first result.

    On a sweep that stands still all candidates of a mark, at whatever sample, agree with it, and so do marks whose
    strips have wandered: false pairs pull a loose sweep to this state and keep their weight in it. If all marks stand
    at one sample of their strips, hardly anything else constrains the sweep.
    """
    found = find_constellation(layout, pairs, tolerance_px, threads)
    tried = [found]
    for sweep_px2 in STIFFER_S:
        if not _is_still(nominal, tried[-1]):
            break
        tried.append(find_constellation(layout, pairs, tolerance_px, threads, sweep_px2))
    most = max(each.strength.sum() for each in tried)
    is_good = tried[-1].strength.sum() > AS_MANY * most and not _is_still(nominal, tried[-1])
    return tried[-1] if is_good else found


def _is_still(nominal: Nominal, found: Constellation) -> bool:
    """Whether the coarse sweep nearly stands still or turns back at some sample of a strip."""
    return any(step.min() < NEARLY_STILL for step in sample_steps(nominal, found.fit))


def without_marks(strength: Array, expected: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Mask (K,) of the strips in which the `expected` (K,) marks were not found, although so many of the other strips'
    marks are found that chance hardly explains it."""
    placed = strength >= LEAST_STRENGTH
    found = min(float(strength[placed].sum() / max(int(expected[placed].sum()), 1)), 1.0)
    return ~placed & (bdtr(np.minimum(strength, expected), expected, found) < BY_CHANCE / strength.size)


def _as_observations(pairs: Pairs) -> Observations:
    """The pairs as marks with a 1-sigma of 1 px."""
    n = len(pairs)
    return Observations(
        kind=np.full(n, MARK), a=pairs.strip, line_a=pairs.line, sample_a=pairs.sample, line_b=np.zeros(n),
        sample_b=np.zeros(n), value=pairs.departure, information=np.tile(np.eye(2), (n, 1, 1)), mark=np.full(n, -1),
        per_power=np.zeros(n),
    )  # fmt: skip


def _paces(layout: Layout, found: ChainEstimate, sample: Array) -> Array:
    """Step from sample to sample (N, 2) at each pair by the common sweep, as a fraction of the stated step: at most 1
    in x, always 1 in y.

    Residuals are divided by it, because samples are measured and not film places. Otherwise, on a sweep that nearly
    stands still, even candidates far from the sample at which a mark should be read would agree with it, and keep the
    sweep so.
    """
    shape = layout.strips[0]
    every = np.arange(float(shape.n_samples))
    common = layout.shared_rows(0, np.full(every.size, (shape.n_lines - 1) / 2), every)[:, 0] @ found.shared
    paces = np.ones((sample.size, 2))
    paces[:, 0] = np.clip(np.interp(sample, every, 1 + np.gradient(common)), LEAST_PACE, 1.0)
    return paces


def _votes(layout: Layout, pairs: Pairs, departure: Array, reach_px: float, tolerance_px: float, threads: int) -> Array:
    """For every pair, the shift (N, 2), px, of its strip that most marks agree on; a mark votes once, by its best pair.

    Small shifts are preferred: if rows of marks are closer than the tolerance, nearly as many marks agree on a shift by
    a whole row.
    """
    shift, penalty = np.zeros((len(pairs), 2)), -8 * np.log(np.maximum(pairs.score, LEAST_SCORE))
    strips = [np.flatnonzero(pairs.strip == k) for k in range(len(layout.strips))]
    some = [mine for mine in strips if mine.size]

    def voted(mine: NDArray[np.int64]) -> Array:
        order = mine[np.argsort(pairs.mark[mine], kind="stable")]
        starts = np.flatnonzero(np.r_[True, np.diff(pairs.mark[order]) != 0])
        centers = departure[order]
        votes = np.empty(len(mine))
        x, y = np.ascontiguousarray(centers.T / reach_px)
        _count_votes(x, y, penalty[order], np.append(starts, len(mine)), votes)
        likely = np.exp(-0.5 * np.sum(centers**2, axis=1) / tolerance_px**2)
        return centers[(votes * likely).argmax()]

    for mine, common in zip(some, shared_out(voted, some, threads), strict=True):
        shift[mine] = common
    return shift


@bare(cache=True, nogil=True, error_model="numpy", fastmath={"nnan", "nsz", "reassoc"})
def _count_votes(x, y, penalty, starts, votes):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fill `votes` (N,): how many marks agree on each departure (x, y), in units of a vote's 1-sigma. A mark, whose
    pairs begin at `starts`, votes by its best pair; `penalty` (N,) is minus twice the log weight of a pair."""
    for i in range(len(votes)):
        total = 0.0
        for mark in range(len(starts) - 1):
            least = np.inf
            for j in range(starts[mark], starts[mark + 1]):
                least = min(least, (x[j] - x[i]) * (x[j] - x[i]) + (y[j] - y[i]) * (y[j] - y[i]) + penalty[j])
            total += np.exp(-0.5 * least)
        votes[i] = total


def _weights(pairs: Pairs, residual: Array, reach_px: float) -> Array:
    """Weight (N,) of each pair: its share of its mark, given its distance (N, 2), px, from the model."""
    fitness = pairs.score**4 * np.exp(-0.5 * np.sum(residual**2, axis=1) / reach_px**2)
    n_marks = int(pairs.mark.max()) + 1 if len(pairs) else 1
    owner = pairs.strip * n_marks + pairs.mark
    total = np.bincount(owner, fitness)[owner] if len(pairs) else np.zeros(0)
    return np.maximum(fitness / (total + DOUBT), NO_WEIGHT)


def _looks_alike(pairs: Pairs, weight: Array) -> NDArray[np.bool_]:
    """Mask (N,) of the pairs whose score is not far below the median of their strip's marks.

    The scatter within a strip is estimated from all strips.
    """
    below = np.zeros(len(pairs))
    for k in np.unique(pairs.strip):
        mine = np.flatnonzero(pairs.strip == k)
        below[mine] = weighted_median(pairs.score[mine], weight[mine]) - pairs.score[mine]
    scatter = weighted_median(np.abs(below), weight) / MIDDLE_SIZE if len(pairs) else 0.0
    return below <= max(UNLIKE_SIGMAS * scatter, LEAST_UNLIKE)
