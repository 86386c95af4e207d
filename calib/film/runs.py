"""Operations on runs of samples, such as dropouts and marks: arrays (n, 3) of line, first sample, stop sample, sorted
by line."""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit


def within(runs: NDArray[np.int32], first: int, stop: int) -> NDArray[np.int32]:
    """The runs on lines `first` to `stop` - 1."""
    return runs[_before(runs, first) : _before(runs, stop)]


@njit(cache=True, nogil=True)
def _before(runs, line):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The number of runs on lines before `line`."""
    low, high = 0, runs.shape[0]
    while low < high:
        middle = (low + high) // 2
        if runs[middle, 0] < line:
            low = middle + 1
        else:
            high = middle
    return low


@njit(cache=True, nogil=True)
def samples_in_runs(gaps, spans, top):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Rows, counted from line `top`, and columns of the samples of the gaps inside the spans; a sample in two gaps
    appears twice.
    """
    first, low, high = spans
    count = 0
    for n in range(gaps.shape[0]):
        row = gaps[n, 0] - first
        if 0 <= row < low.size:
            count += max(min(gaps[n, 2] - 1, high[row]) - max(gaps[n, 1], low[row]) + 1, 0)
    rows, columns = np.empty(count, np.intp), np.empty(count, np.intp)
    count = 0
    for n in range(gaps.shape[0]):
        row = gaps[n, 0] - first
        if 0 <= row < low.size:
            for sample in range(max(gaps[n, 1], low[row]), min(gaps[n, 2] - 1, high[row]) + 1):
                rows[count], columns[count] = gaps[n, 0] - top, sample
                count += 1
    return rows, columns


@njit(cache=True, nogil=True)
def flag_mask(gaps, top, left, bad):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Set the mask `bad`, whose first element is (top, left), at the samples of the runs."""
    for n in range(gaps.shape[0]):
        row = gaps[n, 0] - top
        if 0 <= row < bad.shape[0]:
            for column in range(max(gaps[n, 1] - left, 0), min(gaps[n, 2] - left, bad.shape[1])):
                bad[row, column] = True


@njit(cache=True, nogil=True)
def flag_bits(runs, spans, top, left, bit, quality):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Set a bit on the samples of the runs inside the spans; the first of `quality` is (top, left)."""
    first, low, high = spans
    for n in range(runs.shape[0]):
        row = runs[n, 0] - first
        if 0 <= row < low.size:
            for sample in range(max(runs[n, 1], low[row]), min(runs[n, 2] - 1, high[row]) + 1):
                quality[runs[n, 0] - top, sample - left] |= bit
