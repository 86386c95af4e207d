"""The inner loops of the interpolation: values at places from the samples around them, blended strip after strip.

Tiles are processed pixel by pixel along their rows. Where only one strip sees a tile and all samples around it are
sound, the loop needs no tests. Elsewhere a pixel near an unsound sample is listed, like places that are not in tiles,
and the listed places are interpolated with care afterwards. The result at a place is a running mean over its strips,
weighted by the distance to their own edges. Sound samples take precedence over samples that a dropout touches, and
those over none.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare
from calib.film.careful import LOST, NOTHING, WHOLE, Verdict, judge, mean_of_known
from calib.film.kernels import CELL, LANES, PHASE_BITS, PHASES, Axes
from calib.film.landing import Landing, Places
from calib.film.packed import SOUND, Samples
from calib.film.raster import NODE_STEP
from calib.film.tiles import (
    EDGE,
    FRACTION_BITS,
    INSIDE,
    LAST_PHASE,
    box_of,
    columns_of_tile,
    phases_of,
    row_on,
    rows_of_tile,
    sample_at,
)
from calib.film.weigh import ANY, cell_of, doubt_at, row_at, value_at
from calib.quality import OUTSIDE, SEAM

TOGETHER = 2048  # places of tiles listed before they are interpolated: as many as fit the nearest cache
AT_ONCE = 1024  # places searched together for any without a result
LEAST_WEIGHT = 1e-3  # samples: least weight of a strip where strips are blended


class Gathered(NamedTuple):
    """Results at N places from the strips processed so far: `value` and `sigma`, NaN if there is none, `quality` bits.

    Places that no strip has reached are undefined until `finish`. `rank` (N,) tells what a result is made of: NOTHING,
    LOST (a strip covers the place but has no usable sample there), BRIDGED or WHOLE. `parts` (N, 3) are variance,
    systematic error and weight of places that more than one strip may see. Compiled code reads and fills the arrays.
    """

    value: NDArray[np.float32]
    sigma: NDArray[np.float32]
    quality: NDArray[np.uint16]
    rank: NDArray[np.uint8]
    parts: NDArray[np.float32]

    @classmethod
    def nothing_at(cls, n: int) -> "Gathered":
        """No results yet at `n` places."""
        value, sigma = np.empty(n, np.float32), np.empty(n, np.float32)
        return cls(value, sigma, np.zeros(n, np.uint16), np.zeros(n, np.uint8), np.empty((n, 3), np.float32))

    def finish(self) -> None:
        """Mark the places that no strip has reached as outside; called after the last strip."""
        _finish(self)


@bare(cache=True, nogil=True)
def _finish(made):  # type: ignore[no-untyped-def]  # pragma: no cover
    value, sigma, quality, rank, _ = made
    for first in range(0, rank.size, AT_ONCE):
        stop, some = min(np.uint64(first + AT_ONCE), np.uint64(rank.size)), False
        for k in range(np.uint64(first), stop):
            some |= rank[k] == NOTHING
        for k in range(np.uint64(first) if some else stop, stop):
            if rank[k] == NOTHING:
                value[k] = sigma[k] = np.nan
                quality[k] = OUTSIDE


def gather(samples: Samples, axes: Axes, at: Landing, made: Gathered) -> None:
    """Blend the results of a strip's `samples` at the places `at` into `made`."""
    taps = axes.taps
    size = taps.lines if max(taps.lines, taps.samples) <= LANES else ANY
    written_out = (0,) * size  # compiled code knows its length
    listed = at.places.number.size
    n = listed if at.tiles is None else max(listed, TOGETHER + NODE_STEP * NODE_STEP)
    verdict = Verdict.room(n)
    if listed:
        _place_loop(at.places, np.uint64(listed), verdict, axes, samples, made, written_out)
    if at.tiles is not None:
        tiles, room = at.tiles, Places.room(n)
        _tile_loop(tiles.geometry, (tiles.kind, tiles.n_strips), (room, verdict), axes, samples, made, written_out)


