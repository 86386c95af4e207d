"""Locates the pixels of a raster on one strip, in tiles between the raster's nodes.

A tile is NODE_STEP pixels high and wide. Where the sweep is smooth around it, its pixels' places are interpolated
bilinearly between four nodes. The inner loop does this in fixed-point numbers (`FRACTION` to one), without storing
anything per pixel.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare
from calib.coordinates import Array
from calib.film.kernels import PHASE_BITS, PHASES
from calib.film.raster import NODE_STEP, Raster
from calib.film.spans import EMPTY
from calib.lattice import between, good_cells
from calib.sweep.inverse import EVEN_BITS, Extent, Inverse, even_sample, inverse_of, smooth_places
from calib.sweep.model import StripSweep

SMOOTH = 0.002  # samples: error of interpolation between nodes, a small part of the sweep's own uncertainty
OFF, EXACT, EDGE, INSIDE = 0, 1, 2, 3
FRACTION_BITS = 32
FRACTION = 1 << FRACTION_BITS
TO_PHASE, EVEN_TO_PHASE = FRACTION_BITS - PHASE_BITS, EVEN_BITS - PHASE_BITS  # bits below a phase
LAST_PHASE = PHASES - 1
NO_MASK = np.zeros(0, np.uint16)
MARGIN = 1e-3  # lines, samples, entries of the table: more than rounding


class Geometry(NamedTuple):
    """Where the pixels of a raster lie on a strip, for compiled code.

    `nodes`: as in `Tiles`.
    `even`, `per_mm`: as in `Inverse`; `even` is flattened, its first entry is at x `first_x`.
    `n_lines`, `n_samples`: of the strip.
    `rows`, `columns`: of the block of pixels. `offset_r`, `offset_c`: distance of its first pixel from the first node.
    `outside` (N,): that of the raster, flattened; empty if it has none.
    """

    nodes: Array
    even: NDArray[np.int32]
    first_x: float
    per_mm: float
    n_lines: int
    n_samples: int
    rows: int
    columns: int
    offset_r: int
    offset_c: int
    outside: NDArray[np.uint16]


@dataclass(frozen=True, slots=True, eq=False)
class Tiles:
    """How the pixels of a raster lie on a strip, tile by tile; `kind` (tiles down, tiles across).

    The kinds are OFF the strip; EXACT: to be computed pixel by pixel; EDGE: some pixels may lie off the strip; INSIDE:
    all pixels that have a place lie on it. `n_strips` (like `kind`) counts the strips that a tile may lie on. `nodes`
    (2, R, C) are line, and x minus the line's own offset, at the tiles' corners. `low`, `high` are, for each line from
    line -1 on, the range of samples at or before the places in EDGE and INSIDE tiles.
    """

    raster: Raster
    inverse: Inverse
    nodes: Array
    kind: NDArray[np.uint8]
    n_strips: NDArray[np.uint8]
    low: NDArray[np.int32]
    high: NDArray[np.int32]

    @property
    def geometry(self) -> Geometry:
        """The properties of strip and raster that compiled code reads."""
        inverse, outside = self.inverse, self.raster.outside
        return Geometry(
            self.nodes, inverse.even.ravel(), inverse.by_sample[0, 0], inverse.per_mm, len(inverse.by_line),
            len(inverse.by_sample), *self.raster.shape, *self.raster.offset,
            NO_MASK if outside is None else outside.ravel(),
        )  # fmt: skip

    def exact_pixels(self) -> NDArray[np.int32]:
        """Flat indices of the pixels of all EXACT tiles."""
        exact = self.kind == EXACT
        if not exact.any():
            return np.zeros(0, np.int32)
        sides = zip(self.raster.shape, self.raster.offset, strict=True)
        row, column = ((np.arange(size) + offset) // NODE_STEP for size, offset in sides)
        return np.flatnonzero(exact[np.ix_(row, column)]).astype(np.int32)


def tiles_of(sweeps: Sequence[StripSweep], raster: Raster, extent: Extent) -> list[Tiles | None]:
    """The tiles of a raster of the given extent on each strip; None for a strip that cannot show any of it.

    Where the sweep is smooth, judged by nodes half way between others, places are interpolated to `SMOOTH` of a sample;
    other tiles are EXACT.
    """
    rows, columns = raster.nodes.x_mm.shape
    n_strips = np.zeros((rows - 1, columns - 1), np.uint8)
    return [_tiles_of(sweep, raster, n_strips) if inverse_of(sweep).may_see(extent) else None for sweep in sweeps]


def _tiles_of(sweep: StripSweep, raster: Raster, n_strips: NDArray[np.uint8]) -> Tiles:
    inverse = inverse_of(sweep)
    nodes = smooth_places(sweep, raster.nodes)
    tolerance = np.empty((2, nodes.shape[1] // 2, nodes.shape[2] // 2))
    _tolerance(nodes[0], sweep.n_lines, 1.0 / inverse.by_sample[:, 1].max(), tolerance)
    good, _ = good_cells(nodes, tolerance)
    good &= inverse.even.size > 0
    made = Tiles(raster, inverse, nodes, np.zeros_like(n_strips), n_strips, *no_spans(sweep.n_lines))
    _classify(made.geometry, good, made.kind, made.low, made.high)
    n_strips += made.kind != OFF
    return made


@bare(cache=True, nogil=True)
def _tolerance(line, n_lines, sample_mm, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Tolerance for `good_cells`, (2, cells down, cells across): 4 `SMOOTH` where a strip continues smoothly. In a cell
    where it ends, beyond which it is extrapolated straight, the nodes may show only half of the largest deviation.
    """
    for i in range(out.shape[1]):
        for j in range(out.shape[2]):
            above, below = line[2 * i], line[2 * i + 2]
            a, b, d, e = above[2 * j], above[2 * j + 2], below[2 * j], below[2 * j + 2]
            low, high = min(min(a, b), min(d, e)), max(max(a, b), max(d, e))
            ends = (low < 0 and high > 0) or (low < n_lines - 1 and high > n_lines - 1)
            out[0, i, j] = SMOOTH * (0.5 if ends else 4.0)
            out[1, i, j] = out[0, i, j] * sample_mm


