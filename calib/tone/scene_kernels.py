"""Gaussian means over the blocks and samples of a scene, compiled."""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array

REACH = 4.0  # scatters at which a Gaussian is cut off


def smoothed(values: Array, reach: tuple[float, float]) -> NDArray[np.float32]:
    """Gaussian means (n, m), in single precision, of values about each place, of a 1-sigma along both axes; they are
    mirrored at the ends."""
    found = np.empty(values.shape, np.float32)
    _smooth(np.ascontiguousarray(values, np.float32), _half_of(reach[0]), _half_of(reach[1]), found)
    return found


def _half_of(sigma: float) -> NDArray[np.float32]:
    """Weights of a Gaussian at whole steps from its middle on, which in both directions sum to one."""
    weight = np.exp(-0.5 * (np.arange(int(REACH * sigma + 0.5) + 1) / max(sigma, 1e-9)) ** 2)
    return np.asarray(weight / (2 * weight.sum() - weight[0]), np.float32)


@njit(cache=True, nogil=True)
def _mirrored(index, size):  # type: ignore[no-untyped-def]  # pragma: no cover
    """An index brought back within a size by mirrors at half a step beyond both ends."""
    around = index % (2 * size)
    return around if around < size else 2 * size - 1 - around


@njit(cache=True, nogil=True)
def _smooth(values, down, along, found):  # type: ignore[no-untyped-def]  # pragma: no cover
    n_rows, n = values.shape
    reach = along.size - 1
    row, total = np.empty(n + 2 * reach, np.float32), np.empty(n, np.float32)
    for line in range(n_rows):
        middle = row[reach : reach + n]
        middle[:] = down[0] * values[line]
        for step in range(1, down.size):
            above, below = values[_mirrored(line - step, n_rows)], values[_mirrored(line + step, n_rows)]
            for sample in range(n):
                middle[sample] += down[step] * (above[sample] + below[sample])
        for step in range(reach):
            row[reach - 1 - step] = row[reach + _mirrored(-1 - step, n)]
            row[reach + n + step] = row[reach + _mirrored(n + step, n)]
        total[:] = along[0] * middle
        for step in range(1, reach + 1):
            left, right = row[reach - step : reach - step + n], row[reach + step : reach + step + n]
            for sample in range(n):
                total[sample] += along[step] * (left[sample] + right[sample])
        found[line] = total
