"""Bridges gaps from their neighbours: strokes of marks and short dropouts."""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare
from calib.film.tables import StripLines, group_of

STEPS = np.array([[0, 1], [1, 0], [1, 1], [1, -1]], dtype=np.int64)  # along the line, across the lines, both diagonals


def bridge(
    read: StripLines,
    bad: NDArray[np.bool_],
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    reach: int,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.bool_]]:
    """Bridge bad samples linearly between the nearest good ones on both sides, in four directions.

    The weight of a direction is one over its gap squared; gaps wider than `reach` samples are not bridged. The 1-sigma
    of a filled sample combines the scatter of the ends it is interpolated from with their noise, because the true value
    is not known better. `bad` (lines, samples) is a mask over the lines read. Returns, for the bad samples at `rows`,
    `columns` (N,), the row in the table of values and the 1-sigma in rows, NaN where not bridged, and the mask of the
    bridged ones.
    """
    filled = np.zeros(rows.size, np.bool_)
    row, noise = np.empty(rows.size, np.float32), np.empty(rows.size, np.float32)
    _bridge(read, bad, rows, columns, reach, row, noise, filled)
    return row, noise, filled


@bare(cache=True, nogil=True, inline="always")
def _steps_to_good(bad, row, column, down, right, reach):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Steps from a bad sample to the first good one in a direction; 0 where there is none within reach."""
    most = reach
    if down:
        most = min(most, row if down < 0 else bad.shape[0] - 1 - row)
    if right:
        most = min(most, column if right < 0 else bad.shape[1] - 1 - column)
    for step in range(1, most + 1):
        if not bad[np.uint64(row + step * down), np.uint64(column + step * right)]:
            return step
    return 0


@bare(cache=True, nogil=True, inline="always")
def _row_and_variance(read, i, j):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Row of a sample in the table of values, and the variance of its noise."""
    number, tables = np.uint64(read.dn[i, j]), read.tables
    noise = tables.groups[group_of(number, tables.shift), 1]
    return tables.row_of_dn[number] - (tables.columns[j] + read.drift[i]), noise * noise


@bare(cache=True, nogil=True)
def _bridge(read, bad, rows, columns, reach, out_row, out_noise, filled):  # type: ignore[no-untyped-def]  # pragma: no cover
    for n in range(rows.size):
        row, column = rows[n], columns[n]
        total = mean = second = variance = 0.0
        for d in range(4):
            down, right = STEPS[d, 0], STEPS[d, 1]
            before = _steps_to_good(bad, row, column, -down, -right, reach)
            after = _steps_to_good(bad, row, column, down, right, reach + 1 - before) if before else 0
            if after == 0:
                continue
            gap = before + after
            i, j = row - before * down, column - before * right
            a, noise_a = _row_and_variance(read, i, j)
            i, j = row + after * down, column + after * right
            b, noise_b = _row_and_variance(read, i, j)
            weight = 1.0 / (gap * gap * (down * down + right * right))
            share = before / gap
            total += weight
            mean += weight * (a + share * (b - a))
            second += weight * ((1 - share) * a * a + share * b * b)
            variance += weight * ((1 - share) * noise_a + share * noise_b)
        if total > 0.0:
            mean /= total
            out_row[n], filled[n] = mean, True
            out_noise[n] = np.sqrt(max(second / total - mean * mean, 0.0) + variance / total)
        else:
            out_row[n] = out_noise[n] = np.nan