@bare(cache=True, nogil=True, inline="always")
def _blend(made, samples, k, result, sample):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Blend one strip's result at place `k` in, weighted by the distance of `sample` from the strip's own edges.

    `result` is its rank, bits, value, variance and systematic error.
    """
    rank, flags, v, variance, systematic = result
    (value, sigma, bits, ranks, parts), correlation, half = made, samples.correlation, np.float32(0.5)
    weight = min(sample + half, np.float32(samples.n_samples) - half - sample) + np.float32(LEAST_WEIGHT)
    shared = abs(systematic)
    if rank > ranks[k]:
        ranks[k], bits[k] = rank, flags
    elif rank == ranks[k]:
        bits[k] |= flags
        if rank > LOST:
            bits[k] |= np.uint16(SEAM)
            both = parts[k, 2] + weight
            left = parts[k, 2] / both
            share = np.float32(1) - left
            v = value[k] + share * (v - value[k])
            a, b = left * left * parts[k, 0], share * share * variance
            variance = a + b + np.float32(2) * correlation * np.sqrt(a * b)
            shared, weight = parts[k, 1] + share * (shared - parts[k, 1]), both
    if rank == ranks[k]:
        value[k], sigma[k] = v, np.sqrt(variance + shared * shared)
        parts[k, 0], parts[k, 1], parts[k, 2] = variance, shared, weight


@bare(cache=True, nogil=True)
def _place_loop(listed, count, verdict, axes, samples, made, written_out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The loop over listed places, compiled for each size of kernel."""
    size = len(written_out)
    number, line, sample, line_phase, sample_phase = listed
    first_line, first_sample = samples.first_line, samples.first_sample
    value, doubts = samples.value, samples.doubts
    judge(listed, count, axes, samples, verdict, written_out)
    for m in range(count):
        i, j = np.uint64(line[m] - first_line), np.uint64(sample[m] - first_sample)
        k, p, q = np.uint64(number[m]), np.uint64(line_phase[m]), np.uint64(sample_phase[m])
        rank, flags = verdict.rank[m], verdict.bits[m]
        along, across = row_at(axes.along.rows, p, size), row_at(axes.across.rows, q, size)
        v = value_at(i, j, along, across, size, axes, value)
        variance, shared = doubt_at(i, j, cell_of(i, j, doubts), along, across, size, axes, doubts)
        if rank == LOST:
            v = variance = np.float32(np.nan)
        elif not np.isfinite(v):
            v, more = mean_of_known(i, j, p, q, axes, verdict.missing[m], value)
            variance *= more
        at = np.float32(sample[m]) + np.float32(q) * np.float32(1 / PHASES)
        _blend(made, samples, k, (rank, flags, v, variance, shared), at)


