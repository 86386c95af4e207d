"""How badly a placing of the wedge's pattern fits a strip's profile, compiled: it is asked for many placings."""

import numpy as np

from calib.compiled import njit

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
            level[row] = np.median(values)
            for value in values:
                cost += 0.5 * min(((value - level[row]) / (2.0 * noise)) ** 2, ROBUST**2)
    return cost, seen
