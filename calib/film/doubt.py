"""How uncertain a sample is: its noise, what it shares with its neighbours, and the doubt of its place.

All that varies slowly beside the samples themselves, so it is worked out for cells of CELL lines and samples. A sigma
that is read off a noisy sample is as noisy itself, and errs with it: where a curve bends, samples that came out low
would be believed too much. So it is the mean over a cell. The place of a sample is known to the sweep's sigma only;
where the picture has a gradient that doubt is one of its value, shared with its neighbours.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.film.kernels import CELL
from calib.film.spans import EMPTY, Spans
from calib.quality import DROPOUT, FILLED
from calib.sweep.model import StripSweep
from calib.tone.apply import Prepared
from calib.tone.model import StripTone

NOT_ITSELF = np.uint16(DROPOUT | FILLED)


@dataclass(frozen=True, slots=True, eq=False)
class Doubt:
    """What a strip's uncertainty is read from: its tone, and what density is turned into.

    `spread` (N, 3) over densities from `first` on, `per_density` rows to one density: factors of noise and of
    systematic error, and what is added in squares to the latter; none where density is taken as it is.
    """

    known: Prepared
    tone: StripTone
    spread: NDArray[np.float32]
    first: float
    per_density: float


def place_sigma(sweep: StripSweep, first: int, count: int) -> NDArray[np.float32]:
    """1-sigma of place of `count` lines from `first` on, in lines and samples, (count, 2); held beyond the strip."""
    line = np.clip(np.arange(first, first + count), 0, sweep.n_lines - 1)
    return _place_sigma(sweep)[line]


@lru_cache(maxsize=128)
def _place_sigma(sweep: StripSweep) -> NDArray[np.float32]:
    """Of all lines, made once a strip: a sweep is the same only if it is the same object."""
    along = sweep.sigma_y_mm / abs(float(np.median(np.diff(sweep.y_line_mm))))
    across = sweep.sigma_x_mm / abs(float(np.median(np.diff(sweep.x_sample_mm))))
    return np.stack([along, across], axis=1).astype(np.float32)


def cell_spans(need: Spans) -> Spans:
    """Cells that hold the samples `need`; a cell begins at a whole multiple of its size, whatever the block."""
    first, last = need.first // CELL, (need.stop - 1) // CELL
    low, high = np.full(last - first + 1, EMPTY, np.int32), np.full(last - first + 1, -EMPTY, np.int32)
    row, wanted = (need.first + np.arange(need.low.size)) // CELL - first, need.low <= need.high
    np.minimum.at(low, row[wanted], need.low[wanted] // CELL)
    np.maximum.at(high, row[wanted], need.high[wanted] // CELL)
    return Spans(first, low, high)


def cells_of_strip(
    dn: NDArray,
    first: int,
    doubt: Doubt,
    place: NDArray[np.float32],
    cells: Spans,
    samples: tuple[NDArray[np.float32], NDArray[np.uint16], int, int],
    out: NDArray[np.float32],
) -> None:
    """Fill in variance and systematic error of the `cells`; `out` (cells down, cells across, 2) begins with `samples`.

    `dn` holds whole lines from `first` on, `place` (rows, 2) the 1-sigma of each row's place,
    `samples` values and quality bits (rows, columns) from the even line and sample on that follow them.
    """
    value, quality, top, left = samples
    tone, known, last = doubt.tone, doubt.known, first + len(dn) - 1
    lines = slice(first, last + 1)
    rows = tone.line_density[lines].astype(np.float32), np.square(tone.line_sigma[lines])
    _cells(
        dn, first, last, known.table, known.column_density, known.column_variance, *rows,
        doubt.spread, np.float32(doubt.first), np.float32(doubt.per_density), place, cells.first, cells.low, cells.high,
        value, quality, top, left, NOT_ITSELF, np.uint16(FILLED), out,
    )  # fmt: skip


def cells_of_window(
    noise: NDArray[np.float32], systematic: NDArray[np.float32], cells: Spans, top: int, left: int,
    out: NDArray[np.float32],
) -> None:  # fmt: skip
    """The same for a whole picture whose 1-sigmas are known, (lines, samples)."""
    _mean_cells(noise, systematic, cells.first, cells.low, cells.high, top // CELL, left // CELL, out)


@njit(cache=True, nogil=True)
def raise_cells(rows, columns, pairs, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Raise the cells of bridged samples (n,) to what is known of these, `pairs` (n, 2)."""
    for n in range(rows.size):
        i, j = rows[n] // CELL, columns[n] // CELL
        for part in range(2):
            out[i, j, part] = max(out[i, j, part], pairs[n, part])


