"""Level and scatter of the tiles of a strip, for the search for dropouts, compiled."""

import numpy as np

from calib.compiled import bare, njit
from calib.median import TO_SIGMA, median_of_whole

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
            n = (stop - first) * (right - left)
            _twice_off(dn, (first, stop), (left, right), values, off)
            level[row, column] = median_of_whole(values[:n])
            scatter[row, column] = TO_SIGMA * (0.5 * median_of_whole(off[:n])) / np.sqrt(1.5)
    return level, scatter


@bare(cache=True, nogil=True)
def _twice_off(dn, lines, samples, values, off):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The DN of some samples, and twice their distance from the mean of those above and below: whole numbers both."""
    begin = 0
    for line in range(lines[0], lines[1]):
        above, here, below = dn[line - 1], dn[line], dn[line + 1]
        for index in range(samples[1] - samples[0]):
            sample = samples[0] + index
            value = np.int32(here[sample])
            values[begin + index] = value
            off[begin + index] = abs(np.int32(value + value - np.int32(above[sample]) - np.int32(below[sample])))
        begin += samples[1] - samples[0]
