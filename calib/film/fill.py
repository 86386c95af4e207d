"""Gaps bridged from their neighbours: strokes of marks and short dropouts."""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit

STEPS = np.array([[0, 1], [1, 0], [1, 1], [1, -1]], dtype=np.int64)  # along the line, across the lines, both diagonals


def bridge(
    values: NDArray[np.float32],
    noise: NDArray[np.float32],
    bad: NDArray[np.bool_],
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    reach: int,
) -> NDArray[np.bool_]:
    """Bridge bad samples, in place, linearly between the nearest good ones on both sides, in four directions.

    A direction counts with one over its gap squared; a gap wider than `reach` samples is not bridged. The 1-sigma of a
    filled sample is the scatter of the ends it was made from, with their noise: no less is known of what stood there.
    `values`, `noise` and `bad` have shape (lines, samples); the bad samples at `rows`, `columns` (N,) are filled, or
    NaN where they could not be. Returns which of them were filled, (N,).
    """
    filled = np.zeros(rows.size, dtype=np.bool_)
    _bridge(values, noise, bad, rows, columns, reach, filled)
    return filled


@njit(cache=True, nogil=True)
def _end(bad: NDArray, row: int, column: int, down: int, right: int, reach: int) -> int:  # pragma: no cover
    """Steps from a bad sample to the first good one in a direction; 0 where there is none within reach."""
    for step in range(1, reach + 1):
        i, j = row + step * down, column + step * right
        if i < 0 or j < 0 or i >= bad.shape[0] or j >= bad.shape[1]:
            return 0
        if not bad[i, j]:
            return step
    return 0


@njit(cache=True, nogil=True)
def _bridge(values, noise, bad, rows, columns, reach, filled):  # type: ignore[no-untyped-def]  # pragma: no cover
    for n in range(rows.size):
        row, column = rows[n], columns[n]
        total = mean = second = variance = 0.0
        for d in range(4):
            down, right = STEPS[d, 0], STEPS[d, 1]
            before = _end(bad, row, column, -down, -right, reach)
            after = _end(bad, row, column, down, right, reach)
            gap = before + after
            if before == 0 or after == 0 or gap - 1 > reach:
                continue
            a = values[row - before * down, column - before * right]
            b = values[row + after * down, column + after * right]
            noise_a = noise[row - before * down, column - before * right]
            noise_b = noise[row + after * down, column + after * right]
            weight = 1.0 / (gap * gap * (down * down + right * right))
            share = before / gap
            total += weight
            mean += weight * (a + share * (b - a))
            second += weight * ((1 - share) * a * a + share * b * b)
            variance += weight * ((1 - share) * noise_a * noise_a + share * noise_b * noise_b)
        if total > 0.0:
            mean /= total
            values[row, column] = mean
            noise[row, column] = np.sqrt(max(second / total - mean * mean, 0.0) + variance / total)
            filled[n] = True
        else:
            values[row, column] = np.nan
            noise[row, column] = np.nan
