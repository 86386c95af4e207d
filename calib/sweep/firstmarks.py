"""Chooses the marks that a first look measures, no more than placing the strips needs, and where it looks for them."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.frame.frame import Frame
from calib.sweep import marks as marking
from calib.sweep.constellation import LEAST_STRENGTH, LEAST_UNLIKE, Constellation
from calib.sweep.tables import MarkTable

FIRST_MARKS = 20  # marks measured in a strip that has more with a candidate,
FIRST_STRETCH = 800  # lines: or one mark per so many, if that gives more
TAKEN = 0.5  # least weight of a pair whose candidate is taken for the mark
LEAST_GOOD = 0.8  # share of the measured marks that must be good; else candidates were no marks, and all are measured
GOLDEN = (np.sqrt(5) - 1) / 2  # golden ratio less 1: its multiples modulo 1 are spread evenly


def sought_first(
    frame: Frame, expected: marking.Sought, found: Constellation
) -> tuple[marking.Sought, NDArray[np.bool_]]:
    """Every mark expected in a placed strip, and a mask of those that suffice to place the strips.

    A mark is looked for at its candidate if it has one, else where it is expected. A strip of one mark counts as placed
    if that is a clear one.
    """
    placed = (found.strength >= LEAST_STRENGTH) | _by_clear_marks(found)
    sought, pairs, best = expected.select(placed[expected.strip]), found.pairs, {}
    for i in np.argsort(found.weight, kind="stable"):
        if found.weight[i] > TAKEN:
            best[int(pairs.strip[i]), int(pairs.mark[i])] = (pairs.line[i], pairs.sample[i])
    names = list(zip(sought.strip.tolist(), sought.mark.tolist(), strict=True))
    at = zip(names, sought.line, sought.sample, strict=True)
    places = np.array([best.get(name, (line, sample)) for name, line, sample in at]).reshape(-1, 2)
    lines = [strip.n_lines for strip in frame.strips]
    enough = _sufficient(sought, np.array([name in best for name in names], bool), lines)
    return replace(sought, line=places[:, 0], sample=places[:, 1]), enough


def _by_clear_marks(found: Constellation) -> NDArray[np.bool_]:
    """Mask (K,) of the strips that have a clear mark.

    Its score exceeds that of every candidate in any strip that is no mark, and is not far below the median of all
    marks. The latter matters where there are hardly any other candidates: then the best piece of noise scores highest.
    """
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


def _sufficient(sought: marking.Sought, found: NDArray[np.bool_], n_lines: Sequence[int]) -> NDArray[np.bool_]:
    """Mask of the marks that a first look measures: all, but in a strip with many that are `found` only some of these.

    Finding the wedge and knowing where to measure marks in density needs no more. One mark is taken per stretch of
    lines, at a varying position in the stretch, because marks stand in rows and columns.
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
    """Indices of the strips in which many of the measured marks are no marks or are damaged."""
    strips, mine = np.unique(table.strip, return_inverse=True)
    return strips[np.bincount(mine, table.used) < LEAST_GOOD * np.bincount(mine)]


def strongest(sought: marking.Sought, found: Constellation) -> marking.Sought:
    """The `marking.BLUR_MARKS` marks with the best candidates."""
    score: dict[tuple[int, int], float] = {}
    pairs = found.pairs
    for k, m, value in zip(pairs.strip.tolist(), pairs.mark.tolist(), found.weight * pairs.score, strict=True):
        score[k, m] = max(value, score.get((k, m), 0.0))
    mine = [-score.get((k, m), 0.0) for k, m in zip(sought.strip.tolist(), sought.mark.tolist(), strict=True)]
    keep = np.zeros(len(mine), bool)
    keep[np.argsort(mine, kind="stable")[: marking.BLUR_MARKS]] = True
    return sought.select(keep)
