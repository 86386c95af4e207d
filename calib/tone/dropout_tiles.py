"""Level and scatter of the tiles of a strip, for the search for dropouts, compiled."""

import numpy as np

from calib.compiled import njit
from calib.median import median_of_whole

TILE = 16  # lines and samples


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
