"""Where places on the film fall on one strip, and which of its samples they need.

The sweep is inverted for each place by itself, or where the places are those of a raster's pixels and the sweep is
smooth, for nodes of it. A place is then a sample and the nearest of PHASES parts of the step to the next. All that
follows reads only the samples about these places: a map turned against the strips needs far less than the rectangle
about them.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array, FilmPoints
from calib.film.kernels import PHASES, AxisWeights
from calib.film.spans import EMPTY, Spans, widened
from calib.lattice import good_cells
from calib.sweep.inverse import Inverse, even_sample, inverse_of, scan_place, smooth_places
from calib.sweep.model import StripSweep

Fields = tuple[NDArray, NDArray, NDArray, NDArray, NDArray]
BITS = PHASES.bit_length() - 1
HALF = 16  # pixels between the nodes of a raster
SMOOTH = 0.002  # samples: how well a place is interpolated between nodes, a small part of what the sweep is known to


@dataclass(frozen=True, slots=True, eq=False)
class Landing:
    """M places on one strip, all arrays (M,): `index` says which of the places that were asked for they are.

    (`line`, `sample`) is the sample at or before the place, `line_phase`, `sample_phase` count PHASES parts of the way
    to the next. `first_line`, `first_sample` are the least of them, `spans` which samples each line has (the first
    row of it is `first_line`).
    """

    index: NDArray[np.int32]
    line: NDArray[np.int32]
    sample: NDArray[np.int32]
    line_phase: NDArray[np.uint16]
    sample_phase: NDArray[np.uint16]
    spans: Spans

    @property
    def first_line(self) -> int:
        """The least line."""
        return self.spans.first

    @property
    def first_sample(self) -> int:
        """The least sample."""
        return int(self.spans.low.min())

    def needed(self, along: AxisWeights, across: AxisWeights) -> Spans:
        """The samples that the kernels reach, lanes that carry no weight included; they may lie beyond the strip."""
        lanes = across.values.shape[1]
        below = along.taps - along.before - 1
        return widened(self.spans, along.before, below, across.before, lanes - across.before - 1)


@dataclass(frozen=True, slots=True, eq=False)
class Raster:
    """Film places of a block of pixels (rows, columns), NaN where a pixel has none, and of the nodes about it.

    The nodes (R, C) lie at whole multiples of HALF pixels, the first `offset` = (rows, columns) before the block's
    first pixel; one that has no place is NaN, and what lies about it is worked out pixel by pixel.
    """

    pixels: FilmPoints
    nodes: FilmPoints
    offset: tuple[int, int]


def node_places(rows: slice, columns: slice) -> tuple[Array, Array, tuple[int, int]]:
    """Rows (R,) and columns (C,) of the nodes that a `Raster` of those pixels wants, and its `offset`."""
    at, offset = [], []
    for part in (rows, columns):
        first, last = part.start // (2 * HALF), -(-part.stop // (2 * HALF))
        at.append(HALF * np.arange(2 * first, 2 * last + 1, dtype=np.float64))
        offset.append(part.start - 2 * HALF * first)
    return at[0], at[1], (offset[0], offset[1])


def landing_of_raster(sweep: StripSweep, raster: Raster, extent: tuple[float, float, float, float]) -> Landing | None:
    """Which pixels of a raster lie on a strip, to half a sample beyond its outermost ones; None where none does.

    Between nodes about which a strip wanders smoothly, which those half way between others say, places are interpolated
    to `SMOOTH` of a sample; elsewhere they are those of `landing`. `extent` is that of the pixels.
    """
    inverse = inverse_of(sweep)
    if not _meet(extent, inverse):
        return None
    nodes = smooth_places(sweep, raster.nodes)
    good, _ = good_cells(nodes, 4 * SMOOTH * np.array([1.0, 1.0 / inverse.by_sample[:, 1].max()]))
    good &= inverse.even.size > 0
    x, y = raster.pixels.x_mm, raster.pixels.y_mm
    found, (low, high) = _room(x.size), _no_spans(sweep.n_lines)
    rest = np.empty(x.size, np.int32)
    count, n_rest = _land_between(
        x, nodes, good, HALF, *raster.offset, inverse.even, inverse.by_sample[0, 0], inverse.per_mm,
        sweep.n_lines, sweep.n_samples, *found, low, high, rest,
    )  # fmt: skip
    count = _land(rest[:n_rest], x.ravel(), y.ravel(), inverse.box, inverse.tables, count, *found, low, high)
    return _landed(found, count, low, high) if count else None


def landing(sweep: StripSweep, places: FilmPoints, extent: tuple[float, float, float, float]) -> Landing | None:
    """Which of the places (N,) lie on a strip, to half a sample beyond its outermost ones; None where none does.

    `extent` is that of the places, from `extent_of`.
    """
    inverse = inverse_of(sweep)
    if not _meet(extent, inverse):
        return None
    found, (low, high) = _room(places.x_mm.size), _no_spans(sweep.n_lines)
    every = np.arange(places.x_mm.size, dtype=np.int32)
    count = _land(every, places.x_mm, places.y_mm, inverse.box, inverse.tables, 0, *found, low, high)
    return _landed(found, count, low, high) if count else None


def _meet(extent: tuple[float, float, float, float], inverse: Inverse) -> bool:
    """Whether places of that extent can lie on a strip."""
    x_low, x_high, y_low, y_high = extent
    beside_x = x_high >= inverse.box[0] and x_low <= inverse.box[1]
    return bool(beside_x and y_high >= inverse.box[2] and y_low <= inverse.box[3])


def _no_spans(n_lines: int) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Spans that want nothing of the lines of a strip and of the one before it."""
    return np.full(n_lines + 1, EMPTY, np.int32), np.full(n_lines + 1, -EMPTY, np.int32)


