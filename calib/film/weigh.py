"""Weighted sums over the samples around a place: the value and its uncertainty.

`size` is the number of taps of a kernel of at most LANES taps, whose sums are unrolled; else it is ANY. `axes` are the
weights along both axes (`kernels.Axes`).
"""

import numpy as np

from calib.compiled import bare
from calib.film.kernels import ALIGNED, CELL, LANES
from calib.film.lanes import weighted_block, weighted_pairs

ANY = 0
ROW, PAIRS = 4 * 2 * ALIGNED, 4 * LANES  # bytes of a row of the tables, and of its pairs, if `size` is not ANY


@bare(cache=True, nogil=True, inline="always")
def row_at(rows, phase, size):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Address of the weights of a phase."""
    stride = np.uint64(ROW) if size != ANY else np.uint64(4 * rows.shape[1])
    return np.uint64(rows.ctypes.data) + stride * np.uint64(phase)


@bare(cache=True, nogil=True, inline="always")
def value_at(i, j, along, across, size, axes, value):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Weighted sum of all taps from row `i`, column `j` on, with weights at the addresses `along` and `across`."""
    width = np.uint64(value.shape[1])
    at, stride = np.uint64(value.ctypes.data) + np.uint64(4) * (i * width + j), np.uint64(4) * width
    if size == 6:
        return weighted_block(at, stride, along, across, 6)
    if size == 8:
        return weighted_block(at, stride, along, across, 8)
    if size == 4:
        return weighted_block(at, stride, along, across, 4)
    total = np.float32(0)
    for row in range(axes.along.taps):
        for chunk in range(axes.across.lanes // LANES):
            step = np.uint64(4 * LANES * chunk)
            here = at + np.uint64(row) * stride + step
            total += weighted_block(here, np.uint64(0), along + np.uint64(4 * row), across + step, 1)
    return total


@bare(cache=True, nogil=True, inline="always")
def cell_of(i, j, doubts):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The number of the cell in which row `i`, column `j` lie."""
    cell = np.uint64(CELL)
    return (i // cell) * np.uint64(doubts.shape[1]) + j // cell


@bare(cache=True, nogil=True, inline="always")
def doubt_at(i, j, number, along, across, size, axes, doubts):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Variance and systematic error of the same sum, from the cells in which the taps lie, the first being `number`."""
    cell, stride = np.uint64(CELL), np.uint64(8 * doubts.shape[1])
    at = np.uint64(doubts.ctypes.data) + np.uint64(8) * number
    if size != ANY:
        to_l = along + np.uint64(4 * LANES) + np.uint64(PAIRS) * (i % cell)
        to_s = across + np.uint64(4 * LANES) + np.uint64(PAIRS) * (j % cell)
        return weighted_pairs(at, stride, to_l, to_s, 4)
    cells_l, cells_s = axes.along.cells, axes.across.cells
    to_l = along + np.uint64(4 * axes.along.lanes) + np.uint64(8 * cells_l) * (i % cell)
    to_s = across + np.uint64(4 * axes.across.lanes) + np.uint64(8 * cells_s) * (j % cell)
    variance, shared = np.float32(0), np.float32(0)
    for row in range(cells_l):
        line = np.uint64(row)
        for part in range(cells_s * 2 // LANES):
            step = np.uint64(4 * LANES * part)
            here = at + line * stride + step
            a, b = weighted_pairs(here, np.uint64(0), to_l + np.uint64(8) * line, to_s + step, 1)
            variance += a
            shared += b
    return variance, shared
