"""The uncertainty of samples: their noise, the systematic error that neighbours share, and the uncertainty of place.

It varies slowly, so it is computed for cells of CELL lines and samples. A sigma taken from a single noisy sample would
be as noisy and correlated with its error: where the curve bends, samples that came out low would get too much weight.
So it is a mean over a cell. The sweep's sigma of place, times the gradient of the picture, is an error of the value,
which neighbouring samples share.
"""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.film.kernels import CELL
from calib.film.spans import EMPTY, Spans
from calib.film.tables import group_of
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK
from calib.remembered import once
from calib.sweep.model import StripSweep

REPLACED = np.uint16(DROPOUT | FILLED)


@once
def place_sigma(sweep: StripSweep) -> NDArray[np.float32]:
    """1-sigma of place of a strip's lines, in lines and samples, (n_lines, 2).

    Made once a strip: a sweep is the same only if it is the same object.
    """
    along = sweep.sigma_y_mm / abs(float(np.median(np.diff(sweep.y_line_mm))))
    across = sweep.sigma_x_mm / abs(float(np.median(np.diff(sweep.x_sample_mm))))
    return np.stack([along, across], axis=1).astype(np.float32)


def cell_spans(need: Spans) -> Spans:
    """Cells that contain the samples `need`; cells begin at whole multiples of their size, independent of the block."""
    first, last = need.first // CELL, (need.stop - 1) // CELL
    count = last - first + 1
    cells = Spans(first, np.full(count, EMPTY, np.int32), np.full(count, -EMPTY, np.int32))
    _hold(need, cells)
    return cells


@njit(cache=True, nogil=True)
def _hold(need, cells):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Widen the spans of rows of `cells` to contain the samples `need`."""
    low, high, out_low, out_high = need.low, need.high, cells.low, cells.high
    before = need.first - cells.first * CELL
    for i in range(low.size):
        if low[i] <= high[i]:
            row = (i + before) // CELL
            out_low[row], out_high[row] = min(out_low[row], low[i] // CELL), max(out_high[row], high[i] // CELL)


@njit(cache=True, nogil=True)
def raise_cells(rows, columns, pairs, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Raise variance and systematic error of the cells of bridged samples (n,) to those in `pairs` (n, 2)."""
    for n in range(rows.size):
        i, j = rows[n] // CELL, columns[n] // CELL
        for part in range(2):
            out[i, j, part] = max(out[i, j, part], pairs[n, part])


@njit(cache=True, nogil=True, inline="always")
def spread_at(spread, row, noise, shared):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Noise and squared systematic error of what density is turned into, from those of the density, in rows."""
    nearest = max(row, np.float32(0)) + np.float32(0.5)  # rows are finer than they change
    at = np.uint64(min(nearest, np.float32(spread.shape[0] - 1)))
    return noise * spread[at, 0], shared * spread[at, 1] + spread[at, 2]


@njit(cache=True, nogil=True)
def cells_of_strip(read, place, cells, made):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fill in variance and systematic error of some `cells` (Spans) of the samples `made` (Packed).

    `place` (n_lines, 2) is the 1-sigma of each line's place, in lines and samples. Cells well inside the strip are
    computed in loops without tests; then the others, and those whose samples have quality bits, are done one by one.
    """
    (first_cell, low, high), dn, tables = cells, read.dn, read.tables
    value, quality, top, left, out = made.value, made.quality, made.top, made.left, made.doubts
    n_lines, n_whole = place.shape[0], (dn.shape[1] - 1) // CELL
    number, others = np.empty(dn.shape[1], np.uint32), np.empty(value.shape[1] + 2 * CELL, np.int64)
    room = np.empty((5, value.shape[1]), np.float32)
    for row in range(low.size):
        line, i = (row + first_cell) * CELL, row + first_cell - top // CELL
        start, stop = max(low[row], 1), min(high[row] + 1, n_whole)
        if line < 1 or line + CELL >= n_lines or start >= stop:
            start = stop = high[row] + 1
        else:
            a, u, j = line - read.first, line - top, start - left // CELL
            drift, line_variance = read.drift[a : a + CELL].mean(), read.variance[a : a + CELL].mean()
            p, q, n = CELL * start - left - 1, CELL * stop - left + 1, stop - start
            _plain_cells(
                (dn[a, CELL * start : CELL * stop], dn[a + 1, CELL * start : CELL * stop]),
                (value[u - 1, p:q], value[u, p:q], value[u + 1, p:q], value[u + 2, p:q]), tables,
                (tables.cell_columns[start:stop], tables.cell_variance[start:stop]),
                (np.float32(drift), np.float32(line_variance)), (place[line, 0], place[line, 1]),
                room, out[i, j : j + n],
            )  # fmt: skip
        count = _list_others(quality, line - top, left, (low[row], start, stop, high[row] + 1), number, others)
        _careful_cells(read, place, line, others[:count], made, out[i])


