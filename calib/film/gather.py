"""The inner loops: values at places from the samples about them, strip after strip into one result.

A tile that one strip alone sees, whole and sound, is followed pixel by pixel without a test; all other places are
listed and looked at one by one. A place takes the mean of what its strips say, weighted by the distance to their own
edges, kept up to date as they come: sound samples before what a dropout spoilt, and that before nothing.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare
from calib.film.careful import LOST, judge, of_those_there
from calib.film.kernels import CELL, LANES, PHASE_BITS, PHASES, AxisWeights
from calib.film.landing import Landing, Places
from calib.film.packed import SOUND, Packed
from calib.film.raster import HALF
from calib.film.tiles import (
    EDGE,
    FRACTION_BITS,
    INSIDE,
    MARGIN,
    box_of,
    part_of,
    phases_of,
    row_of,
    row_places,
    sample_at,
)
from calib.film.weigh import ANY, SIZES, axes_of, doubt_at, row_at, value_at
from calib.quality import OUTSIDE, SEAM

TOGETHER = 2048  # places of tiles are listed before they are looked at: what the nearest cache holds
LEAST_WEIGHT = 1e-3  # samples: least weight of a strip where strips are blended


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """What the strips so far say at N places: `value` and `sigma`, NaN where there is none, and `quality` bits.

    `rank` (N,) is what they are made of: NOTHING, LOST (a strip covers the place but has nothing to say of it), BRIDGED
    or WHOLE; `parts` (N, 3) variance, systematic error and weight of places that more than one strip may see.
    """

    value: NDArray[np.float32]
    sigma: NDArray[np.float32]
    quality: NDArray[np.uint16]
    rank: NDArray[np.uint8]
    parts: NDArray[np.float32]

    @classmethod
    def nothing_at(cls, n: int) -> "Gathered":
        """Nothing known yet at `n` places."""
        value, sigma = np.full(n, np.nan, np.float32), np.full(n, np.nan, np.float32)
        quality, parts = np.full(n, OUTSIDE, np.uint16), np.empty((n, 3), np.float32)
        return cls(value, sigma, quality, np.zeros(n, np.uint8), parts)


def gather(
    packed: Packed, n_samples: int, at: Landing, along: AxisWeights, across: AxisWeights, fill: bool, made: Gathered
) -> None:
    """Add what the samples of a strip of `n_samples` say at the places `at` to what is known."""
    first = packed.top + along.before, packed.left + across.before, n_samples, fill
    axes = axes_of(along, across)
    samples = (packed.value, packed.doubts, packed.quality, packed.unsound)
    into = (made.value, made.sigma, made.quality, made.rank, made.parts)
    size = along.taps if max(along.taps, across.taps) <= LANES else ANY
    n = max(at.places.index.size, TOGETHER + at.tiles.raster.shape[1] if at.tiles is not None else 0)
    verdict = np.empty(n, np.uint8), np.empty(n, np.uint16), np.empty(n, np.bool_)
    if at.places.index.size:
        PLACE_LOOPS[size](at.places.fields, at.places.index.size, verdict, first, axes, samples, into)
    if at.tiles is not None:
        tiles, room = at.tiles, Places.room(n).fields
        TILE_LOOPS[size](
            tiles.geometry, tiles.grid, tiles.kind, tiles.served, tiles.outside,
            np.empty(tiles.kind.shape[1], np.bool_), room, verdict, first, axes, samples, into,
        )  # fmt: skip


@bare(cache=True, nogil=True, inline="always")
def _blended(v, variance, shared, weight, known, known_variance, known_shared, known_weight):  # type: ignore[no-untyped-def]  # fmt: skip  # pragma: no cover
    """One strip's word blended into what is known: value, variance, systematic error, and the weight of both."""
    both = known_weight + weight
    left = known_weight / both
    share = np.float32(1) - left
    variance = left * left * known_variance + share * share * variance
    return known + share * (v - known), variance, known_shared + share * (shared - known_shared), both


def _place_loop(size):  # type: ignore[no-untyped-def]
    """The loop over listed places, compiled for one size of kernel."""

    @bare(cache=True, nogil=True)
    def loop(listed, count, verdict, first, axes, samples, into):  # type: ignore[no-untyped-def]  # pragma: no cover
        index, line, sample, line_phase, sample_phase = listed
        first_line, first_sample, n_samples, _ = first
        value, doubts, quality, unsound = samples
        rows_l, tall, _, lanes_l, cells_l, rows_s, _, _, lanes_s, cells_s = axes
        out_value, sigma, bits, ranks, parts = into
        verdict_ranks, verdict_bits, missing = verdict
        judge(listed, count, first, axes, value, quality, unsound, verdict)
        for m in range(np.uint64(count)):
            i, j = np.uint64(line[m] - first_line), np.uint64(sample[m] - first_sample)
            k, p, q = np.uint64(index[m]), np.uint64(line_phase[m]), np.uint64(sample_phase[m])
            rank, flags = verdict_ranks[m], verdict_bits[m]
            along, across = row_at(rows_l, p, size), row_at(rows_s, q, size)
            v = value_at(i, j, along, across, size, tall, lanes_s, value)
            variance, shared = doubt_at(i, j, along, across, size, lanes_l, cells_l, lanes_s, cells_s, doubts)
            if rank > LOST and not np.isfinite(v):
                v, more = of_those_there(i, j, p, q, axes, missing[m], value)
                variance *= more
            edge = np.float32(sample[m]) + np.float32(q) * np.float32(1 / PHASES) + np.float32(0.5)
            weight, shared = min(edge, np.float32(n_samples) - edge) + np.float32(LEAST_WEIGHT), abs(shared)
            if rank > ranks[k]:
                ranks[k], bits[k] = rank, flags
            elif rank == ranks[k]:
                bits[k] |= flags
                if rank > LOST:
                    bits[k] |= np.uint16(SEAM)
                    v, variance, shared, weight = _blended(
                        v, variance, shared, weight, out_value[k], parts[k, 0], parts[k, 1], parts[k, 2]
                    )
            if rank == ranks[k] and rank > LOST:
                out_value[k], sigma[k] = v, np.sqrt(variance + shared * shared)
                parts[k, 0], parts[k, 1], parts[k, 2] = variance, shared, weight

    return loop


