"""Level and scatter of the tiles of a strip, for the search for dropouts, compiled."""

import numpy as np

from calib.compiled import njit

TILE = 16  # lines and samples
MOST = np.int32(2**30)


@njit(cache=True, nogil=True)
def tile_statistics(dn):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Median level and robust scatter about the vertical neighbours' mean, per tile of `TILE` lines and samples."""
    n_lines, n_samples = dn.shape
    rows, columns = (n_lines + TILE - 1) // TILE, (n_samples + TILE - 1) // TILE
    level, scatter = np.zeros((rows, columns)), np.zeros((rows, columns))
    values, off = np.empty(TILE * TILE, np.int32), np.empty(TILE * TILE, np.int32)
    for row in range(rows):
        first, stop = max(row * TILE, 1), min(row * TILE + TILE, n_lines - 1)
        for column in range(columns):
            left, right = column * TILE, min(column * TILE + TILE, n_samples)
            if stop <= first:
                level[row, column] = float(dn[min(row * TILE, n_lines - 1), left])
                continue
            n, width = 0, right - left
            for line in range(first, stop):
                above, here, below = dn[line - 1, left:right], dn[line, left:right], dn[line + 1, left:right]
                _twice_off(above, here, below, values[n : n + width], off[n : n + width])
                n += width
            level[row, column] = median_of_whole(values[:n])
            scatter[row, column] = 1.4826 * (0.5 * median_of_whole(off[:n])) / np.sqrt(1.5)
    return level, scatter


@njit(cache=True, nogil=True)
def _twice_off(above, here, below, values, off):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The DN of some samples, and twice their distance from the mean of those above and below: whole numbers both."""
    for index in range(here.size):
        value = np.float32(here[index])
        values[index] = np.int32(value)
        off[index] = np.int32(abs(value + value - np.float32(above[index]) - np.float32(below[index])))


@njit(cache=True, nogil=True)
def median_of_whole(values):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Median of whole numbers from 0 on (int32), exact, by halving the range that it lies in.

    Counting a range is one quick sweep.
    """
    middle = (values.size + 1) // 2
    low, high = _least_above(values, np.int32(-1)), _greatest(values)
    while low < high:
        half = np.int32((low + high) // 2)
        if _count_up_to(values, half) >= middle:
            high = half
        else:
            low = np.int32(half + 1)
    if values.size % 2 == 1 or _count_up_to(values, low) > middle:
        return float(low)
    return 0.5 * (float(low) + float(_least_above(values, low)))


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def _count_up_to(values, limit):  # type: ignore[no-untyped-def]  # pragma: no cover
    count = np.float32(0.0)
    for index in range(values.size):
        count += np.float32(1.0) if values[index] <= limit else np.float32(0.0)
    return count


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def _least_above(values, limit):  # type: ignore[no-untyped-def]  # pragma: no cover
    least = MOST
    for index in range(values.size):
        least = min(least, values[index] if values[index] > limit else MOST)
    return least


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def _greatest(values):  # type: ignore[no-untyped-def]  # pragma: no cover
    greatest = values[0]
    for index in range(values.size):
        greatest = max(greatest, values[index])
    return greatest