@njit(cache=True, nogil=True)
def _list_others(quality, i, left, cells, room, others):  # type: ignore[no-untyped-def]  # pragma: no cover
    """List the cells of a row that need care; returns their number.

    `cells` are low, start, stop and end of the row: cells from `low` to `end` - 1 outside `start` to `stop` - 1 are all
    listed, those inside only if a sample has a bit other than those of marks and of the curve's ends.
    """
    count, (low, start, stop, end) = 0, cells
    for cell in range(low, start):
        others[count], count = cell, count + 1
    if start < stop:
        p, q = CELL * start - left, CELL * stop - left
        upper, lower = quality[i, p:q], quality[i + 1, p:q]
        some, two, one, plain = np.uint32(0), np.uint64(2), np.uint64(1), ~np.uint32(MARK | LOW_DENSITY | HIGH_DENSITY)
        for c in range(np.uint64(stop - start)):
            a, b = two * c, two * c + one
            room[c] = np.uint32(upper[a] | upper[b] | lower[a] | lower[b]) & plain
            some |= room[c]
        if some:
            for cell in range(start, stop):
                if room[cell - start]:
                    others[count], count = cell, count + 1
    for cell in range(stop, end):
        others[count], count = cell, count + 1
    return count


@njit(cache=True, nogil=True)
def _plain_cells(dn, value, tables, of_columns, of_lines, place, room, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Uncertainties of the cells of two lines `dn`: means over their four samples, and place times slope.

    `place` is the 1-sigma of place along and across, in px. `value` holds four lines with one more sample on each side,
    for the slopes. `of_columns` are banding and its variance, `of_lines` drift and its variance. No loop has tests: the
    compiler makes two versions of the first one, with and without a look-up in the table of spread, by `many`.
    """
    (columns, column_variance), (drift, line_variance), (place_l, place_s) = of_columns, of_lines, place
    groups, shift, spread = tables.groups, tables.shift, tables.spread
    many, (v0, v1, v2, v3) = spread.shape[0] > 1, value
    lowest, last, zero, one, two = np.int32(0), np.int32(spread.shape[0] - 1), np.uint64(0), np.uint64(1), np.uint64(2)
    variance, shared, across, above, below = room[0], room[1], room[2], room[3], room[4]
    cells = np.uint64(out.shape[0])
    for c in range(cells):
        noise, square, off = np.float32(0), np.float32(0), columns[c] + drift - np.float32(0.5)
        for line in dn:
            for s in range(two * c, two * c + two):
                k = group_of(line[s], shift)
                at = zero
                if many:
                    at = np.uint64(min(max(np.int32(groups[k, zero] - off), lowest), last))
                noise += groups[k, one] * spread[at, zero]
                square += (groups[k, two] + column_variance[c] + line_variance) * spread[at, one] + spread[at, two]
        variance[c], shared[c] = noise * noise / np.float32(16), square / np.float32(4)
    for s in range(np.uint64(v0.size)):
        across[s], above[s], below[s] = v1[s] + v2[s], v2[s] - v0[s], v3[s] - v1[s]
    along, beside = place_l * place_l / np.float32(32), place_s * place_s / np.float32(32)
    for c in range(cells):
        p, q, noise = two * c + one, two * c + two, np.float32(4) * variance[c]
        a, b = _square_beyond(above[p] + above[q], noise), _square_beyond(below[p] + below[q], noise)
        d, e = _square_beyond(across[q] - across[p - one], noise), _square_beyond(across[q + one] - across[p], noise)
        shared[c] = np.sqrt(shared[c] + along * (a + b) + beside * (d + e))
    for c in range(cells):
        out[c, zero], out[c, one] = variance[c], shared[c]


@njit(cache=True, nogil=True)
def _careful_cells(read, place, line, cells, made, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Uncertainties of some cells of two lines, sample by sample: only samples in the strip count, and bridged or lost
    ones only if there are no others."""
    dn, drift, line_variance, tables = read.dn, read.drift, read.variance, read.tables
    row_of_dn, groups, shift, spread = tables.row_of_dn, tables.groups, tables.shift, tables.spread
    columns, column_variance = tables.columns, tables.column_variance
    value, quality, top, left = made.value, made.quality, made.top, made.left
    last_line, last_sample = place.shape[0] - 1, dn.shape[1] - 1
    one, two = min(max(line, 0), last_line), min(max(line + 1, 0), last_line)
    u, v = one - top, two - top
    above, below = max(u - 1, -top), min(v + 1, last_line - top)
    for cell in cells:
        c, d = min(max(cell * CELL, 0), last_sample), min(max(cell * CELL + 1, 0), last_sample)
        p, q, j = c - left, d - left, cell - left // CELL
        every = quality[u, p] & quality[u, q] & quality[v, p] & quality[v, q]
        if every & FILLED:
            out[j, 0] = out[j, 1] = np.float32(0)  # `raise_cells` sets them
            continue
        some = not quality[u, p] & REPLACED or not quality[u, q] & REPLACED
        some = some or not quality[v, p] & REPLACED or not quality[v, q] & REPLACED
        skipped = REPLACED if some else np.uint16(0)  # if no sample is sound, all are used
        noise, square, count = np.float32(0), np.float32(0), np.float32(0)
        for at in (one, two):
            for sample in (c, d):
                if quality[at - top, sample - left] & skipped:
                    continue
                a = at - read.first
                number = np.uint64(dn[a, sample])
                k = group_of(number, shift)
                shared = groups[k, 2] + column_variance[sample] + line_variance[a]
                row = row_of_dn[number] - (columns[sample] + drift[a])
                own, shared = spread_at(spread, row, groups[k, 1], shared)
                noise, square, count = noise + own, square + shared, count + np.float32(1)
        each = np.float32(1) / count
        variance, square = (noise * each) * (noise * each), square * each
        before, after, rise = max(p - 1, -left), min(q + 1, last_sample - left), np.float32(4) * variance
        down = _square_beyond(value[v, p] + value[v, q] - value[above, p] - value[above, q], rise)
        down += _square_beyond(value[below, p] + value[below, q] - value[u, p] - value[u, q], rise)
        right = _square_beyond(value[u, q] + value[v, q] - value[u, before] - value[v, before], rise)
        right += _square_beyond(value[u, after] + value[v, after] - value[u, p] - value[v, p], rise)
        down, right = place[one, 0] * place[one, 0] * down, place[one, 1] * place[one, 1] * right
        out[j, 0], out[j, 1] = variance, np.sqrt(square + (down + right) / np.float32(32))


@njit(cache=True, nogil=True, inline="always")
def _square_beyond(rise, noise):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Square of `rise`, a difference of sums of two samples each, less the part that `noise` explains; 0 if unknown."""
    square = rise * rise - noise
    return square if square > np.float32(0) else np.float32(0)  # NaN compares false


@njit(cache=True, nogil=True)
def cells_of_window(noise, systematic, cells, made):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The same for a whole picture whose 1-sigmas `noise` and `systematic` (lines, samples) are given."""
    (first_cell, low, high), (n_lines, n_samples), out = cells, noise.shape, made.doubts
    top, left = made.top // CELL, made.left // CELL
    for row in range(low.size):
        for cell in range(low[row], high[row] + 1):
            variance = shared = 0.0
            for line in range(CELL):
                for sample in range(CELL):
                    i = min(max((row + first_cell) * CELL + line, 0), n_lines - 1)
                    j = min(max(cell * CELL + sample, 0), n_samples - 1)
                    variance += noise[i, j] * noise[i, j]
                    shared += systematic[i, j]
            out[row + first_cell - top, cell - left, 0] = variance / CELL**2
            out[row + first_cell - top, cell - left, 1] = shared / CELL**2