@bare(cache=True, nogil=True)
def _is_sound(geometry, r, c, first, unsound):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether nothing but sound samples is among the taps of a tile."""
    line_low, line_high, sample_low, sample_high = box_of(geometry, r, c)
    top, bottom = (np.int64(line_low) - first[0]) // CELL, (np.int64(line_high + 2 * MARGIN) - first[0]) // CELL
    left, right = (np.int64(sample_low) - first[1]) // CELL, (np.int64(sample_high + 2 * MARGIN) - first[1]) // CELL
    any_of_all = np.uint8(SOUND)
    for i in range(np.uint64(top), np.uint64(bottom + 1)):
        for j in range(np.uint64(left), np.uint64(right + 1)):
            any_of_all |= unsound[i, j]
    return any_of_all == SOUND


@bare(cache=True, nogil=True, inline="always")
def _row_alone(  # type: ignore[no-untyped-def]
    size, start, stop, even, line, line_step, entry, entry_step, first_line, first_sample, axes, value, doubts,
    out_value, sigma, bits,
):  # fmt: skip  # pragma: no cover
    """Pixels `start` to `stop` - 1, which lie one behind the other on sound film that no other strip saw."""
    rows_l, tall, _, lanes_l, cells_l, rows_s, _, _, lanes_s, cells_s = axes
    for k in range(start, stop):
        whole_l, whole_s = phases_of(line, sample_at(even, np.uint64(entry >> FRACTION_BITS), entry))
        i, j = np.uint64((whole_l >> PHASE_BITS) - first_line), np.uint64((whole_s >> PHASE_BITS) - first_sample)
        along, across = row_at(rows_l, whole_l & (PHASES - 1), size), row_at(rows_s, whole_s & (PHASES - 1), size)
        out_value[k] = value_at(i, j, along, across, size, tall, lanes_s, value)
        variance, shared = doubt_at(i, j, along, across, size, lanes_l, cells_l, lanes_s, cells_s, doubts)
        sigma[k] = variance + shared * shared
        line, entry = line + line_step, entry + entry_step
    for k in range(start, stop):
        sigma[k], bits[k] = np.sqrt(sigma[k]), np.uint16(0)


def _tile_loop(size, place_loop):  # type: ignore[no-untyped-def]
    """The loop over tiles, row by row as memory lies, compiled for one size of kernel."""

    @bare(cache=True, nogil=True)
    def loop(  # type: ignore[no-untyped-def]
        geometry, grid, kind, served, outside, alone, room, verdict, first, axes, samples, into
    ):  # fmt: skip  # pragma: no cover
        nodes, even, first_x, per_mm, n_lines, n_samples = geometry
        rows, columns, offset_r, offset_c = grid
        value, doubts, _, unsound = samples
        out_value, sigma, bits, _, _ = into
        index, line_of, sample_of, line_phase, sample_phase = room
        count = np.uint64(0)
        for r in range(kind.shape[0]):
            for c in range(kind.shape[1]):
                alone[c] = kind[r, c] == INSIDE and served[r, c] == 1 and _is_sound(geometry, r, c, first, unsound)
            top, bottom = part_of(r, offset_r, rows)
            for row in range(top, bottom):
                for c in range(kind.shape[1]):
                    if alone[c]:
                        left, right = part_of(c, offset_c, columns)
                        line, line_step, entry, entry_step = row_of(
                            nodes, first_x, per_mm, r, c, (row + offset_r - r * HALF) / HALF
                        )
                        t = left + offset_c - c * HALF
                        _row_alone(
                            size, np.uint64(row * columns + left), np.uint64(row * columns + right), even,
                            line + t * line_step, line_step, entry + t * entry_step, entry_step, first[0], first[1],
                            axes, value, doubts, out_value, sigma, bits,
                        )  # fmt: skip
                    elif kind[r, c] >= EDGE:
                        count = row_places(
                            nodes, even, first_x, per_mm, n_lines, n_samples, columns, offset_r, offset_c, r, c, row,
                            outside, count, index, line_of, sample_of, line_phase, sample_phase,
                        )  # fmt: skip
                if count > TOGETHER:
                    place_loop(room, count, verdict, first, axes, samples, into)
                    count = np.uint64(0)
        place_loop(room, count, verdict, first, axes, samples, into)

    return loop


PLACE_LOOPS = {size: _place_loop(size) for size in (*SIZES, ANY)}
TILE_LOOPS = {size: _tile_loop(size, PLACE_LOOPS[size]) for size in (*SIZES, ANY)}
