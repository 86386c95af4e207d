"""Selects the marks that the first look measures, with their starting places: enough to place the strips."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.frame.frame import Frame
from calib.sweep import marks as marking
from calib.sweep.constellation import LEAST_STRENGTH, LEAST_UNLIKE, Constellation
from calib.sweep.tables import MarkTable

FIRST_MARKS = 20  # of a strip that are measured, where more of them have been found already,
FIRST_STRETCH = 800  # and at least one in so many lines
TAKEN = 0.5  # share of its mark that a candidate has from which it is taken for it
MOSTLY = 0.8  # of them good, else all are measured: candidates that seemed to be marks are not
GOLDEN = (np.sqrt(5) - 1) / 2


def sought_first(
    frame: Frame, expected: marking.Sought, found: Constellation
) -> tuple[marking.Sought, NDArray[np.bool_]]:
    """All marks expected in placed strips, starting at their candidates if they have one, and the mask of those to be
    measured. A strip with a single mark counts as placed if the mark is a clear one."""
    placed = (found.strength >= LEAST_STRENGTH) | _by_clear_marks(found)
    sought, pairs, best = expected.select(placed[expected.strip]), found.pairs, {}
    for i in np.argsort(found.weight, kind="stable"):
        if found.weight[i] > TAKEN:
            best[int(pairs.strip[i]), int(pairs.mark[i])] = (pairs.line[i], pairs.sample[i])
    names = list(zip(sought.strip.tolist(), sought.mark.tolist(), strict=True))
    at = zip(names, sought.line, sought.sample, strict=True)
    places = np.array([best.get(name, (line, sample)) for name, line, sample in at]).reshape(-1, 2)
    lines = [strip.n_lines for strip in frame.strips]
    enough = _enough(sought, np.array([name in best for name in names], bool), lines)
    return replace(sought, line=places[:, 0], sample=places[:, 1]), enough


def _by_clear_marks(found: Constellation) -> NDArray[np.bool_]:
    """Mask (K,) of the strips with a clear mark: it looks more like a cross than anything in all strips that is no
    mark, and nearly as much as the median mark. The latter matters where there is little but noise."""
    pairs, clear = found.pairs, np.zeros(found.strength.size, bool)
    if not len(pairs):
        return clear
    places = np.column_stack([pairs.strip, pairs.line, pairs.sample])
    _, first, place = np.unique(places, axis=0, return_index=True, return_inverse=True)
    weight = np.zeros(first.size)
    np.maximum.at(weight, place.ravel(), found.weight)
    none, taken = pairs.score[first][weight <= TAKEN].max(initial=0.0), found.weight > TAKEN
    least = float(np.median(pairs.score[taken])) - LEAST_UNLIKE if taken.any() else 0.0
    clear[pairs.strip[taken & (pairs.score > max(none, least))]] = True
    return clear


def _enough(sought: marking.Sought, found: NDArray[np.bool_], n_lines: Sequence[int]) -> NDArray[np.bool_]:
    """Mask of the marks that the first look measures: all, but only some in a strip where many are `found`.

    That suffices to find the wedge, and to start measuring marks on density. One mark is taken from each stretch of
    lines, at a different position within it each time, because marks stand in rows and columns.
    """
    keep = np.ones(len(found), bool)
    for strip in np.unique(sought.strip).tolist():
        mine = sought.strip == strip
        theirs = np.flatnonzero(mine & found)
        count = max(FIRST_MARKS, n_lines[strip] // FIRST_STRETCH)
        if theirs.size > count:
            ends = np.arange(count + 1) * theirs.size // count
            chosen = ends[:-1] + np.int64(np.arange(count) * GOLDEN % 1 * np.diff(ends))
            keep[mine] = False
            keep[theirs[np.argsort(sought.line[theirs], kind="stable")][chosen]] = True
    return keep


def poor_strips(table: MarkTable) -> NDArray[np.int64]:
    """Indices of the strips in which many of the measured marks are false or damaged."""
    strips, mine = np.unique(table.strip, return_inverse=True)
    return strips[np.bincount(mine, table.used) < MOSTLY * np.bincount(mine)]


def strongest(sought: marking.Sought, found: Constellation) -> marking.Sought:
    """The marks with the best candidates, a limited number of them."""
    score: dict[tuple[int, int], float] = {}
    pairs = found.pairs
    for k, m, value in zip(pairs.strip.tolist(), pairs.mark.tolist(), found.weight * pairs.score, strict=True):
        score[k, m] = max(value, score.get((k, m), 0.0))
    mine = [-score.get((k, m), 0.0) for k, m in zip(sought.strip.tolist(), sought.mark.tolist(), strict=True)]
    keep = np.zeros(len(mine), bool)
    keep[np.argsort(mine, kind="stable")[: marking.BLUR_MARKS]] = True
    return sought.select(keep)
