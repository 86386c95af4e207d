"""Finds the DN at which a strip's video is clipped if that is within the stated range: samples pile up at one DN.

A 12-bit converter may be stored in a 16-bit type, and its range may not be stated. Samples that pile up at its end have
no tone, but they are no dropouts either.
"""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit

LEAST_BEND = 2  # DN, from line to line to line: what noise of one DN makes, and no slope of the scene
FEWEST = 30  # samples of those looked at that make a pile
STEEP = 2.0  # times as many as at any DN shortly before it
BEYOND = 0.02  # of the pile's samples may lie as near beyond it; and of the strip's anywhere, lost ones among them
BESIDE = 40  # samples before the pile that tell how many are at a DN, and ...
NARROWEST = 8  # ... DN that they span at least
EVEN = 0.2  # of those in each half of their span at least: a level with little noise is a peak, not an end;
NEAREST = 0.2  # of a strip's samples are nearest to an end,
FEW_NEAREST = 0.5  # and so much of those beside clipped film is among them: beside what is lost that part alone
LONG = 12  # samples of a run: noise alone clips fewer
MOST_LOST = 0.1  # of a strip's samples are lost as one value; where more are of one, hardly any others may be left
ENOUGH = 16  # samples are enough where there are many: film beyond the end shows ever fewer of its noise


def clipped_within(dn: NDArray, count: NDArray[np.integer], stated: tuple[int, int]) -> tuple[int, int]:
    """Ends (low, high) of the video's range in a strip `dn`, within the `stated` ones; `count` is a histogram of its
    DN.

    With hardly any noise, film of one density may fill a single DN; then the stated ends are returned.
    """
    inside = np.asarray(count[stated[0] : stated[1] + 1])
    high, low = (_pile(each, int(count.sum())) for each in (inside, inside[::-1]))
    ends = stated[0] if low is None else stated[1] - low, stated[1] if high is None else stated[0] + high
    return stated if ends == stated or _is_smooth(dn, *ends) else ends


def clipped_by_film(dn: NDArray, count: NDArray[np.integer], clip: tuple[int, int]) -> tuple[int, int]:
    """The ends `clip` of the video's range, each moved out by one DN if the samples at it are dropouts and not film.

    Film reaches the end gradually, so the samples beside a run of clipped film are among the strip's nearest to that
    end. Beside a dropout lies film of any density. Ends with hardly any samples, or only whole lines or single samples,
    stay as they are.
    """
    low, high = clip
    up_to = np.cumsum(count[max(low + 1, 0) : high])
    if not up_to.size or up_to[-1] == 0:
        return clip
    nearest = [low + 1 + int(np.searchsorted(up_to, part * up_to[-1])) for part in (NEAREST, 1.0 - NEAREST)]
    most = MOST_LOST * count.sum()
    if 0 < count[: low + 1].sum() < most and _is_lost(_beside(dn, dn <= low) <= nearest[0]):
        low -= 1
    if 0 < count[high:].sum() < most and _is_lost(_beside(dn, dn >= clip[1]) >= nearest[1]):
        high += 1
    return low, high


def _is_lost(is_nearest: NDArray[np.bool_]) -> bool:
    """Whether the samples at an end are dropouts; the mask tells which of those beside them are nearest to that end."""
    return is_nearest.size > 0 and bool(np.mean(is_nearest) < FEW_NEAREST)


def _beside(dn: NDArray, clipped: NDArray[np.bool_]) -> NDArray:
    """The samples next to long runs of clipped ones in a line."""
    some = np.count_nonzero(clipped, axis=1) >= LONG  # few lines, mostly
    dn, clipped = dn[some], clipped[some]
    edges = np.diff(clipped.astype(np.int8), axis=1, prepend=0, append=0)
    (line, first), (_, stop) = np.nonzero(edges > 0), np.nonzero(edges < 0)
    long = stop - first >= LONG
    before, after = long & (first > 0), long & (stop < dn.shape[1])
    return np.concatenate([dn[line[before], first[before] - 1], dn[line[after], stop[after]]])


@njit(cache=True, nogil=True)
def _is_smooth(dn, low, high):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether more than half of some samples between two ends hardly bend along the strip; clipped ones never do."""
    smooth, looked_at = 0, 0
    for line in range(0, len(dn) - 2, 27):
        for sample in range(0, dn.shape[1], 3):
            one, two, three = np.int32(dn[line, sample]), np.int32(dn[line + 1, sample]), np.int32(dn[line + 2, sample])
            if low < min(one, two, three) and max(one, two, three) < high:
                smooth += abs(one + three - 2 * two) < LEAST_BEND
                looked_at += 1
    return 2 * smooth > looked_at


def _pile(count: NDArray[np.integer], total: int) -> int | None:
    """The DN below the upper end of a histogram at which samples pile up; None if there is none."""
    below = np.concatenate([[0], np.cumsum(count)])
    beyond = below[-1] - below[1:] - count[-1]  # the very end is where lost samples lie
    for pile in np.flatnonzero((count >= FEWEST) & (beyond <= BEYOND * total))[::-1]:
        first = min(int(np.searchsorted(below, below[pile] - BESIDE, side="right")) - 1, int(pile) - NARROWEST)
        if pile == count.size - 1 or first < 0:
            continue
        before, middle = below[pile] - below[first], (first + pile) // 2
        halves = below[middle] - below[first], below[pile] - below[middle]
        after = below[min(2 * pile - first + 1, count.size - 1)] - below[pile + 1]
        is_steep = count[pile] >= STEEP * max(int(count[middle:pile].max()), 1)
        if is_steep and after <= BEYOND * count[pile] and min(halves) >= min(EVEN * before, ENOUGH):
            return int(pile)
    return None