def _room(n: int) -> Fields:
    """Room for `n` places on a strip: the fields of a `Landing` but its spans."""
    index, line, sample = (np.empty(n, np.int32) for _ in range(3))
    return index, line, sample, np.empty(n, np.uint16), np.empty(n, np.uint16)


def _landed(found: Fields, count: int, low: NDArray[np.int32], high: NDArray[np.int32]) -> Landing:
    """The first `count` places found, one at least, with the spans of each line from the one before the strip's on."""
    rows = np.flatnonzero(low <= high)
    part = slice(rows[0], rows[-1] + 1)
    index, line, sample, line_phase, sample_phase = (field[:count] for field in found)
    return Landing(index, line, sample, line_phase, sample_phase, Spans(int(rows[0]) - 1, low[part], high[part]))


def landing_of_scan(line: Array, sample: Array, n_lines: int) -> Landing:
    """The same for fractional places (N,) of a picture that are known already."""
    (base_l, phase_l), (base_s, phase_s) = _base_and_phase(line), _base_and_phase(sample)
    low, high = _no_spans(n_lines)
    np.minimum.at(low, base_l + 1, base_s)
    np.maximum.at(high, base_l + 1, base_s)
    return _landed((np.arange(line.size, dtype=np.int32), base_l, base_s, phase_l, phase_s), line.size, low, high)


def _base_and_phase(place: Array) -> tuple[NDArray[np.int32], NDArray[np.uint16]]:
    base = np.floor(place)
    return base.astype(np.int32), np.rint((place - base) * PHASES).astype(np.uint16)


def extent_of(places: FilmPoints) -> tuple[float, float, float, float]:
    """Least and greatest x, least and greatest y of places, NaN left out; nothing meets the extent of no places."""
    x_low, x_high, y_low, y_high = _extent(places.x_mm.ravel(), places.y_mm.ravel())
    return x_low, x_high, y_low, y_high