@njit(cache=True, nogil=True, inline="always")
def spread_at(spread, first, per_density, density, noise, shared):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Noise and squared systematic error of what a density is turned into, from those of the density."""
    if spread.shape[0] == 0:
        return noise, shared
    place = (density - first) * per_density + np.float32(0.5)
    at = np.uint64(min(max(place, np.float32(0)), np.float32(spread.shape[0] - 1)))  # rows are finer than they change
    scatter, slope, ends = noise * spread[at, 0], spread[at, 1], spread[at, 2]
    return scatter, slope * slope * shared + ends * ends


@njit(cache=True, nogil=True)
def _cells(  # type: ignore[no-untyped-def]
    dn, first_line, last_line, tone, column_density, column_variance, line_density, line_variance,
    spread, first, per_density, place, first_cell, low, high, value, quality, top, left, not_itself, bridged, out,
):  # fmt: skip  # pragma: no cover
    last_sample = dn.shape[1] - 1
    for row in range(low.size):
        one = min(max((row + first_cell) * CELL, first_line), last_line)
        two = min(max((row + first_cell) * CELL + 1, first_line), last_line)
        u, v = one - top, two - top
        along, across = place[u, 0] * place[u, 0], place[u, 1] * place[u, 1]
        for cell in range(low[row], high[row] + 1):
            c, d = min(max(cell * CELL, 0), last_sample), min(max(cell * CELL + 1, 0), last_sample)
            p, q, i, j = c - left, d - left, row + first_cell - top // CELL, cell - left // CELL
            if quality[u, p] & quality[u, q] & quality[v, p] & quality[v, q] & bridged:
                out[i, j, 0] = out[i, j, 1] = np.float32(0)  # they will say
                continue
            some = not quality[u, p] & not_itself or not quality[u, q] & not_itself
            some = some or not quality[v, p] & not_itself or not quality[v, q] & not_itself
            skipped = not_itself if some else np.uint16(0)  # where none is itself, better all than none
            mean, square, count = np.float32(0), np.float32(0), np.float32(0)
            for line in (one, two):
                a, drift = np.uint64(line - first_line), line_density[line - first_line]
                for sample in (c, d):
                    if quality[line - top, sample - left] & skipped:
                        continue
                    s = np.uint64(sample)
                    number = np.uint64(dn[a, s])
                    shared = tone[number, 2] * tone[number, 2] + np.float32(column_variance[s] + line_variance[a])
                    density = tone[number, 0] - (column_density[s] + drift)
                    noise, shared = spread_at(spread, first, per_density, density, tone[number, 1], shared)
                    mean += noise
                    square += shared
                    count += np.float32(1)
            variance, square = (mean / count) ** 2, square / count
            above, below = max(u - 1, first_line - top), min(v + 1, last_line - top)
            before, after = max(p - 1, -left), min(q + 1, last_sample - left)
            down = _square_slope(value[above, p] + value[above, q], value[v, p] + value[v, q], variance)
            down += _square_slope(value[u, p] + value[u, q], value[below, p] + value[below, q], variance)
            right = _square_slope(value[u, before] + value[v, before], value[u, q] + value[v, q], variance)
            right += _square_slope(value[u, p] + value[v, p], value[u, after] + value[v, after], variance)
            out[i, j, 0], out[i, j, 1] = variance, np.sqrt(square + along * down + across * right)


@njit(cache=True, nogil=True, inline="always")
def _square_slope(before, after, variance):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Half the squared slope between sums of two samples two steps apart, less what their noise makes of it; none where
    it is unknown.
    """
    rise = np.float32(0.25) * (after - before)
    square = np.float32(0.5) * rise * rise - np.float32(0.125) * variance
    return square if square > 0 else np.float32(0)  # NaN compares false


@njit(cache=True, nogil=True)
def _mean_cells(noise, systematic, first_cell, low, high, top, left, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    n_lines, n_samples = noise.shape
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
