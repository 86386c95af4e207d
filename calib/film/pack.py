"""Prepares a strip's samples for the inner loop: one pass from DN to the quantity that is interpolated.

Only the samples that the places of a block need are computed. Beyond the strip's edge its outermost lines and samples
are repeated, so that the inner loop needs no test for the edge.
"""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare, njit
from calib.film.doubt import cell_spans, cells_of_strip, cells_of_window, place_sigma, raise_cells, spread_at
from calib.film.fill import bridge
from calib.film.kernels import Taps
from calib.film.packed import UNSOUND, Packed, mark_cells, mark_row
from calib.film.runs import flag_bits, flag_mask, samples_in_runs, within
from calib.film.source import StripSource, StripWindow
from calib.film.spans import Spans, clipped, widened
from calib.film.strokes import marked_runs
from calib.film.tables import StripLines, ValueTable, group_of, read_lines
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK

REACH = 2  # samples around each wanted one that its cell's uncertainty depends on
AT_ONCE = 64  # samples of a line that are checked together for any that cannot be calibrated


def packed_strip(source: StripSource, values: ValueTable, need: Spans, taps: Taps, *, fill_marks: bool) -> Packed:
    """The samples `need` of a strip, calibrated, with gaps bridged as in `read_window`; with `fill_marks` marks too."""
    cells, need = cell_spans(need), widened(need, *(REACH,) * 4)
    made = Packed.empty(need)
    shape = source.raster.n_lines, source.raster.n_samples
    inside = clipped(need, *shape)
    reach = source.reach + 1
    first, stop = max(inside.first - reach, 0), min(inside.stop + reach, shape[0])
    read = read_lines(source.raster, source.tone, values, first, stop)
    _calibrate(read, inside, taps, made)
    runs = {DROPOUT: source.dropouts.runs, MARK: marked_runs(source.sweep, source.marks)}
    near = {bit: within(rows, first, stop) for bit, rows in runs.items()}
    for bit, rows in near.items():
        flag_bits(rows, inside, made.top, made.left, np.uint16(bit), made.quality)
    to_fill = [near[DROPOUT], near[MARK]] if fill_marks else [near[DROPOUT]]
    bridged = _bridge_gaps(source.reach, read, inside, made, np.concatenate(to_fill))
    for rows in near.values():
        _mark_runs(rows, inside, taps, made)
    _repeat_edges(need, shape, taps, made)
    cells_of_strip(read, place_sigma(source.sweep), cells, made)
    raise_cells(*bridged, made.doubts)
    if source.noise_alone:
        made.doubts[..., 1] = 0.0
    return made


def packed_window(window: StripWindow, need: Spans, taps: Taps) -> Packed:
    """The samples `need` of a window that holds a whole picture."""
    made = Packed.empty(need)
    shape = window.value.shape
    _copy(window.value, window.quality, clipped(need, *shape), taps, made)
    _repeat_edges(need, shape, taps, made)
    cells_of_window(window.noise, window.systematic, cell_spans(need), made)
    return made


def _bridge_gaps(
    reach: int, read: StripLines, inside: Spans, made: Packed, gaps: NDArray[np.int32]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float32]]:
    """Bridge the `gaps` (runs) as far as they lie `inside`, from the samples at their ends.

    Returns rows and columns of the bridged samples, and their variance and systematic error (n, 2).
    """
    rows, columns = samples_in_runs(gaps, inside, read.first)
    pairs = np.empty((rows.size, 2), np.float32)
    if rows.size == 0:
        return rows, columns, pairs
    bad = np.zeros(read.dn.shape, np.bool_)
    flag_mask(gaps, read.first, 0, bad)
    count = _store_bridged(read, rows, columns, bridge(read, bad, rows, columns, reach), made, pairs)
    return rows[:count], columns[:count], pairs[:count]


@njit(cache=True, nogil=True)
def _mark_runs(runs, inside, taps, made):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mark the cells around the samples of runs as unsound, as far as these lie `inside`."""
    first, low, high = inside
    for n in range(runs.shape[0]):
        row = runs[n, 0] - first
        if 0 <= row < low.size:
            start, stop = max(runs[n, 1], low[row]), min(runs[n, 2], high[row] + 1)
            mark_row(runs[n, 0] - made.top, start - made.left, stop - made.left, taps, made)


@njit(cache=True, nogil=True)
def _copy(value, quality, inside, taps, made):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Copy the samples of a whole picture, and mark the cells around those with quality bits as unsound."""
    first, low, high = inside
    for line in range(first, first + low.size):
        i, start, stop = line - made.top, low[line - first], high[line - first] + 1
        for sample in range(start, stop):
            j = sample - made.left
            made.value[i, j], made.quality[i, j] = value[line, sample], quality[line, sample]
        mark_row(i, start - made.left, stop - made.left, taps, made)


