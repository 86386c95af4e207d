"""The inner loop: values at places from the samples about them, sound ones fast and the others with care.

A window is packed so that no place needs a test: its outermost lines and samples are repeated beyond the strip's edge,
and a coarse mask says where a value, a bit or a gap about a place needs looking at. Where it says nothing, all taps are
summed eight at a time; elsewhere tap by tap, with the same weights. Where taps are missing, only the weights above
zero are used, so that the value lies within those of the taps that are there: a sharp kernel with a hole rings.
"""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from calib.film.kernels import LANES, PHASES, AxisWeights
from calib.film.landing import Landing
from calib.film.lanes import weighted_block, weighted_pairs
from calib.film.source import StripWindow
from calib.film.spans import Spans
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK, SEAM

FILLED_SHARE = 0.25  # of the kernel's weight: from here on a value counts as filled
LEAST_THERE = 0.5  # of the kernel's weight above zero: with less there is no value
CELL = 2  # samples a cell of the coarse mask is wide
EDGE = 1e-3  # samples: least weight of a strip where strips are blended


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """Running sums over strips at N places: `totals` (N, 4) weight, value, variance, systematic
    error; `bits` (N,) quality; `lost` (N,) the bits that say why a strip that covers a place has nothing to say of it.
    """

    totals: NDArray[np.float32]
    bits: NDArray[np.uint16]
    lost: NDArray[np.uint16]

    @classmethod
    def none_at(cls, n: int) -> "Sums":
        """Nothing known yet at `n` places."""
        return cls(np.zeros((n, 4), np.float32), np.zeros(n, np.uint16), np.zeros(n, np.uint16))


@dataclass(frozen=True, slots=True, eq=False)
class _Packed:
    """A window for the inner loop: its row 0, column 0 are the first tap of a place at the landing's first sample.

    `unsound` (cells down, cells across) is true where the taps of a place in that cell hold anything but sound samples.
    """

    value: NDArray[np.float32]
    pairs: NDArray[np.float32]
    quality: NDArray[np.uint16]
    unsound: NDArray[np.bool_]


def gather(
    window: StripWindow,
    shape: tuple[int, int],
    at: Landing,
    along: AxisWeights,
    across: AxisWeights,
    fill: bool,
    sums: Sums,
    bridged: Sums,
) -> None:
    """Add what a window of a strip of `shape` (lines, samples) says at the places `at` to the sums.

    `sums` takes what comes from sound samples, `bridged` what a dropout spoilt.
    """
    packed = _packed(window, shape, at, along, across)
    rest = np.empty(at.index.size, np.int32)
    place = (at.index, at.line, at.sample, at.line_phase, at.sample_phase, at.first_line, at.first_sample, shape[1])
    tables = (along.values, across.values, along.pairs, across.pairs)
    taps = (along.taps, along.pairs_from, across.pairs_from)
    narrow = max(along.taps, across.taps) <= LANES
    loop = FAST[along.taps] if narrow else _fast_wide
    count = loop(*place, *tables, *taps, packed.value, packed.pairs, packed.unsound, sums.totals, sums.bits, rest)
    if count:
        _careful(
            rest[:count], *place, *tables, *taps, across.taps, along.before, across.before, fill,
            packed.value, packed.pairs, packed.quality, sums.totals, sums.bits, bridged.totals, bridged.bits, sums.lost,
        )  # fmt: skip


