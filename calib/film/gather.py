"""The inner loops: values at places from the samples about them, strip after strip into one result.

Tiles are followed pixel by pixel along their rows, without a test where one strip alone sees a tile and all about it is
sound. Elsewhere a pixel about which not all samples are sound is listed, as are places that are not in tiles, and the
listed ones are looked at with care. A place takes the mean of what its strips say, weighted by the distance to their
own edges, kept up to date as they come: sound samples before what a dropout spoilt, and that before nothing.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare
from calib.film.careful import LOST, NOTHING, WHOLE, judge, of_those_there
from calib.film.kernels import CELL, LANES, PHASE_BITS, PHASES, AxisWeights
from calib.film.landing import Landing, Places
from calib.film.packed import SOUND, Packed
from calib.film.raster import HALF
from calib.film.tiles import (
    EDGE,
    FRACTION_BITS,
    INSIDE,
    LAST_PHASE,
    box_of,
    part_of,
    phases_of,
    row_on,
    sample_at,
)
from calib.film.weigh import ANY, axes_of, cell_of, doubt_at, row_at, value_at
from calib.quality import OUTSIDE, SEAM

TOGETHER = 2048  # places of tiles are listed before they are looked at: what the nearest cache holds
AT_ONCE = 1024  # places that are looked through together for any that nothing was said of
LEAST_WEIGHT = 1e-3  # samples: least weight of a strip where strips are blended


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """What the strips so far say at N places: `value` and `sigma`, NaN where there is none, and `quality` bits.

    Before `finish` nothing stands where no strip has said anything. `rank` (N,) is what they are made of:
    NOTHING, LOST (a strip covers the place but has nothing to say of it), BRIDGED or WHOLE; `parts` (N, 3) variance,
    systematic error and weight of places that more than one strip may see.
    """

    value: NDArray[np.float32]
    sigma: NDArray[np.float32]
    quality: NDArray[np.uint16]
    rank: NDArray[np.uint8]
    parts: NDArray[np.float32]

    @classmethod
    def nothing_at(cls, n: int) -> "Gathered":
        """Nothing known yet at `n` places."""
        value, sigma = np.empty(n, np.float32), np.empty(n, np.float32)
        return cls(value, sigma, np.zeros(n, np.uint16), np.zeros(n, np.uint8), np.empty((n, 3), np.float32))

    def finish(self) -> None:
        """When all strips have been asked: where none had anything to say is outside."""
        _finish(self.value, self.sigma, self.quality, self.rank)


@bare(cache=True, nogil=True)
def _finish(value, sigma, quality, rank):  # type: ignore[no-untyped-def]  # pragma: no cover
    for first in range(0, rank.size, AT_ONCE):
        stop, some = min(np.uint64(first + AT_ONCE), np.uint64(rank.size)), False
        for k in range(np.uint64(first), stop):
            some |= rank[k] == NOTHING
        for k in range(np.uint64(first) if some else stop, stop):
            if rank[k] == NOTHING:
                value[k] = sigma[k] = np.nan
                quality[k] = OUTSIDE


def gather(
    packed: Packed,
    n_samples: int,
    at: Landing,
    along: AxisWeights,
    across: AxisWeights,
    fill: bool,
    alike: float,
    made: Gathered,
) -> None:
    """Add what the samples of a strip of `n_samples` say at the places `at` to what is known.

    `alike` is the correlation of its noise with that of strips asked before.
    """
    first = packed.top + along.before, packed.left + across.before, n_samples, fill
    axes = axes_of(along, across)
    samples = (packed.value, packed.doubts, packed.quality, packed.unsound.ravel())
    into = (made.value, made.sigma, made.quality, made.rank, made.parts, np.float32(alike))
    size = along.taps if max(along.taps, across.taps) <= LANES else ANY
    written_out = (0,) * size  # compiled code knows its length
    n = at.places.index.size if at.tiles is None else max(at.places.index.size, TOGETHER + HALF * HALF)
    verdict = np.empty(n, np.uint8), np.empty(n, np.uint16), np.empty(n, np.bool_)
    if at.places.index.size:
        _place_loop(at.places.fields, np.uint64(at.places.index.size), verdict, first, axes, samples, into, written_out)
    if at.tiles is not None:
        tiles = at.tiles
        _tile_loop(
            tiles.geometry, tiles.grid, tiles.kind, tiles.served, tiles.outside, Places.room(n).fields, verdict, first,
            axes, samples, into, written_out,
        )  # fmt: skip


@bare(cache=True, nogil=True, inline="always")
def _put(value, sigma, bits, ranks, parts, alike, k, rank, flags, v, variance, systematic, sample, n_samples):  # type: ignore[no-untyped-def]  # fmt: skip  # pragma: no cover
    """Blend one strip's word on place `k` in; it weighs as much as `sample` is away from the strip's own edges."""
    half = np.float32(0.5)
    weight = min(sample + half, np.float32(n_samples) - half - sample) + np.float32(LEAST_WEIGHT)
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
            variance = a + b + np.float32(2) * alike * np.sqrt(a * b)
            shared, weight = parts[k, 1] + share * (shared - parts[k, 1]), both
    if rank == ranks[k]:
        value[k], sigma[k] = v, np.sqrt(variance + shared * shared)
        parts[k, 0], parts[k, 1], parts[k, 2] = variance, shared, weight


@bare(cache=True, nogil=True)
def _place_loop(listed, count, verdict, first, axes, samples, into, written_out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The loop over listed places, compiled for each size of kernel."""
    size = len(written_out)
    index, line, sample, line_phase, sample_phase = listed
    first_line, first_sample, n_samples, _ = first
    value, doubts, _, _ = samples
    rows_l, tall, _, lanes_l, cells_l, rows_s, _, _, lanes_s, cells_s = axes
    out_value, sigma, bits, ranks, parts, alike = into
    verdict_ranks, verdict_bits, missing = verdict
    judge(listed, count, first, axes, samples, verdict, written_out)
    for m in range(count):
        i, j = np.uint64(line[m] - first_line), np.uint64(sample[m] - first_sample)
        k, p, q = np.uint64(index[m]), np.uint64(line_phase[m]), np.uint64(sample_phase[m])
        rank, flags = verdict_ranks[m], verdict_bits[m]
        along, across = row_at(rows_l, p, size), row_at(rows_s, q, size)
        v = value_at(i, j, along, across, size, tall, lanes_s, value)
        variance, shared = doubt_at(
            i, j, cell_of(i, j, doubts), along, across, size, lanes_l, cells_l, lanes_s, cells_s, doubts
        )
        if rank == LOST:
            v = variance = np.float32(np.nan)
        elif not np.isfinite(v):
            v, more = of_those_there(i, j, p, q, axes, missing[m], value)
            variance *= more
        at = np.float32(sample[m]) + np.float32(q) * np.float32(1 / PHASES)
        _put(out_value, sigma, bits, ranks, parts, alike, k, rank, flags, v, variance, shared, at, n_samples)


