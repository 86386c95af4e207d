"""The loops over a strip's profile along its wedge, compiled: its medians, its misfit to a pattern, its steps."""

import numpy as np

from calib.compiled import njit
from calib.median import median_of, median_of_whole

COLUMN_GROUPS = 6  # of a profile
ROBUST = 6.0  # a profile point further off than this, in its scatter, counts no more


@njit(cache=True, nogil=True)
def wedge_misfits(dn, span, room, is_patch, noise, level):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Misfits of some placings: `span` (placings, stretches, 2) the points of a profile `dn` that each stretch of one
    density is laid on, first and stop.

    `room` is how many points each stretch has room for: a patch of which half is out of view costs. Returns the misfits
    and how many points lie on patches; `level` is filled with the DN of each stretch that enough points show.
    """
    costs, seen = np.zeros(len(span)), np.zeros(len(span))
    values = np.empty(dn.size)
    for place in range(len(span)):
        cost = 0.0
        for row in range(len(room)):
            first, stop = span[place, row, 0], max(span[place, row, 1], span[place, row, 0])
            if is_patch[row]:  # lost lines are in view, lines beyond the strip's end are not
                seen[place] += stop - first
                cost += 0.5 * ROBUST**2 * max(0.5 * room[row] - (stop - first), 0.0)
            n = 0
            for point in range(first, stop):
                if np.isfinite(dn[point]):
                    values[n] = dn[point]
                    n += 1
            if n >= COLUMN_GROUPS:
                middle = median_of(values[:n])
                for index in range(n):
                    cost += 0.5 * min(((values[index] - middle) / (2.0 * noise)) ** 2, ROBUST**2)
                level[place, row] = middle
        costs[place] = cost
    return costs, seen


@njit(cache=True, nogil=True)
def nearest_line(values, wanted):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Gain and offset that bring values to the wanted ones, robustly."""
    gain, offset, limit = 1.0, 0.0, np.inf
    off, some = np.zeros(values.size), np.empty(values.size)
    for _ in range(4):
        n, centre, aim = 0, 0.0, 0.0
        for index in range(values.size):
            if off[index] <= limit:
                n, centre, aim = n + 1, centre + values[index], aim + wanted[index]
        centre, aim, spread, common = centre / n, aim / n, 0.0, 0.0
        for index in range(values.size):
            if off[index] <= limit:
                spread += (values[index] - centre) ** 2
                common += (values[index] - centre) * wanted[index]
        gain = common / spread if spread > 0 else 1.0
        offset = aim - gain * centre if spread > 0 else 0.0
        n = 0
        for index in range(values.size):
            used = off[index] <= limit
            off[index] = abs(gain * values[index] + offset - wanted[index])
            if used:
                some[n] = off[index]
                n += 1
        limit = max(4.0 * median_of(some[:n]), 1e-9)
    return gain, offset


@njit(cache=True, nogil=True)
def row_medians(dn, lost):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Median of each line's samples that are not lost; not a number where at least half of them are."""
    median, values = np.full(dn.shape[0], np.nan), np.empty(dn.shape[1], np.int32)
    for line in range(dn.shape[0]):
        n = 0
        for sample in range(dn.shape[1]):
            values[n] = dn[line, sample]
            n += not lost[line, sample]
        if 2 * n > dn.shape[1]:
            median[line] = median_of_whole(values[:n])
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
    """Where a step lies relative to y = 0, from the area under it; not a number where it is too small or incomplete.

    Both are brought into order.
    """
    before, after, n_before, n_after = np.empty(y.size), np.empty(y.size), 0, 0
    for index in range(y.size):
        if y[index] < -0.45 * reach:
            before[n_before], n_before = dn[index], n_before + 1
        elif y[index] > 0.45 * reach:
            after[n_after], n_after = dn[index], n_after + 1
    if n_before < 2 or n_after < 2:
        return np.nan
    low, high = median_of(before[:n_before]), median_of(after[:n_after])
    if abs(high - low) < least_step:
        return np.nan
    _sort_by(y, dn)
    area, last = 0.0, 0.0
    for index in range(y.size):
        share = min(max((dn[index] - low) / (high - low), -0.3), 1.3)
        if index > 0:
            step = y[index] - y[index - 1]
            if step > 2.5 * line_mm:
                return np.nan
            area += (share + last) / 2 * step
        last = share
    return y[-1] - area


@njit(cache=True, nogil=True)
def _sort_by(y, dn):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Bring both into the order of y, by insertion: few are out of turn."""
    for index in range(1, y.size):
        k, here, value = index, y[index], dn[index]
        while k > 0 and y[k - 1] > here:
            y[k], dn[k] = y[k - 1], dn[k - 1]
            k -= 1
        y[k], dn[k] = here, value
