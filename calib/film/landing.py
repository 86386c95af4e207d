"""Locates film places on one strip, and tells which of its samples they need.

The sweep is inverted for each place; for the pixels of a raster, where the sweep is smooth, only for nodes (`tiles`). A
place is then expressed as a sample and the nearest of PHASES parts of the step to the next. Later stages read only the
samples near these places: a map that is rotated against the strips needs far fewer than their bounding rectangle.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare, njit
from calib.coordinates import Array, FilmPoints
from calib.film.kernels import PHASE_BITS, PHASES, Axes
from calib.film.spans import Spans, widened
from calib.film.tiles import Tiles, no_spans
from calib.sweep.inverse import Extent, Inverse, inverse_of, scan_place
from calib.sweep.model import StripSweep


class Places(NamedTuple):
    """M places on one strip, all arrays (M,): `number` is the index among the requested places.

    (`line`, `sample`) is the sample at or before the place; `line_phase`, `sample_phase` are the rest of the way to the
    next, in parts of 1 / PHASES. Compiled code reads and fills the arrays.
    """

    number: NDArray[np.int32]
    line: NDArray[np.int32]
    sample: NDArray[np.int32]
    line_phase: NDArray[np.uint16]
    sample_phase: NDArray[np.uint16]

    @classmethod
    def room(cls, n: int) -> "Places":
        """Room for `n` places."""
        number, line, sample = (np.empty(n, np.int32) for _ in range(3))
        return cls(number, line, sample, np.empty(n, np.uint16), np.empty(n, np.uint16))

    def first(self, count: int) -> "Places":
        """The first `count` of them."""
        number, line, sample, *phases = self
        return Places(number[:count], line[:count], sample[:count], *(phase[:count] for phase in phases))


@dataclass(frozen=True, slots=True, eq=False)
class Landing:
    """The part of a block that lies on one strip: a list of `places`, and `tiles` of a raster, which are not listed.

    `spans` are the samples of each line that lie at or before a place.
    """

    places: Places
    tiles: Tiles | None
    spans: Spans

    def needed(self, axes: Axes) -> Spans:
        """The samples that the kernels read, including padding lanes without weight; they may lie beyond the strip."""
        along, across = axes
        below = along.taps - along.before - 1
        return widened(self.spans, along.before, below, across.before, across.lanes - across.before - 1)


def landing_in(tiles: Tiles) -> Landing | None:
    """The pixels of a raster that lie on a strip, up to half a sample beyond its outermost ones; None if there are
    none.

    Those in EXACT tiles are listed.
    """
    exact = tiles.exact_pixels()
    if exact.size == 0:
        return _landed(Places.room(0), tiles, tiles.low, tiles.high)
    low, high = tiles.low.copy(), tiles.high.copy()
    return _landed(_listed(exact, tiles.raster.pixels(), tiles.inverse, low, high), tiles, low, high)


def landing(sweep: StripSweep, places: FilmPoints, extent: Extent) -> Landing | None:
    """Those of the places (N,) that lie on a strip, up to half a sample beyond its outermost ones; None if there are
    none.

    `extent` is that of the places.
    """
    inverse = inverse_of(sweep)
    if not inverse.may_see(extent):
        return None
    low, high = no_spans(sweep.n_lines)
    return _landed(_listed(np.arange(places.x_mm.size, dtype=np.int32), places, inverse, low, high), None, low, high)


def _listed(
    wanted: NDArray[np.int32], places: FilmPoints, inverse: Inverse, low: NDArray[np.int32], high: NDArray[np.int32]
) -> Places:
    """Those of the `wanted` places that lie on a strip; the spans are widened to contain them."""
    found, x, y = Places.room(wanted.size), np.ravel(places.x_mm), np.ravel(places.y_mm)
    return found.first(_land(wanted, x, y, inverse, found, low, high))


def _landed(places: Places, tiles: Tiles | None, low: NDArray[np.int32], high: NDArray[np.int32]) -> Landing | None:
    """The landing, with `low` and `high` by line from line -1 on as spans; None if no line has a sample."""
    rows = np.flatnonzero(low <= high)
    if rows.size == 0:
        return None
    part = slice(rows[0], rows[-1] + 1)
    return Landing(places, tiles, Spans(int(rows[0]) - 1, low[part], high[part]))


def landing_of_scan(line: Array, sample: Array, n_lines: int) -> Landing | None:
    """The landing of known fractional places (N,) in a picture."""
    (base_l, phase_l), (base_s, phase_s) = _base_and_phase(line), _base_and_phase(sample)
    low, high = no_spans(n_lines)
    np.minimum.at(low, base_l + 1, base_s)
    np.maximum.at(high, base_l + 1, base_s)
    every = np.arange(line.size, dtype=np.int32)
    return _landed(Places(every, base_l, base_s, phase_l, phase_s), None, low, high)


def _base_and_phase(place: Array) -> tuple[NDArray[np.int32], NDArray[np.uint16]]:
    base = np.floor(place)
    return base.astype(np.int32), np.rint((place - base) * PHASES).astype(np.uint16)


def extent_of(places: FilmPoints) -> Extent:
    """Minimum and maximum x, minimum and maximum y of places, ignoring NaN; an empty interval if there are none."""
    x_low, x_high, y_low, y_high = _extent(np.ravel(places.x_mm), np.ravel(places.y_mm))
    return x_low, x_high, y_low, y_high


@njit(cache=True, nogil=True)
def _extent(x, y):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Minimum and maximum of `x` and of `y`, ignoring NaN."""
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


@bare(cache=True, nogil=True)
def _land(wanted, x, y, inverse, found, low, high):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Store those of the `wanted` places that lie on the strip; returns their number."""
    last_line, last_sample = inverse.by_line.shape[0] - 0.5, inverse.by_sample.shape[0] - 0.5
    x_low, x_high, y_low, y_high = inverse.box[0], inverse.box[1], inverse.box[2], inverse.box[3]
    number, out_line, out_sample, line_phase, sample_phase = found
    i = j = count = np.uint64(0)
    half = PHASES + 0.5  # rounds to the nearest phase; plus one line or sample, so that truncation is a floor
    for n in range(wanted.size):
        k = wanted[n]
        if not (x[k] >= x_low and x[k] <= x_high and y[k] >= y_low and y[k] <= y_high):
            continue
        line, sample, i, j = scan_place(x[k], y[k], inverse, i, j)
        if line >= -0.5 and line <= last_line and sample >= -0.5 and sample <= last_sample:
            whole_l, whole_s = np.int64(line * PHASES + half), np.int64(sample * PHASES + half)
            a, b = (whole_l >> PHASE_BITS) - 1, (whole_s >> PHASE_BITS) - 1
            number[count], out_line[count], out_sample[count] = k, a, b
            line_phase[count], sample_phase[count] = whole_l & (PHASES - 1), whole_s & (PHASES - 1)
            low[a + 1], high[a + 1] = min(low[a + 1], b), max(high[a + 1], b)
            count += np.uint64(1)
    return np.int64(count)
