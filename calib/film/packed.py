"""A strip's samples made ready for the inner loop, in one pass from DN to the quantity that is interpolated.

Only the samples that the places of a block need are worked out. Beyond the strip's edge its outermost lines and samples
are repeated, and a coarse mask says where the taps about a place hold anything but sound samples, so that the inner
loop needs no test of its own.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.film.doubt import (
    Doubt,
    cell_spans,
    cells_of_strip,
    cells_of_window,
    place_sigma,
    raise_cells,
    spread_at,
)
from calib.film.fill import bridge
from calib.film.kernels import CELL
from calib.film.runs import flag_bits, flag_mask, gap_spans, listed, within
from calib.film.source import StripSource, StripWindow
from calib.film.spans import Spans, clipped, widened
from calib.film.strokes import marked_runs
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK
from calib.tone.apply import CalibratedLines, calibrate_lines, prepared

REACH = 2  # samples about each wanted one that its cell's uncertainty is told by
SOUND, MARKED, UNSOUND = 0, 1, 2


@dataclass(frozen=True, slots=True, eq=False)
class ValueTable:
    """What density is turned into before it is interpolated: a table over densities from `first` on, `per_density` rows
    to one density.

    `value` (N,), and `spread` (N, 3): factors of noise and of systematic error, and what is added in squares to the
    latter; held at their ends. At and beyond the densities `span` nothing can be calibrated.
    """

    value: NDArray[np.float32]
    spread: NDArray[np.float32]
    first: float
    per_density: float
    span: tuple[float, float]


def density_itself(span: tuple[float, float]) -> ValueTable:
    """Density is interpolated as it is."""
    return ValueTable(np.zeros(0, np.float32), np.zeros((0, 3), np.float32), 0.0, 0.0, span)


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
    source: StripSource, values: ValueTable, need: Spans, taps: tuple[int, int], *, fill_marks: bool
) -> Packed:
    """The samples `need` of a strip, gaps bridged as `read_window` does, with `fill_marks` marks too.

    `taps` = (lines, samples) that a place reaches from its first tap on.
    """
    cells, need = cell_spans(need), widened(need, *(REACH,) * 4)
    made = Packed.empty(need)
    n_lines, n_samples = source.raster.n_lines, source.raster.n_samples
    inside = clipped(need, n_lines, n_samples)
    reach = source.reach + 1
    first, stop = max(inside.first - reach, 0), min(inside.stop + reach, n_lines)
    dn = source.raster.read(first, stop)
    _one_pass(source, values, dn[inside.first - first :], inside, made, taps)
    runs = {DROPOUT: source.dropouts.runs, MARK: marked_runs(source.marks, source.sweep)}
    near = {bit: within(rows, first, stop) for bit, rows in runs.items()}
    for bit, rows in near.items():
        flag_bits(rows, *_ends(inside), made.top, made.left, np.uint16(bit), made.quality)
    to_fill = [near[DROPOUT], near[MARK]] if fill_marks else [near[DROPOUT]]
    bridged = _bridge_gaps(source, values, dn, first, inside, made, np.concatenate(to_fill))
    for rows in near.values():
        _mark(rows, *_ends(inside), made.top, made.left, *taps, made.value, made.quality, made.unsound)
    _repeat(
        *_ends(need), made.top, made.left, n_lines, n_samples, *taps, made.value, made.quality, made.unsound,
    )  # fmt: skip
    doubt = Doubt(prepared(source.tone), source.tone, values.spread, values.first, values.per_density)
    place = place_sigma(source.sweep, made.top, made.value.shape[0])
    samples = (made.value, made.quality, made.top, made.left)
    cells_of_strip(dn, first, doubt, place, cells, samples, made.doubts)
    raise_cells(*bridged, made.doubts)
    return made


def packed_window(window: StripWindow, need: Spans, taps: tuple[int, int]) -> Packed:
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


def _one_pass(
    source: StripSource, values: ValueTable, dn: NDArray, inside: Spans, made: Packed, taps: tuple[int, int]
) -> None:
    tone, known = source.tone, prepared(source.tone)
    line_density = tone.line_density[inside.first : inside.stop].astype(np.float32)
    _calibrate(
        dn, tone.density_of_dn, known.table, known.column_density, line_density, *tone.dn_span,
        values.value, np.float32(values.first), np.float32(values.per_density), *values.span,
        *_ends(inside), made.top, made.left, *taps, made.value, made.quality, made.unsound,
    )  # fmt: skip


def _bridge_gaps(
    source: StripSource,
    values: ValueTable,
    dn: NDArray,
    first: int,
    inside: Spans,
    made: Packed,
    gaps: NDArray[np.int32],
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float32]]:
    """Bridge the gaps (runs) as far as they lie inside; density is worked out about them only.

    Returns rows and columns of the samples bridged, and their variance and systematic error (n, 2).
    """
    wanted = gap_spans(gaps, *_ends(inside))
    lines = np.flatnonzero(wanted.low <= wanted.high)
    if lines.size == 0:
        return np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros((0, 2), np.float32)
    part = slice(lines[0], lines[-1] + 1)
    wanted = Spans(wanted.first + int(lines[0]), wanted.low[part], wanted.high[part])
    about = clipped(widened(wanted, *(source.reach + 1,) * 4), source.raster.n_lines, source.raster.n_samples)
    left, right = about.samples
    room = CalibratedLines.empty((about.stop - about.first, right - left))
    calibrate_lines(
        dn[about.first - first : about.stop - first], source.tone, about.first, left, about.low, about.high, room
    )
    bad = np.zeros(room.density.shape, np.bool_)
    flag_mask(gaps, about.first, left, bad)
    rows, columns = listed(gaps, *_ends(wanted), about.first, left)
    filled = bridge(room.density, room.noise, bad, rows, columns, source.reach)
    pairs = np.empty((rows.size, 2), np.float32)
    _put(
        rows, columns, filled, room.density, room.noise, room.systematic, about.first - made.top, left - made.left,
        values.value, values.spread, np.float32(values.first), np.float32(values.per_density), *values.span,
        made.value, made.quality, pairs,
    )  # fmt: skip
    return rows[filled] + (about.first - made.top), columns[filled] + (left - made.left), pairs[filled]


@njit(cache=True, nogil=True, inline="always")
def _unsound_at(i, j, tall, wide, how, unsound):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mark the cells of all places that have this sample among their taps."""
    for cell_i in range(max(i - tall + 1, 0) // CELL, i // CELL + 1):
        for cell_j in range(max(j - wide + 1, 0) // CELL, j // CELL + 1):
            unsound[cell_i, cell_j] = max(unsound[cell_i, cell_j], how)


@njit(cache=True, nogil=True, inline="always")
def _look_at(i, j, tall, wide, value, quality, unsound):  # type: ignore[no-untyped-def]  # pragma: no cover
    if quality[i, j] != 0 or not np.isfinite(value[i, j]):
        plain = quality[i, j] == MARK and np.isfinite(value[i, j])
        _unsound_at(i, j, tall, wide, np.uint8(MARKED if plain else UNSOUND), unsound)


@njit(cache=True, nogil=True)
def _mark(runs, first, low, high, top, left, tall, wide, value, quality, unsound):  # type: ignore[no-untyped-def]  # pragma: no cover
    for n in range(runs.shape[0]):
        row = runs[n, 0] - first
        if 0 <= row < low.size:
            for sample in range(max(runs[n, 1], low[row]), min(runs[n, 2] - 1, high[row]) + 1):
                _look_at(runs[n, 0] - top, sample - left, tall, wide, value, quality, unsound)


@njit(cache=True, nogil=True)
def _copy(  # type: ignore[no-untyped-def]
    value, quality, first, low, high, top, left, tall, wide, out_value, out_quality, unsound,
):  # fmt: skip  # pragma: no cover
    for line in range(first, first + low.size):
        for sample in range(low[line - first], high[line - first] + 1):
            i, j = line - top, sample - left
            out_value[i, j], out_quality[i, j] = value[line, sample], quality[line, sample]
            _look_at(i, j, tall, wide, out_value, out_quality, unsound)


@njit(cache=True, nogil=True)
def _repeat(first, low, high, top, left, n_lines, n_samples, tall, wide, value, quality, unsound):  # type: ignore[no-untyped-def]  # fmt: skip  # pragma: no cover
    """Fill what lies beyond the strip with its outermost lines and samples."""
    for row in range(low.size):
        line = row + first
        from_line = min(max(line, 0), n_lines - 1)
        i, a = line - top, from_line - top
        if a != i:
            _repeat_part(low[row], high[row] + 1, i, a, left, n_samples, tall, wide, value, quality, unsound)
        else:
            _repeat_part(low[row], 0, i, a, left, n_samples, tall, wide, value, quality, unsound)
            _repeat_part(n_samples, high[row] + 1, i, a, left, n_samples, tall, wide, value, quality, unsound)


@njit(cache=True, nogil=True)
def _repeat_part(start, stop, i, a, left, n_samples, tall, wide, value, quality, unsound):  # type: ignore[no-untyped-def]  # fmt: skip  # pragma: no cover
    for sample in range(start, stop):
        b, j = min(max(sample, 0), n_samples - 1) - left, sample - left
        value[i, j], quality[i, j] = value[a, b], quality[a, b]
        _look_at(i, j, tall, wide, value, quality, unsound)


@njit(cache=True, nogil=True)
def _calibrate(  # type: ignore[no-untyped-def]
    dn, density_of_dn, tone, column_density, line_density, dn_first, dn_last, values, first_density, per_density,
    span_low, span_high, first, low, high, top, left, tall, wide, value, quality, unsound,
):  # fmt: skip  # pragma: no cover
    turn, end = values.size > 0, np.float32(values.size - 2)
    for row in range(low.size):
        i, drift = np.uint64(row + first - top), line_density[row]
        for sample in range(low[row], high[row] + 1):
            s, j = np.uint64(sample), np.uint64(sample - left)
            number = dn[row, s]
            density = density_of_dn[np.uint64(number)] - (column_density[s] + drift)
            value[i, j], quality[i, j] = density, np.uint16(0)
            if turn:
                value[i, j] = _table_at(values, (density - first_density) * per_density, end)
            if number < dn_first or number > dn_last or density <= span_low or density >= span_high:
                bits = np.uint16(tone[np.uint64(number), 3])
                bits |= np.uint16(LOW_DENSITY if density <= span_low else 0)
                bits |= np.uint16(HIGH_DENSITY if density >= span_high else 0)
                quality[i, j] = bits
                _unsound_at(row + first - top, sample - left, tall, wide, np.uint8(UNSOUND), unsound)


@njit(cache=True, nogil=True, inline="always")
def _table_at(table, place, end):  # type: ignore[no-untyped-def]  # pragma: no cover
    """A table between its entries, held beyond them; `end` is its last but one."""
    place = min(max(place, np.float32(0)), end + np.float32(1))
    low = min(np.floor(place), end)
    at = np.uint64(low)
    return table[at] + (place - low) * (table[at + np.uint64(1)] - table[at])


@njit(cache=True, nogil=True)
def _put(  # type: ignore[no-untyped-def]
    rows, columns, filled, density, noise, systematic, down, right, values, spread, first, per_density,
    span_low, span_high, value, quality, pairs,
):  # fmt: skip  # pragma: no cover
    """Bridged samples into their places, NaN where one could not be bridged; their variance and systematic error."""
    for n in range(rows.size):
        row, column = rows[n], columns[n]
        i, j, d = row + down, column + right, density[row, column]
        if not filled[n]:
            value[i, j] = np.nan
            continue
        bits = (quality[i, j] & np.uint16(DROPOUT | MARK)) | np.uint16(FILLED)  # the others went with what was bridged
        if d <= span_low:
            bits |= np.uint16(LOW_DENSITY)
        elif d >= span_high:
            bits |= np.uint16(HIGH_DENSITY)
        quality[i, j], value[i, j] = bits, d
        if values.size > 0:
            value[i, j] = _table_at(values, (d - first) * per_density, np.float32(values.size - 2))
        shared = systematic[row, column] * systematic[row, column]
        scatter, square = spread_at(spread, first, per_density, d, noise[row, column], shared)
        pairs[n, 0], pairs[n, 1] = scatter * scatter, np.sqrt(square)
