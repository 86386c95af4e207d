"""The loops over a strip's profile along its wedge, compiled: its medians, its misfit to a pattern, its steps."""

import numpy as np

from calib.compiled import njit
from calib.median import median_of

COLUMN_GROUPS = 6  # of a profile
ROBUST = 6.0  # a profile point further off than this, in its scatter, counts no more


@njit(cache=True, nogil=True)
def wedge_misfit(dn, first, last, room, is_patch, noise, level):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Misfit of the points `first` to `last` (exclusive) of a profile `dn`, one stretch of one density a row.

    `room` is how many points each stretch has room for: a patch of which half is out of view costs. Returns the misfit
    and how many points lie on patches; `level` is filled with the DN of each stretch that enough points show.
    """
    cost, seen = 0.0, 0
    for row in range(len(room)):
        points = dn[first[row] : last[row]]
        if is_patch[row]:  # lost lines are in view, lines beyond the strip's end are not
            seen += points.size
            cost += 0.5 * ROBUST**2 * max(0.5 * room[row] - points.size, 0.0)
        values = points[np.isfinite(points)]
        if values.size >= COLUMN_GROUPS:
            level[row] = median_of(values)
            for value in values:
                cost += 0.5 * min(((value - level[row]) / (2.0 * noise)) ** 2, ROBUST**2)
    return cost, seen


@njit(cache=True, nogil=True)
def row_medians(dn, lost):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Median of each line's samples that are not lost; not a number where at least half of them are."""
    median, values = np.full(dn.shape[0], np.nan), np.empty(dn.shape[1])
    for line in range(dn.shape[0]):
        n = 0
        for sample in range(dn.shape[1]):
            if not lost[line, sample]:
                values[n] = dn[line, sample]
                n += 1
        if 2 * n > dn.shape[1]:
            median[line] = np.median(values[:n])
    return median


@njit(cache=True, nogil=True)
def wedge_edges(stated, x, y, dn, reach, line_mm, least_step):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Rows (stated y, mean x, measured less stated y) of a wedge's step edges in profiles (groups, lines) of DN."""
    rows, n_rows = np.empty((stated.size * len(y), 3)), 0
    at, value, across = np.empty(y.shape[1]), np.empty(y.shape[1]), np.empty(y.shape[1])
    for edge in stated:
        for part in range(len(y)):
            n = 0
            for line in range(y.shape[1]):
                if abs(y[part, line] - edge) < reach and np.isfinite(dn[part, line]):
                    at[n], value[n], across[n] = y[part, line] - edge, dn[part, line], x[part, line]
                    n += 1
            off = _edge_offset(at[:n], value[:n], reach, line_mm, least_step)
            if np.isfinite(off):
                rows[n_rows, 0], rows[n_rows, 1], rows[n_rows, 2] = edge, across[:n].mean(), off
                n_rows += 1
    return rows[:n_rows]


@njit(cache=True, nogil=True)
def _edge_offset(y, dn, reach, line_mm, least_step):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Where a step lies relative to y = 0, from the area under it; not a number where it is too small or incomplete."""
    before, after = dn[y < -0.45 * reach], dn[y > 0.45 * reach]
    if before.size < 2 or after.size < 2:
        return np.nan
    low, high = np.median(before), np.median(after)
    if abs(high - low) < least_step:
        return np.nan
    order = np.argsort(y)
    area, last = 0.0, 0.0
    for index in range(y.size):
        share = min(max((dn[order[index]] - low) / (high - low), -0.3), 1.3)
        if index > 0:
            step = y[order[index]] - y[order[index - 1]]
            if step > 2.5 * line_mm:
                return np.nan
            area += (share + last) / 2 * step
        last = share
    return y[order[-1]] - area