def no_spans(n_lines: int) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Empty spans of the lines of a strip and of the one before it."""
    return np.full(n_lines + 1, EMPTY, np.int32), np.full(n_lines + 1, -EMPTY, np.int32)


@bare(cache=True, nogil=True, inline="always")
def rows_of_tile(geometry, r):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The first of a tile's rows in the block, and the one after its last."""
    return max(r * NODE_STEP - geometry.offset_r, 0), min((r + 1) * NODE_STEP - geometry.offset_r, geometry.rows)


@bare(cache=True, nogil=True, inline="always")
def columns_of_tile(geometry, c):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The first of a tile's columns in the block, and the one after its last."""
    return max(c * NODE_STEP - geometry.offset_c, 0), min((c + 1) * NODE_STEP - geometry.offset_c, geometry.columns)


@bare(cache=True, nogil=True, inline="always")
def min_max_in_tile(nodes, r, c):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Minimum and maximum of a bilinear quantity in a tile."""
    a, b, d, e = nodes[r, c], nodes[r, c + 1], nodes[r + 1, c], nodes[r + 1, c + 1]
    return min(min(a, b), min(d, e)), max(max(a, b), max(d, e))


@bare(cache=True, nogil=True, inline="always")
def box_of(geometry, r, c):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Minimum and maximum line and sample of the places in a tile, each to within one."""
    even, first_x, per_mm = geometry.even, geometry.first_x, geometry.per_mm
    line_low, line_high = min_max_in_tile(geometry.nodes[0], r, c)
    x_low, x_high = min_max_in_tile(geometry.nodes[1], r, c)
    sample_low, sample_high = even_sample(even, first_x, per_mm, x_low), even_sample(even, first_x, per_mm, x_high)
    return line_low, line_high, sample_low, sample_high