def _packed(
    window: StripWindow, shape: tuple[int, int], at: Landing, along: AxisWeights, across: AxisWeights
) -> _Packed:
    need: Spans = at.needed(along, across)
    left, right = need.samples
    size = (need.low.size, right - left)
    packed = _Packed(
        np.empty(size, np.float32),
        np.empty((*size, 2), np.float32),
        np.empty(size, np.uint16),
        np.zeros((size[0] // CELL + 1, size[1] // CELL + 1), np.bool_),
    )
    _pack(
        window.value, window.noise, window.systematic, window.quality, window.first, window.first_sample,
        *shape, need.first, left, need.low, need.high, along.taps, across.values.shape[1],
        packed.value, packed.pairs, packed.quality, packed.unsound,
    )  # fmt: skip
    return packed


@numba.njit(cache=True, nogil=True)
def _pack(  # type: ignore[no-untyped-def]
    value, noise, systematic, quality, first, first_sample, n_lines, n_samples, top, left, low, high, tall, wide,
    out_value, out_pairs, out_quality, unsound,
):  # fmt: skip  # pragma: no cover
    for i in range(low.size):
        row = min(max(i + top, 0), n_lines - 1) - first
        for sample in range(low[i], high[i] + 1):
            column, j = min(max(sample, 0), n_samples - 1) - first_sample, sample - left
            v, n = value[row, column], noise[row, column]
            out_value[i, j], out_quality[i, j] = v, quality[row, column]
            out_pairs[i, j, 0], out_pairs[i, j, 1] = n * n, systematic[row, column]
            if quality[row, column] != 0 or not np.isfinite(v):
                for cell_i in range(max(i - tall + 1, 0) // CELL, i // CELL + 1):
                    for cell_j in range(max(j - wide + 1, 0) // CELL, j // CELL + 1):
                        unsound[cell_i, cell_j] = True


@numba.njit(cache=True, nogil=True, inline="always")
def _add(sound, bits, k, c0, n_samples, value, variance, systematic, flags):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Blend one strip's word in, weighted by the distance to the strip's own edges."""
    edge = np.float32(min(c0 + np.float32(0.5), np.float32(n_samples) - np.float32(0.5) - c0) + np.float32(EDGE))
    if sound[k, 0] > 0:
        flags |= np.uint16(SEAM)
    sound[k, 0] += edge
    sound[k, 1] += edge * value
    sound[k, 2] += edge * edge * variance
    sound[k, 3] += edge * abs(systematic)
    bits[k] |= flags


def _fast_loop(n_rows):  # type: ignore[no-untyped-def]
    """The loop over sound places for kernels of `n_rows` lines and at most eight samples."""

    @numba.njit(cache=True, nogil=True)
    def loop(  # type: ignore[no-untyped-def]
        index, line, sample, line_phase, sample_phase, first_line, first_sample, n_samples,
        along, across, along_pairs, across_pairs, tall, pairs_l, pairs_s,
        value, pairs, unsound, sound, bits, rest,
    ):  # fmt: skip  # pragma: no cover
        stride = np.uint64(4 * value.shape[1])
        values_at, pairs_at = np.uint64(value.ctypes.data), np.uint64(pairs.ctypes.data)
        along_at, across_at = np.uint64(along.ctypes.data), np.uint64(across.ctypes.data)
        along_p, across_p = np.uint64(along_pairs.ctypes.data), np.uint64(across_pairs.ctypes.data)
        inner = np.uint64(pairs_l * value.shape[1] + pairs_s)
        count = 0
        for m in range(index.size):
            i, j = np.uint64(line[m] - first_line), np.uint64(sample[m] - first_sample)
            if unsound[i // np.uint64(CELL), j // np.uint64(CELL)]:
                rest[count] = m
                count += 1
                continue
            start = i * np.uint64(value.shape[1]) + j
            p, q = np.uint64(32) * np.uint64(line_phase[m]), np.uint64(32) * np.uint64(sample_phase[m])
            v = weighted_block(values_at + np.uint64(4) * start, stride, along_at + p, across_at + q, n_rows)
            variance, shared = weighted_pairs(
                pairs_at + np.uint64(8) * (start + inner), np.uint64(2) * stride, along_p + p, across_p + q, 4
            )
            c0 = np.float32(sample[m]) + np.float32(sample_phase[m]) * np.float32(1 / PHASES)
            _add(sound, bits, index[m], c0, n_samples, v, variance, shared, np.uint16(0))
        return count

    return loop


FAST = {taps: _fast_loop(taps) for taps in (4, 6, 8)}


@numba.njit(cache=True, nogil=True)
def _fast_wide(  # type: ignore[no-untyped-def]
    index, line, sample, line_phase, sample_phase, first_line, first_sample, n_samples,
    along, across, along_pairs, across_pairs, tall, pairs_l, pairs_s,
    value, pairs, unsound, sound, bits, rest,
):  # fmt: skip  # pragma: no cover
    """The same for kernels of any size."""
    width, chunks = np.uint64(value.shape[1]), across.shape[1] // LANES
    values_at, pairs_at = np.uint64(value.ctypes.data), np.uint64(pairs.ctypes.data)
    along_at, across_at = np.uint64(along.ctypes.data), np.uint64(across.ctypes.data)
    along_p, across_p = np.uint64(along_pairs.ctypes.data), np.uint64(across_pairs.ctypes.data)
    inner = np.uint64(pairs_l * value.shape[1] + pairs_s)
    count = 0
    for m in range(index.size):
        i, j = np.uint64(line[m] - first_line), np.uint64(sample[m] - first_sample)
        if unsound[i // np.uint64(CELL), j // np.uint64(CELL)]:
            rest[count] = m
            count += 1
            continue
        start = i * width + j
        p = along_at + np.uint64(4 * along.shape[1]) * np.uint64(line_phase[m])
        q = across_at + np.uint64(4 * across.shape[1]) * np.uint64(sample_phase[m])
        v = np.float32(0)
        for row in range(tall):
            at = values_at + np.uint64(4) * (start + np.uint64(row) * width)
            for chunk in range(chunks):
                step = np.uint64(4 * LANES * chunk)
                v += weighted_block(at + step, np.uint64(0), p + np.uint64(4 * row), q + step, 1)
        p = along_p + np.uint64(8 * along_pairs.shape[1]) * np.uint64(line_phase[m])
        q = across_p + np.uint64(8 * across_pairs.shape[1]) * np.uint64(sample_phase[m])
        variance = shared = np.float32(0)
        for row in range(min(along_pairs.shape[1], tall - pairs_l)):  # the tables are filled up, the window is not
            at = pairs_at + np.uint64(8) * (start + inner + np.uint64(row) * width)
            for chunk in range(across_pairs.shape[1] * 2 // LANES):
                step = np.uint64(4 * LANES * chunk)
                a, b = weighted_pairs(at + step, np.uint64(0), p + np.uint64(8 * row), q + step, 1)
                variance += a
                shared += b
        c0 = np.float32(sample[m]) + np.float32(sample_phase[m]) * np.float32(1 / PHASES)
        _add(sound, bits, index[m], c0, n_samples, v, variance, shared, np.uint16(0))
    return count


@numba.njit(cache=True, nogil=True)
def _careful(  # type: ignore[no-untyped-def]
    rest, index, line, sample, line_phase, sample_phase, first_line, first_sample, n_samples,
    along, across, along_pairs, across_pairs, tall, pairs_l, pairs_s, wide, before_l, before_s, fill,
    value, pairs, quality, sound, bits, bridged, bridged_bits, lost,
):  # fmt: skip  # pragma: no cover
    for m in rest:
        k, p, q = index[m], line_phase[m], sample_phase[m]
        i, j = line[m] - first_line, sample[m] - first_sample
        nearest = quality[i + before_l + (2 * p >= PHASES), j + before_s + (2 * q >= PHASES)]
        if nearest & DROPOUT and not (fill and nearest & FILLED):
            lost[k] |= nearest & np.uint16(DROPOUT | MARK)
            continue
        v, missing, coverage, shares, gone = _tap_by_tap(i, j, along[p], across[q], tall, wide, value, quality)
        if coverage < LEAST_THERE or shares[0] == 0.0:
            lost[k] |= gone if gone else np.uint16(DROPOUT)
            continue
        if missing:
            v, variance, shared = _of_those_there(i, j, along[p], across[q], tall, wide, value, pairs)
        else:
            variance, shared = _pairs_of_all(i + pairs_l, j + pairs_s, along_pairs[p], across_pairs[q], pairs)
        flags = nearest & np.uint16(MARK | FILLED)
        if shares[1] > 0.5 * shares[0]:
            flags |= np.uint16(LOW_DENSITY)
        if shares[2] > 0.5 * shares[0]:
            flags |= np.uint16(HIGH_DENSITY)
        if shares[4] > FILLED_SHARE * shares[0]:
            flags |= np.uint16(MARK | FILLED)
        c0 = np.float32(sample[m]) + np.float32(q) * np.float32(1 / PHASES)
        if nearest & DROPOUT or shares[3] > FILLED_SHARE * shares[0]:
            _add(bridged, bridged_bits, k, c0, n_samples, v, variance, shared, flags)
        else:
            _add(sound, bits, k, c0, n_samples, v, variance, shared, flags)


@numba.njit(cache=True, nogil=True)
def _tap_by_tap(i, j, along, across, tall, wide, value, quality):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Weighted sum of the known taps; whether one is missing; the share of the weight above zero that is known; the
    absolute weights of the known taps (all, low, high, bridged dropouts, bridged marks); and the bits of those without
    a value.
    """
    total = known = whole = size = low = high = dropped = marked = 0.0
    missing, gone = False, np.uint16(0)
    for row in range(tall):
        for column in range(wide):
            w = along[row] * across[column]
            if w == 0.0:
                continue
            tap, bits, a = value[i + row, j + column], quality[i + row, j + column], abs(w)
            whole += max(w, 0.0)
            if not np.isfinite(tap):
                gone |= bits & np.uint16(DROPOUT | MARK)
                missing = True
                continue
            total += w * tap
            known += max(w, 0.0)
            size += a
            if bits == 0:
                continue
            if bits & LOW_DENSITY:
                low += a
            if bits & HIGH_DENSITY:
                high += a
            if bits & FILLED and bits & DROPOUT:
                dropped += a
            elif bits & FILLED:
                marked += a
    return np.float32(total), missing, known / whole, (size, low, high, dropped, marked), gone


@numba.njit(cache=True, nogil=True)
def _pairs_of_all(i, j, along, across, pairs):  # type: ignore[no-untyped-def]  # pragma: no cover
    variance = shared = 0.0
    for row in range(along.shape[0]):
        for column in range(across.shape[0]):
            w = along[row, 0] * across[column, 0]
            if w != 0.0:
                variance += w * pairs[i + row, j + column, 0]
                shared += along[row, 1] * across[column, 1] * pairs[i + row, j + column, 1]
    return np.float32(variance), np.float32(shared)


@numba.njit(cache=True, nogil=True)
def _of_those_there(i, j, along, across, tall, wide, value, pairs):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mean over the known taps by the weights above zero, its variance and systematic error."""
    total = v = variance = shared = 0.0
    for row in range(tall):
        for column in range(wide):
            w = along[row] * across[column]
            if w > 0.0 and np.isfinite(value[i + row, j + column]):
                total += w
                v += w * value[i + row, j + column]
                variance += w * w * pairs[i + row, j + column, 0]
                shared += w * pairs[i + row, j + column, 1]
    return np.float32(v / total), np.float32(variance / (total * total)), np.float32(shared / total)


@numba.njit(cache=True, nogil=True)
def close(sound, bits, bridged, bridged_bits, lost, outside, value, sigma, quality):  # type: ignore[no-untyped-def]  # pragma: no cover
    """End the sums: sound samples before bridged dropouts, and a bit wherever there is no value."""
    for k in range(sound.shape[0]):
        if sound[k, 0] > 0:
            value[k] = sound[k, 1] / sound[k, 0]
            sigma[k] = np.sqrt(sound[k, 2] + sound[k, 3] * sound[k, 3]) / sound[k, 0]
            quality[k] = bits[k]
        elif bridged[k, 0] > 0:
            value[k] = bridged[k, 1] / bridged[k, 0]
            sigma[k] = np.sqrt(bridged[k, 2] + bridged[k, 3] * bridged[k, 3]) / bridged[k, 0]
            quality[k] = bridged_bits[k] | np.uint16(DROPOUT | FILLED)
        else:
            value[k] = sigma[k] = np.nan
            quality[k] = lost[k] if lost[k] else outside
