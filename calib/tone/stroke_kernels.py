"""The loops over the samples of reseau strokes, compiled."""

import math

import numpy as np

from calib.compiled import njit
from calib.median import TO_SIGMA, median_of

CLEAR = 1.7  # samples kept clear of a stroke's edges, where it is wide enough
BESIDE = (2.5, 5.0)  # samples from a stroke's edge at which the ground beside it is read
EXPECTED = 1  # the one of the blurs that is expected; the others stand on both sides of it
ORDINARY, LEAST_SCATTER = 4.0, 0.5  # scatters of a stroke's samples within which they count; DN
FEWEST = 3  # samples of a cross, and beside it
MOST_CLIPPED = 0.02  # of a cross's samples, and of those beside it: what is left of more has a mean that is off
NO_SHADE = 6.0  # where the error function is one to the last digit


@njit(cache=True, nogil=True)
def stroke_cells(picture, sweep, marks, cross, blurs):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Rows (mark, sample, mean line, count, mean DN, DN beside the cross, shares of light from there for all blurs) of
    crosses, their samples averaged column by column.

    `picture`: DN, where they are lost, and the DN at and beyond which they are clipped.
    `sweep`: x and y in mm, each by sample and by line.
    `marks`: rows of number, x_mm, y_mm, line, sample.
    `cross`: each along x and y, the step in mm and, in samples, the arm, half a stroke's width, and the reach about its
        axis that is used.
    `blurs` (B, 2): along x and y, in samples.
    """
    dn, arm = picture[0], cross[1]
    tall, wide = int(arm[1] + BESIDE[1]) + 2, int(arm[0] + BESIDE[1]) + 2
    most = (2 * tall + 1) * (2 * wide + 1)
    inner, at, beside = np.empty((most, 1 + len(blurs))), np.empty((most, 2), np.int64), np.empty(most)
    table, n_found = np.empty((len(marks) * (2 * wide + 1), 6 + len(blurs))), 0
    for mark in marks:
        line, sample = int(mark[3]), int(mark[4])
        rows = max(line - tall, 0), min(line + tall + 1, dn.shape[0])
        columns = max(sample - wide, 0), min(sample + wide + 1, dn.shape[1])
        room = inner, at, beside
        n, n_beside, cut, cut_beside = _read_cross(picture, sweep, mark, cross, (rows, columns), blurs, room)
        if n < FEWEST or n_beside < FEWEST or max(cut / (n + cut), cut_beside / (n_beside + cut_beside)) > MOST_CLIPPED:
            continue
        ground = median_of(beside[:n_beside])
        sums = _sum_columns(inner[:n], at[:n], columns, ground)
        for column in range(columns[1] - columns[0]):
            count = sums[column, 0]
            if count == 0:
                continue
            table[n_found, 0], table[n_found, 1] = mark[0], columns[0] + column
            table[n_found, 2], table[n_found, 3] = sums[column, 1] / count, count
            table[n_found, 4], table[n_found, 5] = sums[column, 2] / count, ground
            for blur in range(len(blurs)):
                table[n_found, 6 + blur] = sums[column, 3 + blur] / count
            n_found += 1
    return table[:n_found]


@njit(cache=True, nogil=True)
def _read_cross(picture, sweep, mark, cross, window, blurs, room):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fill `room` with DN and leaks of a stroke's samples, where they are, the DN beside it; count both, and both
    clipped."""
    (dn, lost, clip), (x_mm, y_mm), (step, arm, half, reach) = picture, sweep, cross
    (rows, columns), (inner, at, beside) = window, room
    n, n_beside, cut, cut_beside = 0, 0, 0, 0
    far = (half[0] + BESIDE[1]) * step[0], (half[1] + BESIDE[1]) * step[1]
    for line in range(rows[0], rows[1]):
        for sample in range(columns[0], columns[1]):
            x, y = abs(x_mm[0][sample] + x_mm[1][line] - mark[1]), abs(y_mm[1][line] + y_mm[0][sample] - mark[2])
            if x > far[0] and y > far[1]:  # most of the window
                continue
            x, y = x / step[0], y / step[1]
            if lost[line, sample]:
                continue
            upright, level = x <= reach[0] and y <= arm[1] - CLEAR, y <= reach[1] and x <= arm[0] - CLEAR
            about = min(x - half[0], y - half[1]) >= BESIDE[0] and (
                (x <= half[0] + BESIDE[1] and y <= arm[1]) or (y <= half[1] + BESIDE[1] and x <= arm[0])
            )
            if dn[line, sample] <= clip[0] or dn[line, sample] >= clip[1]:
                cut += upright or level
                cut_beside += about
                continue
            if upright or level:
                inner[n, 0], at[n, 0], at[n, 1] = dn[line, sample], line, sample
                for k in range(len(blurs)):
                    inner[n, 1 + k] = _leak(x, half[0], blurs[k, 0]) * _leak(y, half[1], blurs[k, 1])
                n += 1
            if about:
                beside[n_beside] = dn[line, sample]
                n_beside += 1
    return n, n_beside, cut, cut_beside


@njit(cache=True, nogil=True)
def _sum_columns(inner, at, columns, ground):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Rows of count, sums of the line, of DN and of the leaks, for each column of a cross.

    Samples unlike the rest are left out: damage and scratches.
    """
    n = len(inner)
    cleared, off = np.empty(n), np.empty(n)
    for index in range(n):
        leak = inner[index, 1 + EXPECTED]
        cleared[index] = (inner[index, 0] - leak * ground) / (1.0 - leak)
    middle = median_of(cleared)
    for index in range(n):
        off[index] = abs(cleared[index] - middle)
    limit = ORDINARY * max(TO_SIGMA * median_of(off), LEAST_SCATTER)
    sums = np.zeros((columns[1] - columns[0], 2 + inner.shape[1]))
    for index in range(n):
        if off[index] < limit:
            column = at[index, 1] - columns[0]
            sums[column, 0] += 1.0
            sums[column, 1] += at[index, 0]
            for value in range(inner.shape[1]):
                sums[column, 2 + value] += inner[index, value]
    return sums


@njit(cache=True, nogil=True)
def _leak(off, half, blur):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Share of a spot's light along one axis that comes from beyond a stroke's edges, at a distance from its axis in
    samples. Light from beside a cross lies beyond both strokes' edges."""
    scale = 1.0 / (blur * math.sqrt(2.0))
    if (off - half) * scale > NO_SHADE:
        return 1.0
    return 0.5 * (math.erfc((half - off) * scale) + math.erfc((half + off) * scale))