@bare(cache=True, nogil=True, inline="always")
def _blend_row(geometry, pixels, axes, samples, made, listed, count, size):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Blend a strip's results in at a tile's `pixels`: a row of the block, and the tile's stretch of it by `row_on`.

    Pixels near unsound samples are added to the list, of which `count` entries are filled; returns the new count.
    """
    row, stretch = pixels
    value, doubts, unsound = samples.value, samples.doubts, samples.unsound
    number_of, line_of, sample_of, line_phase, sample_phase = listed
    even, outside = geometry.even, geometry.outside
    left, right, line, line_step, entry, entry_step = stretch
    masked, start = outside.size > 0, np.uint64(row * geometry.columns)
    line -= samples.first_line << FRACTION_BITS
    before = samples.first_sample << PHASE_BITS
    for k in range(start + np.uint64(left), start + np.uint64(right)):
        whole_l, whole_s = phases_of(line, sample_at(even, entry))
        whole_s -= before
        down, beside = np.uint64(whole_l >> PHASE_BITS), np.uint64(whole_s >> PHASE_BITS)
        p, q, number = whole_l & LAST_PHASE, whole_s & LAST_PHASE, cell_of(down, beside, doubts)
        line, entry = line + line_step, entry + entry_step
        if masked and outside[k] != 0:
            continue
        if unsound[number] != SOUND:
            number_of[count] = k
            line_of[count] = np.int64(down) + samples.first_line
            sample_of[count] = np.int64(beside) + samples.first_sample
            line_phase[count], sample_phase[count] = p, q
            count += np.uint64(1)
            continue
        along, across = row_at(axes.along.rows, p, size), row_at(axes.across.rows, q, size)
        v = value_at(down, beside, along, across, size, axes, value)
        variance, shared = doubt_at(down, beside, number, along, across, size, axes, doubts)
        at = np.float32(samples.first_sample) + np.float32(whole_s) * np.float32(1 / PHASES)
        _blend(made, samples, k, (WHOLE, np.uint16(0), v, variance, shared), at)
    return count


@bare(cache=True, nogil=True, inline="always")
def _is_sound(geometry, r, c, samples):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether all pixels of a tile have a place, and all cells in which their first taps may lie are sound."""
    line_low, line_high, sample_low, sample_high = box_of(geometry, r, c)
    (top, bottom), (left, right) = rows_of_tile(geometry, r), columns_of_tile(geometry, c)
    first_l, first_s = samples.first_line, samples.first_sample
    some = np.uint16(SOUND)
    for i in range((np.int64(line_low) - first_l) // CELL, (np.int64(line_high) + 1 - first_l) // CELL + 1):
        for j in range((np.int64(sample_low) - first_s) // CELL, (np.int64(sample_high) + 1 - first_s) // CELL + 1):
            some |= np.uint16(samples.unsound[i * samples.doubts.shape[1] + j])
    for row in range(top, bottom if geometry.outside.size else top):
        for k in range(row * geometry.columns + left, row * geometry.columns + right):
            some |= geometry.outside[k]
    return some == SOUND


@bare(cache=True, nogil=True)
def _interpolate_sound_tile(geometry, r, c, axes, samples, made, written_out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Put in a strip's results of a tile that lies inside it, that no other strip sees and that `_is_sound`.

    It does what `_blend_row` would do, without the tests. Compiled by itself, so that its variables stay in registers.
    """
    even, columns, value, doubts = geometry.even, geometry.columns, samples.value, samples.doubts
    rows_l, rows_s, size = axes.along.rows, axes.across.rows, len(written_out)
    for row in range(*rows_of_tile(geometry, r)):
        left, right, line, line_step, entry, entry_step = row_on(geometry, r, c, row, True)
        line -= samples.first_line << FRACTION_BITS
        for k in range(np.uint64(row * columns + left), np.uint64(row * columns + right)):
            whole_l, whole_s = phases_of(line, sample_at(even, entry))
            whole_s -= samples.first_sample << PHASE_BITS
            down, beside = np.uint64(whole_l >> PHASE_BITS), np.uint64(whole_s >> PHASE_BITS)
            line, entry = line + line_step, entry + entry_step
            along, across = row_at(rows_l, whole_l & LAST_PHASE, size), row_at(rows_s, whole_s & LAST_PHASE, size)
            made.value[k] = value_at(down, beside, along, across, size, axes, value)
            number = cell_of(down, beside, doubts)
            variance, shared = doubt_at(down, beside, number, along, across, size, axes, doubts)
            made.sigma[k], made.rank[k] = np.sqrt(variance + shared * shared), WHOLE


@bare(cache=True, nogil=True)
def _tile_loop(geometry, tiles, room, axes, samples, made, written_out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The loop over tiles, compiled for each size of kernel.

    `tiles` are kind and number of strips of each tile, `room` is space for listed places and the verdict on them.
    """
    (kind, n_strips), (listed, verdict) = tiles, room
    count, size = np.uint64(0), len(written_out)
    for r in range(kind.shape[0]):
        for c in range(kind.shape[1]):
            if kind[r, c] < EDGE:
                continue
            inside, alone = kind[r, c] == INSIDE, n_strips[r, c] == 1
            if size != ANY and inside and alone and _is_sound(geometry, r, c, samples):
                _interpolate_sound_tile(geometry, r, c, axes, samples, made, written_out)
                continue
            for row in range(*rows_of_tile(geometry, r)):
                stretch = row_on(geometry, r, c, row, inside)
                count = _blend_row(geometry, (row, stretch), axes, samples, made, listed, count, size)
            if count > TOGETHER:
                _place_loop(listed, count, verdict, axes, samples, made, written_out)
                count = np.uint64(0)
    _place_loop(listed, count, verdict, axes, samples, made, written_out)