@njit(cache=True, nogil=True)
def _repeat_edges(need, shape, taps, made):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fill the samples `need` beyond a strip of the given shape with its outermost lines and samples."""
    (first, low, high), (n_lines, n_samples) = need, shape
    value, quality, top, left = made.value, made.quality, made.top, made.left
    for row in range(low.size):
        i, a = row + first - top, min(max(row + first, 0), n_lines - 1) - top
        start, stop = low[row] - left, high[row] + 1 - left
        inside = min(max(start, -left), stop)
        behind = max(min(stop, n_samples - left), inside) if a == i else inside  # else the line itself is not there
        for begin, end in ((start, inside), (behind, stop)):
            for j in range(begin, end):
                b = min(max(j, -left), n_samples - 1 - left)
                value[i, j], quality[i, j] = value[a, b], quality[a, b]
            mark_row(i, begin, end, taps, made)


@njit(cache=True, nogil=True)
def _calibrate(read, inside, taps, made):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Calibrate each line in loops without tests; stretches with samples that cannot be calibrated are done after."""
    (first, low, high), (least, most), (dn_first, dn_last) = inside, read.tables.limits, read.tables.dn_span
    row_of_dn, columns, values = read.tables.row_of_dn, read.tables.columns, read.tables.values
    value, left, skip = made.value, made.left, first - read.first
    last, zero, one, turn = np.uint32(max(values.shape[0] - 1, 0)), np.uint64(0), np.uint64(1), values.size > 0
    rows = np.empty(read.dn.shape[1], np.float32)
    for line in range(low.size):
        if low[line] > high[line]:
            continue
        start, n, i = low[line], np.uint64(high[line] + 1 - low[line]), line + first - made.top
        numbers, off, here = read.dn[line + skip, start:], columns[start:], read.drift[line + skip]
        out = value[i, start - left :]
        for s in range(n):
            row = row_of_dn[np.uint64(numbers[s])] - (off[s] + here)
            rows[s] = out[s] = row
            if turn:
                at = np.uint64(min(np.uint32(np.int32(row)), last))  # beyond the table's ends it is not held
                out[s] = values[at, zero] + row * values[at, one]
        for at in range(0, n, AT_ONCE):
            end, some = min(np.uint64(at + AT_ONCE), n), np.uint32(0)
            for s in range(np.uint64(at), end):
                lost = (rows[s] <= least) | (rows[s] >= most) | (numbers[s] < dn_first) | (numbers[s] > dn_last)
                some |= np.uint32(lost)
            if some:
                _flag_ends((numbers, rows), (at, end), read.tables, (i, start - left), taps, made)


@bare(cache=True, nogil=True)
def _flag_ends(line, span, tables, place, taps, made):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Set the quality bits of samples that cannot be calibrated, and give them the value at the end of the table.

    `line` are the DN of a line and their rows in the table of values, `span` the first sample to be checked and the
    end, `place` row and column of sample 0 in `made`. Unsound cells that one place may reach are marked together.
    """
    (numbers, rows), (first, end), (i, j) = line, span, place
    (least, most), (dn_first, dn_last), (below, above) = tables.limits, tables.dn_span, tables.beyond
    tall, wide, unsound = taps.lines, taps.samples, made.unsound
    begin = last = np.int64(-1)
    for s in range(np.int64(first), np.int64(end)):
        number, row = numbers[s], rows[s]
        bits = below if number < dn_first else (above if number > dn_last else np.uint16(0))
        bits |= np.uint16(LOW_DENSITY if row <= least else 0) | np.uint16(HIGH_DENSITY if row >= most else 0)
        if bits:
            made.value[i, j + s], made.quality[i, j + s] = _value_at(tables.values, row), bits
            if last >= 0 and s - last > wide:
                mark_cells(i, j + begin, j + last, tall, wide, np.uint8(UNSOUND), unsound)
            begin, last = (s if last < 0 or s - last > wide else begin), s
    if last >= 0:
        mark_cells(i, j + begin, j + last, tall, wide, np.uint8(UNSOUND), unsound)


@njit(cache=True, nogil=True, inline="always")
def _value_at(values, row):  # type: ignore[no-untyped-def]  # pragma: no cover
    """A table's value at a row, held at its ends."""
    if values.shape[0] == 0:
        return row
    row = min(max(row, np.float32(0)), np.float32(values.shape[0]))
    at = min(np.int64(row), values.shape[0] - 1)
    return values[at, 0] + row * values[at, 1]


@bare(cache=True, nogil=True)
def _store_bridged(read, rows, columns, bridged, made, pairs):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Store the result of `bridge`, NaN for samples that could not be bridged; returns the number of those that were.

    Their places among the values are left in `rows` and `columns`, their variance and systematic error in `pairs`.
    """
    (rows_found, noise, filled), tables, (least, most) = bridged, read.tables, read.tables.limits
    value, quality, down, right = made.value, made.quality, read.first - made.top, -made.left
    count = 0
    for n in range(rows.size):
        line, sample = rows[n], columns[n]
        i, j, row = line + down, sample + right, rows_found[n]
        if not filled[n]:
            value[i, j] = np.nan
            continue
        bits = (quality[i, j] & np.uint16(DROPOUT | MARK)) | np.uint16(FILLED)  # the others went with what was bridged
        if row <= least:
            bits |= np.uint16(LOW_DENSITY)
        elif row >= most:
            bits |= np.uint16(HIGH_DENSITY)
        quality[i, j], value[i, j] = bits, _value_at(tables.values, row)
        group = group_of(read.dn[line, sample], tables.shift)
        shared = tables.groups[group, 2] + tables.column_variance[sample] + read.variance[line]
        own, square = spread_at(tables.spread, row, noise[n], shared)
        rows[count], columns[count], pairs[count, 0], pairs[count, 1] = i, j, own * own, np.sqrt(square)
        count += 1
    return count
