"""A strip's samples made ready for the inner loop, in one pass from DN to the quantity that is interpolated.

Only the samples that the places of a block need are worked out. Beyond the strip's edge its outermost lines and samples
are repeated, and a coarse mask says where the taps about a place hold anything but sound samples, so that the inner
loop needs no test of its own.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.film.doubt import cell_spans, cells_of_strip, cells_of_window, place_sigma, raise_cells, spread_at
from calib.film.fill import bridge
from calib.film.kernels import CELL
from calib.film.ready import Read, ValueTable, group_of, read_lines
from calib.film.runs import flag_bits, flag_mask, listed, within
from calib.film.source import StripSource, StripWindow
from calib.film.spans import Spans, clipped, widened
from calib.film.strokes import marked_runs
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK

REACH = 2  # samples about each wanted one that its cell's uncertainty is told by
AT_ONCE = 64  # samples of a line that are looked through together for any that cannot be calibrated
SOUND, MARKED, UNSOUND = 0, 1, 2


@dataclass(frozen=True, slots=True, eq=False)
class Packed:
    """Samples for the inner loop, row 0 and column 0 being line `top` and sample `left`, both even; (rows, columns).

    Cells of CELL lines and samples hold what need not be known of every sample: `doubts` (cells down, cells across, 2)
    variance and systematic error; `unsound` (cells down, cells across) SOUND, or whether the taps of a place whose
    first tap lies in the cell hold marks alone, or more than that.
    """

    value: NDArray[np.float32]
    quality: NDArray[np.uint16]
    doubts: NDArray[np.float32]
    unsound: NDArray[np.uint8]
    top: int
    left: int

    @classmethod
    def empty(cls, need: Spans) -> "Packed":
        """Room for the samples `need`, all zero: what does not count is multiplied by 0, and must be a number."""
        left, right = need.samples
        top, left = need.first // CELL * CELL, left // CELL * CELL
        size = (need.stop - top, right - left)
        cells = (size[0] // CELL + 4, size[1] // CELL + 4)  # the taps of a last place read a few beyond
        return cls(
            np.zeros(size, np.float32), np.zeros(size, np.uint16), np.zeros((*cells, 2), np.float32),
            np.zeros(cells, np.uint8), top, left,
        )  # fmt: skip


def packed_strip(
    source: StripSource, values: ValueTable, need: Spans, taps: tuple[int, int, int], *, fill_marks: bool
) -> Packed:
    """The samples `need` of a strip, gaps bridged as `read_window` does, with `fill_marks` marks too.

    `taps` = (lines, samples) that a place reaches from its first tap on, and the samples that are read of a line.
    """
    cells, need = cell_spans(need), widened(need, *(REACH,) * 4)
    made = Packed.empty(need)
    n_lines, n_samples = source.raster.n_lines, source.raster.n_samples
    inside = clipped(need, n_lines, n_samples)
    reach = source.reach + 1
    first, stop = max(inside.first - reach, 0), min(inside.stop + reach, n_lines)
    read = read_lines(source.raster, source.tone, values, first, stop)
    _one_pass(read, inside, made, taps)
    runs = {DROPOUT: source.dropouts.runs, MARK: marked_runs(source.sweep, source.marks)}
    near = {bit: within(rows, first, stop) for bit, rows in runs.items()}
    for bit, rows in near.items():
        flag_bits(rows, *_ends(inside), made.top, made.left, np.uint16(bit), made.quality)
    to_fill = [near[DROPOUT], near[MARK]] if fill_marks else [near[DROPOUT]]
    bridged = _bridge_gaps(source.reach, read, inside, made, np.concatenate(to_fill))
    for rows in near.values():
        _mark(rows, *_ends(inside), made.top, made.left, *taps, made.value, made.quality, made.unsound)
    _repeat(
        *_ends(need), made.top, made.left, n_lines, n_samples, *taps, made.value, made.quality, made.unsound,
    )  # fmt: skip
    cells_of_strip(read, place_sigma(source.sweep), cells, (made.value, made.quality, made.top, made.left), made.doubts)
    raise_cells(*bridged, made.doubts)
    if source.noise_alone:
        made.doubts[..., 1] = 0.0
    return made


def packed_window(window: StripWindow, need: Spans, taps: tuple[int, int, int]) -> Packed:
    """The samples `need` of a window that holds a whole picture."""
    made = Packed.empty(need)
    n_lines, n_samples = window.value.shape
    inside = clipped(need, n_lines, n_samples)
    _copy(
        window.value, window.quality, *_ends(inside), made.top, made.left, *taps,
        made.value, made.quality, made.unsound,
    )  # fmt: skip
    _repeat(*_ends(need), made.top, made.left, n_lines, n_samples, *taps, made.value, made.quality, made.unsound)
    cells_of_window(window.noise, window.systematic, cell_spans(need), made.top, made.left, made.doubts)
    return made


def _ends(spans: Spans) -> tuple[int, NDArray[np.int32], NDArray[np.int32]]:
    return spans.first, spans.low, spans.high


def _one_pass(read: Read, inside: Spans, made: Packed, taps: tuple[int, int, int]) -> None:
    known, skip = read.known, inside.first - read.first
    _calibrate(
        read.dn[skip:], read.drift[skip:], known.row_of_dn, known.columns, known.values, *known.dn_span, *known.beyond,
        *known.limits, *_ends(inside), made.top, made.left, *taps[:2], made.value, made.quality, made.unsound,
    )  # fmt: skip


def _bridge_gaps(
    reach: int, read: Read, inside: Spans, made: Packed, gaps: NDArray[np.int32]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float32]]:
    """Bridge the gaps (runs) as far as they lie inside; their ends alone are looked at.

    Returns rows and columns of the samples bridged, and their variance and systematic error (n, 2).
    """
    rows, columns = listed(gaps, *_ends(inside), read.first)
    pairs = np.empty((rows.size, 2), np.float32)
    if rows.size == 0:
        return rows, columns, pairs
    bad, known = np.zeros(read.dn.shape, np.bool_), read.known
    flag_mask(gaps, read.first, 0, bad)
    row, noise, filled = bridge(read, bad, rows, columns, reach)
    down, right = read.first - made.top, -made.left
    count = _put(
        read.dn, rows, columns, filled, row, noise, known.groups, known.shift, known.column_variance, read.variance,
        known.values, known.spread, *known.limits, down, right, made.value, made.quality, pairs,
    )  # fmt: skip
    return rows[:count], columns[:count], pairs[:count]


@njit(cache=True, nogil=True, inline="always")
def _unsound_at(i, j, last, tall, wide, how, unsound):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mark the cells of all places that reach the samples from column `j` to column `last`."""
    for cell_i in range(max(i - tall + 1, 0) // CELL, i // CELL + 1):
        for cell_j in range(max(j - wide + 1, 0) // CELL, last // CELL + 1):
            unsound[cell_i, cell_j] = max(unsound[cell_i, cell_j], how)


@njit(cache=True, nogil=True, inline="always")
def _state_of(value, bits, wide, lanes):  # type: ignore[no-untyped-def]  # pragma: no cover
    """What a sample makes of places, and from how many samples on: no number spoils also what it weighs 0 in."""
    if not np.isfinite(value):
        return UNSOUND, lanes
    if bits == 0:
        return SOUND, wide
    return (MARKED if bits == MARK else UNSOUND), wide


@njit(cache=True, nogil=True)
def _look_at(i, j, stop, tall, wide, lanes, value, quality, unsound):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Look at the samples of a row from column `j` to `stop` - 1; what follows each other alike is marked at once."""
    while j < stop:
        how, reach = _state_of(value[i, j], quality[i, j], wide, lanes)
        behind = j + 1
        while behind < stop and _state_of(value[i, behind], quality[i, behind], wide, lanes) == (how, reach):
            behind += 1
        if how != SOUND:
            _unsound_at(i, j, behind - 1, tall, reach, np.uint8(how), unsound)
        j = behind


@njit(cache=True, nogil=True)
def _mark(runs, first, low, high, top, left, tall, wide, lanes, value, quality, unsound):  # type: ignore[no-untyped-def]  # pragma: no cover
    for n in range(runs.shape[0]):
        row = runs[n, 0] - first
        if 0 <= row < low.size:
            start, stop = max(runs[n, 1], low[row]) - left, min(runs[n, 2], high[row] + 1) - left
            _look_at(runs[n, 0] - top, start, stop, tall, wide, lanes, value, quality, unsound)


@njit(cache=True, nogil=True)
def _copy(  # type: ignore[no-untyped-def]
    value, quality, first, low, high, top, left, tall, wide, lanes, out_value, out_quality, unsound,
):  # fmt: skip  # pragma: no cover
    for line in range(first, first + low.size):
        for sample in range(low[line - first], high[line - first] + 1):
            i, j = line - top, sample - left
            out_value[i, j], out_quality[i, j] = value[line, sample], quality[line, sample]
        start, stop = low[line - first] - left, high[line - first] + 1 - left
        _look_at(line - top, start, stop, tall, wide, lanes, out_value, out_quality, unsound)


@njit(cache=True, nogil=True)
def _repeat(first, low, high, top, left, n_lines, n_samples, tall, wide, lanes, value, quality, unsound):  # type: ignore[no-untyped-def]  # fmt: skip  # pragma: no cover
    """Fill what lies beyond the strip with its outermost lines and samples."""
    for row in range(low.size):
        i, a = row + first - top, min(max(row + first, 0), n_lines - 1) - top
        start, stop = low[row] - left, high[row] + 1 - left
        inside = min(max(start, -left), stop)
        behind = max(min(stop, n_samples - left), inside) if a == i else inside  # else the line itself is not there
        for begin, end in ((start, inside), (behind, stop)):
            for j in range(begin, end):
                b = min(max(j, -left), n_samples - 1 - left)
                value[i, j], quality[i, j] = value[a, b], quality[a, b]
            _look_at(i, begin, end, tall, wide, lanes, value, quality, unsound)


@njit(cache=True, nogil=True)
def _calibrate(  # type: ignore[no-untyped-def]
    dn, drift, row_of_dn, columns, values, dn_first, dn_last, below, above, least, most,
    first, low, high, top, left, tall, wide, value, quality, unsound,
):  # fmt: skip  # pragma: no cover
    """Each line in two loops without a test; what cannot be calibrated is then sought where there is any."""
    last, zero, one, turn = np.uint32(max(values.shape[0] - 1, 0)), np.uint64(0), np.uint64(1), values.size > 0
    rows = np.empty(dn.shape[1], np.float32)
    for line in range(low.size):
        if low[line] > high[line]:
            continue
        start, n, i = low[line], np.uint64(high[line] + 1 - low[line]), line + first - top
        numbers, off, here, out = dn[line, start:], columns[start:], drift[line], value[i, start - left :]
        for s in range(n):
            row = row_of_dn[np.uint64(numbers[s])] - (off[s] + here)
            rows[s] = out[s] = row
            if turn:
                at = np.uint64(min(np.uint32(np.int32(row)), last))  # beyond the table's ends it is not held
                out[s] = values[at, zero] + row * values[at, one]
        limits = dn_first, dn_last, below, above, least, most
        for at in range(0, n, AT_ONCE):
            end, some = min(np.uint64(at + AT_ONCE), n), np.uint32(0)
            for s in range(np.uint64(at), end):
                lost = (rows[s] <= least) | (rows[s] >= most) | (numbers[s] < dn_first) | (numbers[s] > dn_last)
                some |= np.uint32(lost)
            if some:
                _lost(numbers, rows, at, end, limits, values, i, start - left, tall, wide, value, quality, unsound)


@njit(cache=True, nogil=True)
def _lost(  # type: ignore[no-untyped-def]
    numbers, rows, first, end, limits, values, i, j, tall, wide, value, quality, unsound
):  # fmt: skip  # pragma: no cover
    """Give the samples of a line that cannot be calibrated their bits, and the value at the table's end. Cells of those
    that a place may reach together are marked at once."""
    dn_first, dn_last, below, above, least, most = limits
    begin = last = np.int64(-1)
    for s in range(np.int64(first), np.int64(end)):
        number, row = numbers[s], rows[s]
        bits = below if number < dn_first else (above if number > dn_last else np.uint16(0))
        bits |= np.uint16(LOW_DENSITY if row <= least else 0) | np.uint16(HIGH_DENSITY if row >= most else 0)
        if bits:
            value[i, j + s], quality[i, j + s] = _value_at(values, row), bits
            if last >= 0 and s - last > wide:
                _unsound_at(i, j + begin, j + last, tall, wide, np.uint8(UNSOUND), unsound)
            begin, last = (s if last < 0 or s - last > wide else begin), s
    if last >= 0:
        _unsound_at(i, j + begin, j + last, tall, wide, np.uint8(UNSOUND), unsound)


@njit(cache=True, nogil=True, inline="always")
def _value_at(values, row):  # type: ignore[no-untyped-def]  # pragma: no cover
    """A table's value at a row, held at its ends."""
    if values.shape[0] == 0:
        return row
    row = min(max(row, np.float32(0)), np.float32(values.shape[0]))
    at = min(np.int64(row), values.shape[0] - 1)
    return values[at, 0] + row * values[at, 1]


@njit(cache=True, nogil=True)
def _put(  # type: ignore[no-untyped-def]
    dn, rows, columns, filled, told, noise, groups, shift, column_variance, line_variance, values, spread,
    least, most, down, right, value, quality, pairs,
):  # fmt: skip  # pragma: no cover
    """Bridged samples into their places, NaN where one could not be bridged. Those that were are left in `rows` and
    `columns`, as places of the values, with variance and systematic error in `pairs`; how many they are.
    """
    count = 0
    for n in range(rows.size):
        line, sample = rows[n], columns[n]
        i, j, row = line + down, sample + right, told[n]
        if not filled[n]:
            value[i, j] = np.nan
            continue
        bits = (quality[i, j] & np.uint16(DROPOUT | MARK)) | np.uint16(FILLED)  # the others went with what was bridged
        if row <= least:
            bits |= np.uint16(LOW_DENSITY)
        elif row >= most:
            bits |= np.uint16(HIGH_DENSITY)
        quality[i, j], value[i, j] = bits, _value_at(values, row)
        shared = groups[group_of(dn[line, sample], shift), 2] + column_variance[sample] + line_variance[line]
        own, square = spread_at(spread, row, noise[n], shared)
        rows[count], columns[count], pairs[count, 0], pairs[count, 1] = i, j, own * own, np.sqrt(square)
        count += 1
    return count