@njit(cache=True, nogil=True)
def _extent(x, y):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Least and greatest of both, NaN left out."""
    x_low = y_low = np.inf
    x_high = y_high = -np.inf
    for i in range(x.size):
        if x[i] < x_low:
            x_low = x[i]
        if x[i] > x_high:
            x_high = x[i]
        if y[i] < y_low:
            y_low = y[i]
        if y[i] > y_high:
            y_high = y[i]
    return x_low, x_high, y_low, y_high


@njit(cache=True, nogil=True, inline="always")
def _note(k, line, sample, index, out_line, out_sample, line_phase, sample_phase, count):  # type: ignore[no-untyped-def]  # fmt: skip  # pragma: no cover
    """Note a place that lies on the strip; its line and sample, as whole ones."""
    at, half = np.uint64(count), PHASES + 0.5
    whole_l, whole_s = np.int64(line * PHASES + half), np.int64(sample * PHASES + half)
    index[at], out_line[at], out_sample[at] = k, (whole_l >> BITS) - 1, (whole_s >> BITS) - 1
    line_phase[at], sample_phase[at] = whole_l & (PHASES - 1), whole_s & (PHASES - 1)
    return out_line[at], out_sample[at]


@njit(cache=True, nogil=True)
def _land(  # type: ignore[no-untyped-def]
    wanted, x, y, box, tables, count, index, out_line, out_sample, line_phase, sample_phase, low, high,
):  # fmt: skip  # pragma: no cover
    """Note those of the `wanted` places that lie on the strip, behind `count` that are noted; how many are then."""
    by_line, by_sample, line_bounds, sample_bounds, sign, leak = tables
    last_line, last_sample = by_line.shape[0] - 0.5, by_sample.shape[0] - 0.5
    x_low, x_high, y_low, y_high = box[0], box[1], box[2], box[3]
    i = j = np.uint64(0)
    for k in wanted:
        if not (x[k] >= x_low and x[k] <= x_high and y[k] >= y_low and y[k] <= y_high):
            continue
        line, sample, i, j = scan_place(x[k], y[k], by_line, by_sample, line_bounds, sample_bounds, sign, leak, i, j)
        if line >= -0.5 and line <= last_line and sample >= -0.5 and sample <= last_sample:
            a, b = _note(k, line, sample, index, out_line, out_sample, line_phase, sample_phase, count)
            low[a + 1], high[a + 1] = min(low[a + 1], b), max(high[a + 1], b)
            count += 1
    return count


@njit(cache=True, nogil=True)
def _land_between(  # type: ignore[no-untyped-def]
    x, nodes, good, half, offset_r, offset_c, even, first_x, per_mm, n_lines, n_samples,
    index, out_line, out_sample, line_phase, sample_phase, low, high, rest,
):  # fmt: skip  # pragma: no cover
    """Note the pixels between nodes; list those of cells that are not good in `rest`. How many there are of both."""
    rows, columns = x.shape
    last_line, last_sample = n_lines - 0.5, n_samples - 0.5
    count = left_over = 0
    for i in range(rows):
        r = (i + offset_r) // half
        v = (i + offset_r - r * half) / half
        for c in range(offset_c // half, (columns - 1 + offset_c) // half + 1):
            start, stop = max(c * half - offset_c, 0), min((c + 1) * half - offset_c, columns)
            if not good[r // 2, c // 2]:
                for j in range(start, stop):
                    rest[left_over] = i * columns + j
                    left_over += 1
                continue
            first_l, step_l = _between(nodes[0], r, c, v, half)
            left_x, step_x = _between(nodes[1], r, c, v, half)
            first = even_sample(even, first_x, per_mm, left_x)
            end = even_sample(even, first_x, per_mm, left_x + half * step_x)
            if max(first, end) < -0.5 or min(first, end) > last_sample:
                continue
            before = count
            for j in range(start, stop):
                t = j + offset_c - c * half
                line = first_l + t * step_l
                sample = even_sample(even, first_x, per_mm, left_x + t * step_x)
                inside = line >= -0.5 and line <= last_line and sample >= -0.5 and sample <= last_sample
                if inside and not np.isnan(x[i, j]):
                    k = i * columns + j
                    _note(k, line, sample, index, out_line, out_sample, line_phase, sample_phase, count)
                    count += 1
            if count > before:
                _hold(out_line, out_sample, before, count - 1, low, high)
    return count, left_over


@njit(cache=True, nogil=True, inline="always")
def _between(nodes, r, c, v, half):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Where a row, `v` of the way from nodes `r` to the next, begins between nodes `c` and the next, and its step."""
    left = nodes[r, c] + v * (nodes[r + 1, c] - nodes[r, c])
    right = nodes[r, c + 1] + v * (nodes[r + 1, c + 1] - nodes[r, c + 1])
    return left, (right - left) / half


@njit(cache=True, nogil=True, inline="always")
def _hold(line, sample, first, last, low, high):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Widen the spans to hold all samples between two places of a row."""
    a, b = min(sample[first], sample[last]), max(sample[first], sample[last])
    for row in range(min(line[first], line[last]) + 1, max(line[first], line[last]) + 2):
        low[row], high[row] = min(low[row], a), max(high[row], b)