@bare(cache=True, nogil=True, inline="always")
def _put_row(  # type: ignore[no-untyped-def]
    left, right, start, line, line_step, entry, entry_step, even, outside, first, axes, samples, into, listed, count,
    size,
):  # fmt: skip  # pragma: no cover
    """Put in what a strip says of pixels `left` to `right` - 1 of the row that begins with pixel `start`; those about
    which not all is sound are listed behind `count`."""
    value, doubts, _, unsound = samples
    rows_l, tall, _, lanes_l, cells_l, rows_s, _, _, lanes_s, cells_s = axes
    index, line_of, sample_of, line_phase, sample_phase = listed
    out_value, sigma, bits, ranks, parts, alike = into
    masked = outside.size > 0
    line -= first[0] << FRACTION_BITS
    before = first[1] << PHASE_BITS
    for k in range(start + np.uint64(left), start + np.uint64(right)):
        whole_l, whole_s = phases_of(line, sample_at(even, entry))
        whole_s -= before
        down, beside = np.uint64(whole_l >> PHASE_BITS), np.uint64(whole_s >> PHASE_BITS)
        p, q, number = whole_l & LAST_PHASE, whole_s & LAST_PHASE, cell_of(down, beside, doubts)
        line, entry = line + line_step, entry + entry_step
        if masked and outside[k] != 0:
            continue
        if unsound[number] != SOUND:
            index[count] = k
            line_of[count], sample_of[count] = np.int64(down) + first[0], np.int64(beside) + first[1]
            line_phase[count], sample_phase[count] = p, q
            count += np.uint64(1)
            continue
        along, across = row_at(rows_l, p, size), row_at(rows_s, q, size)
        v = value_at(down, beside, along, across, size, tall, lanes_s, value)
        variance, shared = doubt_at(
            down, beside, number, along, across, size, lanes_l, cells_l, lanes_s, cells_s, doubts
        )
        at = np.float32(first[1]) + np.float32(whole_s) * np.float32(1 / PHASES)
        _put(out_value, sigma, bits, ranks, parts, alike, k, WHOLE, np.uint16(0), v, variance, shared, at, first[2])
    return count


