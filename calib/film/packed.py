"""A strip's samples made ready for the inner loop, in one pass from DN to the quantity that is interpolated.

Only the samples that the places of a block need are worked out. Beyond the strip's edge its outermost lines and samples
are repeated, and a coarse mask says where the taps about a place hold anything but sound samples, so that the inner
loop needs no test of its own.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.film.doubt import REACH, place_sigma, with_doubt
from calib.film.fill import bridge
from calib.film.runs import flag_bits, flag_mask, gap_spans, listed, within
from calib.film.source import StripSource, StripWindow
from calib.film.spans import Spans, clipped, widened
from calib.film.strokes import marked_runs
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK
from calib.tone.apply import CalibratedLines, calibrate_lines, prepared

CELL = 2  # samples a cell of the coarse mask is wide
SOUND, MARKED, UNSOUND = 0, 1, 2


@dataclass(frozen=True, slots=True, eq=False)
class ValueTable:
    """What density is turned into before it is interpolated: a table over densities from `first` on, `per_density` rows
    to one density.

    `table` (N, 4): value, factors of noise and of systematic error, and what is added in squares to the latter; held at
    its ends. At and beyond the densities `span` nothing can be calibrated.
    """

    table: NDArray[np.float32]
    first: float
    per_density: float
    span: tuple[float, float]


def density_itself(span: tuple[float, float]) -> ValueTable:
    """Density is interpolated as it is."""
    return ValueTable(np.zeros((0, 4), np.float32), 0.0, 0.0, span)


@dataclass(frozen=True, slots=True, eq=False)
class Packed:
    """Samples for the inner loop, row 0 and column 0 being line `top` and sample `left`; all (rows, columns).

    `pairs` (rows, columns, 2): squared noise and systematic error. `unsound` (cells down, cells across): SOUND, or
    whether the taps of a place whose first tap lies in the cell hold marks alone, or more than that.
    """

    value: NDArray[np.float32]
    pairs: NDArray[np.float32]
    quality: NDArray[np.uint16]
    unsound: NDArray[np.uint8]
    top: int
    left: int

    @classmethod
    def empty(cls, need: Spans) -> "Packed":
        """Room for the samples `need`."""
        left, right = need.samples
        size = (need.low.size, right - left)
        return cls(
            np.empty(size, np.float32),
            np.empty((*size, 2), np.float32),
            np.empty(size, np.uint16),
            np.zeros((size[0] // CELL + 2, size[1] // CELL + 2), np.uint8),
            need.first,
            left,
        )


def packed_strip(
    source: StripSource, values: ValueTable, need: Spans, taps: tuple[int, int], *, fill_marks: bool
) -> Packed:
    """The samples `need` of a strip, gaps bridged as `read_window` does, with `fill_marks` marks too.

    `taps` = (lines, samples) that a place reaches from its first tap on.
    """
    asked, need = need, widened(need, *(REACH,) * 4)
    made = Packed.empty(need)
    inside = clipped(need, source.raster.n_lines, source.raster.n_samples)
    reach = source.reach + 1
    first, stop = max(inside.first - reach, 0), min(inside.stop + reach, source.raster.n_lines)
    dn = source.raster.read(first, stop)
    _one_pass(source, values, dn, first, inside, made, taps)
    runs = {DROPOUT: source.dropouts.runs, MARK: marked_runs(source.marks, source.sweep)}
    near = {bit: within(rows, first, stop) for bit, rows in runs.items()}
    for bit, rows in near.items():
        flag_bits(rows, *_ends(inside), made.top, made.left, np.uint16(bit), made.quality)
    to_fill = [near[DROPOUT], near[MARK]] if fill_marks else [near[DROPOUT]]
    _bridge_gaps(source, values, dn, first, inside, made, np.concatenate(to_fill))
    for rows in near.values():
        _mark(rows, *_ends(inside), made.top, made.left, *taps, made.value, made.quality, made.unsound)
    _repeat(
        need.low, need.high, made.top, made.left, source.raster.n_lines, source.raster.n_samples, *taps,
        made.value, made.pairs, made.quality, made.unsound,
    )  # fmt: skip
    place = place_sigma(source.sweep, made.top, made.value.shape[0])
    return replace(made, pairs=with_doubt(made.value, made.pairs, made.quality, place, asked, made.left))


def packed_window(window: StripWindow, need: Spans, taps: tuple[int, int]) -> Packed:
    """The samples `need` of a window that holds a whole picture."""
    made = Packed.empty(need)
    n_lines, n_samples = window.value.shape
    inside = clipped(need, n_lines, n_samples)
    _copy(
        window.value, window.noise, window.systematic, window.quality, *_ends(inside), made.top, made.left, *taps,
        made.value, made.pairs, made.quality, made.unsound,
    )  # fmt: skip
    _repeat(
        need.low, need.high, made.top, made.left, n_lines, n_samples, *taps,
        made.value, made.pairs, made.quality, made.unsound,
    )  # fmt: skip
    return made


def _ends(spans: Spans) -> tuple[int, NDArray[np.int32], NDArray[np.int32]]:
    return spans.first, spans.low, spans.high


def _one_pass(
    source: StripSource, values: ValueTable, dn: NDArray, first: int, inside: Spans, made: Packed, taps: tuple[int, int]
) -> None:
    tone = prepared(source.tone)
    lines = slice(inside.first, inside.stop)
    rows = source.tone.line_density[lines].astype(np.float32), np.square(source.tone.line_sigma[lines])
    _calibrate(
        dn[inside.first - first :], tone.table, tone.column_density, tone.column_variance, *rows,
        values.table, values.first, values.per_density, *values.span, *_ends(inside), made.top, made.left, *taps,
        made.value, made.pairs, made.quality, made.unsound,
    )  # fmt: skip


def _bridge_gaps(
    source: StripSource,
    values: ValueTable,
    dn: NDArray,
    first: int,
    inside: Spans,
    made: Packed,
    gaps: NDArray[np.int32],
) -> None:
    """Bridge the gaps (runs) as far as they lie inside; density is worked out about them only."""
    wanted = gap_spans(gaps, *_ends(inside))
    lines = np.flatnonzero(wanted.low <= wanted.high)
    if lines.size == 0:
        return
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
    _put(
        rows, columns, filled, room.density, room.noise, room.systematic, about.first - made.top, left - made.left,
        values.table, values.first, values.per_density, *values.span, made.value, made.pairs, made.quality,
    )  # fmt: skip


@njit(cache=True, nogil=True, inline="always")
def _unsound_at(i, j, top, left, tall, wide, how, unsound):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mark the cells of all places that have this sample among their taps."""
    down, right = top % CELL, left % CELL  # a cell begins at a whole multiple of its size, whatever the block
    for cell_i in range((max(i - tall + 1, 0) + down) // CELL, (i + down) // CELL + 1):
        for cell_j in range((max(j - wide + 1, 0) + right) // CELL, (j + right) // CELL + 1):
            unsound[cell_i, cell_j] = max(unsound[cell_i, cell_j], how)


@njit(cache=True, nogil=True, inline="always")
def _look_at(i, j, top, left, tall, wide, value, quality, unsound):  # type: ignore[no-untyped-def]  # pragma: no cover
    if quality[i, j] != 0 or not np.isfinite(value[i, j]):
        plain = quality[i, j] == MARK and np.isfinite(value[i, j])
        _unsound_at(i, j, top, left, tall, wide, np.uint8(MARKED if plain else UNSOUND), unsound)


@njit(cache=True, nogil=True)
def _mark(runs, first, low, high, top, left, tall, wide, value, quality, unsound):  # type: ignore[no-untyped-def]  # pragma: no cover
    for n in range(runs.shape[0]):
        row = runs[n, 0] - first
        if 0 <= row < low.size:
            for sample in range(max(runs[n, 1], low[row]), min(runs[n, 2] - 1, high[row]) + 1):
                _look_at(runs[n, 0] - top, sample - left, top, left, tall, wide, value, quality, unsound)


@njit(cache=True, nogil=True)
def _copy(  # type: ignore[no-untyped-def]
    value, noise, systematic, quality, first, low, high, top, left, tall, wide,
    out_value, out_pairs, out_quality, unsound,
):  # fmt: skip  # pragma: no cover
    for line in range(first, first + low.size):
        for sample in range(low[line - first], high[line - first] + 1):
            i, j = line - top, sample - left
            out_value[i, j], out_quality[i, j] = value[line, sample], quality[line, sample]
            out_pairs[i, j, 0] = noise[line, sample] * noise[line, sample]
            out_pairs[i, j, 1] = systematic[line, sample]
            _look_at(i, j, top, left, tall, wide, out_value, out_quality, unsound)


@njit(cache=True, nogil=True)
def _repeat(  # type: ignore[no-untyped-def]
    low, high, top, left, n_lines, n_samples, tall, wide, value, pairs, quality, unsound
):  # fmt: skip  # pragma: no cover
    """Fill what lies beyond the strip with its outermost lines and samples."""
    for i in range(low.size):
        a = min(max(i + top, 0), n_lines - 1) - top
        if a != i:
            _repeat_part(low[i], high[i] + 1, i, a, top, left, n_samples, tall, wide, value, pairs, quality, unsound)
        else:
            _repeat_part(low[i], 0, i, a, top, left, n_samples, tall, wide, value, pairs, quality, unsound)
            _repeat_part(n_samples, high[i] + 1, i, a, top, left, n_samples, tall, wide, value, pairs, quality, unsound)


@njit(cache=True, nogil=True)
def _repeat_part(start, stop, i, a, top, left, n_samples, tall, wide, value, pairs, quality, unsound):  # type: ignore[no-untyped-def]  # fmt: skip  # pragma: no cover
    for sample in range(start, stop):
        b, j = min(max(sample, 0), n_samples - 1) - left, sample - left
        value[i, j], quality[i, j] = value[a, b], quality[a, b]
        pairs[i, j, 0], pairs[i, j, 1] = pairs[a, b, 0], pairs[a, b, 1]
        _look_at(i, j, top, left, tall, wide, value, quality, unsound)


@njit(cache=True, nogil=True, inline="always")
def _turned(density, noise, systematic, table, first, per_density):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Value, squared noise and systematic error of what a density is turned into."""
    end = table.shape[0] - 2
    place = min(max((density - first) * per_density, 0.0), end + 1.0)
    index = min(np.int64(place), end)
    share = np.float32(place - index)
    at = np.uint64(index)
    after = at + np.uint64(1)
    value = table[at, 0] + share * (table[after, 0] - table[at, 0])
    scatter = noise * (table[at, 1] + share * (table[after, 1] - table[at, 1]))
    shown = systematic * (table[at, 2] + share * (table[after, 2] - table[at, 2]))
    end = table[at, 3] + share * (table[after, 3] - table[at, 3])
    return value, scatter * scatter, np.sqrt(shown * shown + end * end)


@njit(cache=True, nogil=True)
def _calibrate(  # type: ignore[no-untyped-def]
    dn, tone, column_density, column_variance, line_density, line_variance, table, first_density, per_density,
    span_low, span_high, first, low, high, top, left, tall, wide, value, pairs, quality, unsound,
):  # fmt: skip  # pragma: no cover
    turn = table.shape[0] > 0
    for row in range(low.size):
        i = np.uint64(row + first - top)
        for sample in range(low[row], high[row] + 1):
            number, j, s = np.uint64(dn[row, sample]), np.uint64(sample - left), np.uint64(sample)
            density = tone[number, 0] - (column_density[s] + line_density[row])
            noise, curve = tone[number, 1], tone[number, 2]
            shared = np.sqrt(curve * curve + np.float32(column_variance[s] + line_variance[row]))
            bits = np.uint16(tone[number, 3])
            if density <= span_low:
                bits |= np.uint16(LOW_DENSITY)
            elif density >= span_high:
                bits |= np.uint16(HIGH_DENSITY)
            if turn:
                density, variance, shared = _turned(density, noise, shared, table, first_density, per_density)
            else:
                variance = noise * noise
            value[i, j], quality[i, j] = density, bits
            pairs[i, j, 0], pairs[i, j, 1] = variance, shared
            if bits:
                _unsound_at(row + first - top, sample - left, top, left, tall, wide, np.uint8(UNSOUND), unsound)


@njit(cache=True, nogil=True)
def _put(  # type: ignore[no-untyped-def]
    rows, columns, filled, density, noise, systematic, down, right, table, first_density, per_density,
    span_low, span_high, value, pairs, quality,
):  # fmt: skip  # pragma: no cover
    """Bridged samples into their places; NaN where one could not be bridged."""
    for n in range(rows.size):
        row, column = rows[n], columns[n]
        i, j = row + down, column + right
        d, scatter, shared = density[row, column], noise[row, column], systematic[row, column]
        if not filled[n]:
            value[i, j] = pairs[i, j, 0] = pairs[i, j, 1] = np.nan
            continue
        bits = (quality[i, j] & np.uint16(DROPOUT | MARK)) | np.uint16(FILLED)  # the others went with what was bridged
        if d <= span_low:
            bits |= np.uint16(LOW_DENSITY)
        elif d >= span_high:
            bits |= np.uint16(HIGH_DENSITY)
        quality[i, j] = bits
        if table.shape[0] > 0:
            value[i, j], pairs[i, j, 0], pairs[i, j, 1] = _turned(d, scatter, shared, table, first_density, per_density)
        else:
            value[i, j], pairs[i, j, 0], pairs[i, j, 1] = d, scatter * scatter, shared