@bare(cache=True, nogil=True)
def _classify(geometry, good, kind, low, high):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Set the kind of each tile, and widen the spans to contain its places."""
    n_lines, n_samples = geometry.n_lines, geometry.n_samples
    for r in range(kind.shape[0]):
        top, bottom = rows_of_tile(geometry, r)
        for c in range(kind.shape[1]):
            left, right = columns_of_tile(geometry, c)
            if top >= bottom or left >= right:
                continue
            if not good[r // 2, c // 2]:
                kind[r, c] = EXACT
                continue
            first, last, before, behind = box_of(geometry, r, c)
            if last < -0.5 - MARGIN or first > n_lines - 0.5 + MARGIN:
                continue
            if behind < -0.5 - MARGIN or before > n_samples - 0.5 + MARGIN:
                continue
            inside = first >= 0.0 and last <= n_lines - 1.0 and before >= MARGIN and behind <= n_samples - 1.0 - MARGIN
            kind[r, c] = INSIDE if inside else EDGE
            a, b = _clamped_floor(before, n_samples), _clamped_floor(behind + 2 * MARGIN, n_samples)
            for row in range(_clamped_floor(first, n_lines) + 1, _clamped_floor(last + 2 * MARGIN, n_lines) + 2):
                low[row], high[row] = min(low[row], a), max(high[row], b)


@bare(cache=True, nogil=True, inline="always")
def _clamped_floor(place, n):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The line or sample at or before a place, clipped to the range possible for a place on the strip."""
    return min(max(np.int64(np.floor(place)), -1), n - 1)


@bare(cache=True, nogil=True, inline="always")
def row_start(geometry, r, c, v):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Line and entry of the even table at the start of a tile's row at fraction `v` of its height, and their steps from
    pixel to pixel, in parts of FRACTION."""
    line, line_step = _row_between_nodes(geometry.nodes[0], r, c, v)
    x, x_step = _row_between_nodes(geometry.nodes[1], r, c, v)
    per_mm = geometry.per_mm
    entry, entry_step = (x - geometry.first_x) * (per_mm * FRACTION), x_step * (per_mm * FRACTION)
    return np.int64(line * FRACTION), np.int64(line_step * FRACTION), np.int64(entry), np.int64(entry_step)


@bare(cache=True, nogil=True, inline="always")
def _row_between_nodes(nodes, r, c, v):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Value at the start of a row between nodes `c` and `c` + 1, and its step per pixel."""
    left, right = between(nodes, r, c, v)
    return left, (right - left) / NODE_STEP


@bare(cache=True, nogil=True, inline="always")
def sample_at(even, entry):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The sample at an entry of the even table, extrapolated linearly beyond it, in units of 2^-EVEN_BITS."""
    last = np.int64(even.size >> 1) - 2
    at = np.uint64(min(max(entry >> FRACTION_BITS, 0), last))
    beyond = (entry - (np.int64(at) << FRACTION_BITS)) >> EVEN_BITS
    return even[np.uint64(2) * at] + ((beyond * even[np.uint64(2) * at + np.uint64(1)]) >> (FRACTION_BITS - EVEN_BITS))


@bare(cache=True, nogil=True, inline="always")
def row_on(geometry, r, c, row, inside):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The contiguous pixels of a tile's row that lie on the strip: the first, the one after the last, and line, step,
    entry and step (see `row_start`) at the first. If the tile is `inside`, these are all pixels of the row."""
    half, beside = np.int64(1) << (FRACTION_BITS - 1), np.int64(1) << (EVEN_BITS - 1)
    line, line_step, entry, entry_step = row_start(
        geometry, r, c, (row + geometry.offset_r - r * NODE_STEP) / NODE_STEP
    )
    left, right = columns_of_tile(geometry, c)
    t = left + geometry.offset_c - c * NODE_STEP
    line, entry = line + t * line_step, entry + t * entry_step
    if not inside:
        line_high, sample_high = (2 * geometry.n_lines - 1) * half, (2 * geometry.n_samples - 1) * beside
        first, behind = right, left
        for j in range(left, right):
            at = line + (j - left) * line_step
            sample = sample_at(geometry.even, entry + (j - left) * entry_step)
            if at >= -half and at <= line_high and sample >= -beside and sample <= sample_high:
                first, behind = min(first, j), j + 1
        line, entry, left, right = line + (first - left) * line_step, entry + (first - left) * entry_step, first, behind
    return left, right, line, line_step, entry, entry_step


@bare(cache=True, nogil=True, inline="always")
def phases_of(line, sample):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Line and sample rounded to multiples of 1 / PHASES."""
    half_l, half_s = np.int64(1) << (TO_PHASE - 1), np.int64(1) << (EVEN_TO_PHASE - 1)
    return (line + half_l) >> TO_PHASE, (sample + half_s) >> EVEN_TO_PHASE