@bare(cache=True, nogil=True, inline="always")
def _is_sound(geometry, grid, r, c, outside, first, samples):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether all pixels of a tile have a place, and all cells in which their first taps may lie are sound."""
    rows, columns, offset_r, offset_c = grid
    _, doubts, _, unsound = samples
    line_low, line_high, sample_low, sample_high = box_of(geometry, r, c)
    (top, bottom), (left, right) = part_of(r, offset_r, rows), part_of(c, offset_c, columns)
    some = np.uint16(SOUND)
    for i in range((np.int64(line_low) - first[0]) // CELL, (np.int64(line_high) + 1 - first[0]) // CELL + 1):
        for j in range((np.int64(sample_low) - first[1]) // CELL, (np.int64(sample_high) + 1 - first[1]) // CELL + 1):
            some |= np.uint16(unsound[i * doubts.shape[1] + j])
    for row in range(top, bottom if outside.size else top):
        for k in range(row * columns + left, row * columns + right):
            some |= outside[k]
    return some == SOUND


@bare(cache=True, nogil=True)
def _put_sound_tile(geometry, grid, r, c, first, axes, samples, into, written_out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Put in what a strip says of a tile that lies in it, that no other sees and that `_is_sound`: what `_put_row`
    would do, without its tests, and compiled by itself to keep all it needs at hand."""
    nodes, even, first_x, per_mm, n_lines, n_samples = geometry
    rows, columns, offset_r, offset_c = grid
    value, doubts, _, _ = samples
    rows_l, rows_s, size = axes[0], axes[5], len(written_out)
    out_value, sigma, _, ranks, _, _ = into
    for row in range(*part_of(r, offset_r, rows)):
        left, right, line, line_step, entry, entry_step = row_on(
            nodes, even, first_x, per_mm, n_lines, n_samples, columns, offset_r, offset_c, r, c, row, True
        )
        line -= first[0] << FRACTION_BITS
        for k in range(np.uint64(row * columns + left), np.uint64(row * columns + right)):
            whole_l, whole_s = phases_of(line, sample_at(even, entry))
            whole_s -= first[1] << PHASE_BITS
            down, beside = np.uint64(whole_l >> PHASE_BITS), np.uint64(whole_s >> PHASE_BITS)
            line, entry = line + line_step, entry + entry_step
            along, across = row_at(rows_l, whole_l & LAST_PHASE, size), row_at(rows_s, whole_s & LAST_PHASE, size)
            out_value[k] = value_at(down, beside, along, across, size, 0, 0, value)
            number = cell_of(down, beside, doubts)
            variance, shared = doubt_at(down, beside, number, along, across, size, 0, 0, 0, 0, doubts)
            sigma[k], ranks[k] = np.sqrt(variance + shared * shared), WHOLE


@bare(cache=True, nogil=True)
def _tile_loop(  # type: ignore[no-untyped-def]
    geometry, grid, kind, served, outside, listed, verdict, first, axes, samples, into, written_out
):  # fmt: skip  # pragma: no cover
    """The loop over tiles, compiled for each size of kernel."""
    nodes, even, first_x, per_mm, n_lines, n_samples = geometry
    rows, columns, offset_r, offset_c = grid
    count, size = np.uint64(0), len(written_out)
    for r in range(kind.shape[0]):
        for c in range(kind.shape[1]):
            if kind[r, c] < EDGE:
                continue
            inside, alone = kind[r, c] == INSIDE, served[r, c] == 1
            if size != ANY and inside and alone and _is_sound(geometry, grid, r, c, outside, first, samples):
                _put_sound_tile(geometry, grid, r, c, first, axes, samples, into, written_out)
                continue
            for row in range(*part_of(r, offset_r, rows)):
                left, right, line, line_step, entry, entry_step = row_on(
                    nodes, even, first_x, per_mm, n_lines, n_samples, columns, offset_r, offset_c, r, c, row, inside
                )
                count = _put_row(
                    left, right, np.uint64(row * columns), line, line_step, entry, entry_step, even, outside, first,
                    axes, samples, into, listed, count, size,
                )  # fmt: skip
            if count > TOGETHER:
                _place_loop(listed, count, verdict, first, axes, samples, into, written_out)
                count = np.uint64(0)
    _place_loop(listed, count, verdict, first, axes, samples, into, written_out)
