"""The inner loop: values at places from the samples about them, sound ones fast and the others with care.

Where the coarse mask of the packed samples says nothing, all taps are summed eight at a time; elsewhere tap by tap,
with the same weights. Where taps are missing, only the weights above zero are used, so that the value lies within those
of the taps that are there: a sharp kernel with a hole rings.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.film.kernels import CELL, LANES, PHASES, AxisWeights
from calib.film.landing import Landing
from calib.film.lanes import weighted_block, weighted_pairs
from calib.film.packed import MARKED, UNSOUND, Packed
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK, SEAM

FILLED_SHARE = 0.25  # of the kernel's weight: from here on a value counts as filled
LEAST_THERE = 0.5  # of the kernel's weight above zero: with less there is no value
ANY = 0  # the size of kernels of more than eight samples
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


def gather(
    packed: Packed,
    n_samples: int,
    at: Landing,
    along: AxisWeights,
    across: AxisWeights,
    fill: bool,
    sums: Sums,
    bridged: Sums,
) -> None:
    """Add what the samples of a strip of `n_samples` say at the places `at` to the sums.

    `sums` takes what comes from sound samples, `bridged` what a dropout spoilt.
    """
    rest = np.empty(at.index.size, np.int32)
    first = packed.top + along.before, packed.left + across.before
    place = (at.index, at.line, at.sample, at.line_phase, at.sample_phase, *first, n_samples)
    tables = (along.values, across.values, along.cells, across.cells)
    taps = (along.taps, across.taps, along.before, across.before)
    samples = (packed.value, packed.doubts, packed.quality, packed.unsound)
    size = along.taps if max(along.taps, across.taps) <= LANES else ANY
    count = SOUND_LOOPS[size](place, tables, taps, samples, sums.totals, sums.bits, rest)
    if count:
        CAREFUL_LOOPS[size](
            rest[:count], place, tables, taps, samples, fill,
            sums.totals, sums.bits, bridged.totals, bridged.bits, sums.lost,
        )  # fmt: skip


@njit(cache=True, nogil=True, inline="always")
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


@njit(cache=True, nogil=True, inline="always")
def _value_at(i, j, p, q, along, across, tall, size, value):  # type: ignore[no-untyped-def]  # pragma: no cover
    """What all taps sum to. `size`: lines of a kernel of at most eight samples; else `tall` lines of any width."""
    width = np.uint64(value.shape[1])
    at, stride = np.uint64(value.ctypes.data) + np.uint64(4) * (i * width + j), np.uint64(4) * width
    to_l = np.uint64(along.ctypes.data) + np.uint64(4 * along.shape[1]) * np.uint64(p)
    to_s = np.uint64(across.ctypes.data) + np.uint64(4 * across.shape[1]) * np.uint64(q)
    if size == 6:
        return weighted_block(at, stride, to_l, to_s, 6)
    if size == 8:
        return weighted_block(at, stride, to_l, to_s, 8)
    if size == 4:
        return weighted_block(at, stride, to_l, to_s, 4)
    total = np.float32(0)
    for row in range(tall):
        for chunk in range(across.shape[1] // LANES):
            step = np.uint64(4 * LANES * chunk)
            here = at + np.uint64(row) * stride + step
            total += weighted_block(here, np.uint64(0), to_l + np.uint64(4 * row), to_s + step, 1)
    return total


@njit(cache=True, nogil=True, inline="always")
def _doubt_at(i, j, p, q, along, across, doubts):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Variance and systematic error of the sum, from the cells in which the taps lie."""
    cell = np.uint64(CELL)
    down, right = i // cell, j // cell
    width, chunk = np.uint64(doubts.shape[1]), np.uint64(4 * LANES)
    at, stride = np.uint64(doubts.ctypes.data) + np.uint64(8) * (down * width + right), np.uint64(8) * width
    size_l, size_s = np.uint64(8 * along.shape[2]), np.uint64(8 * across.shape[2])
    row_l = (i % cell) * np.uint64(along.shape[1]) + np.uint64(p)
    row_s = (j % cell) * np.uint64(across.shape[1]) + np.uint64(q)
    to_l = np.uint64(along.ctypes.data) + size_l * row_l
    to_s = np.uint64(across.ctypes.data) + size_s * row_s
    if size_l == chunk and size_s == chunk:
        return weighted_pairs(at, stride, to_l, to_s, 4)
    variance, shared = np.float32(0), np.float32(0)
    for row in range(along.shape[2]):
        for part in range(across.shape[2] * 2 // LANES):
            step, line = chunk * np.uint64(part), np.uint64(row)
            a, b = weighted_pairs(at + line * stride + step, np.uint64(0), to_l + np.uint64(8) * line, to_s + step, 1)
            variance += a
            shared += b
    return variance, shared


def _sound_loop(size):  # type: ignore[no-untyped-def]
    """The loop over sound places, compiled for one size of kernel."""

    @njit(cache=True, nogil=True)
    def loop(  # type: ignore[no-untyped-def]
        place, tables, taps, samples, sound, bits, rest
    ):  # fmt: skip  # pragma: no cover
        """The loop over places about which all is sound; what is not is listed in `rest`."""
        index, line, sample, line_phase, sample_phase, first_line, first_sample, n_samples = place
        value, doubts, quality, unsound = samples
        along, across, cells_l, cells_s = tables
        tall, _, before_l, before_s = taps
        count = 0
        for m in range(index.size):
            i, j = np.uint64(line[m] - first_line), np.uint64(sample[m] - first_sample)
            p, q = line_phase[m], sample_phase[m]
            how, flags = unsound[i // np.uint64(CELL), j // np.uint64(CELL)], np.uint16(0)
            if how == UNSOUND:
                rest[count] = m
                count += 1
                continue
            if how == MARKED:
                near_l, near_s = before_l + (2 * p >= PHASES), before_s + (2 * q >= PHASES)
                flags = quality[i + np.uint64(near_l), j + np.uint64(near_s)]
            v = _value_at(i, j, p, q, along, across, tall, size, value)
            variance, shared = _doubt_at(i, j, p, q, cells_l, cells_s, doubts)
            c0 = np.float32(sample[m]) + np.float32(q) * np.float32(1 / PHASES)
            _add(sound, bits, index[m], c0, n_samples, v, variance, shared, flags)
        return count

    return loop


def _careful_loop(size):  # type: ignore[no-untyped-def]
    """The loop over the other places, compiled for one size of kernel."""

    @njit(cache=True, nogil=True)
    def loop(  # type: ignore[no-untyped-def]
        rest, place, tables, taps, samples, fill, sound, bits, bridged, bridged_bits, lost
    ):  # fmt: skip  # pragma: no cover
        """The loop over the other places."""
        index, line, sample, line_phase, sample_phase, first_line, first_sample, n_samples = place
        value, doubts, quality, _ = samples
        tall, wide, before_l, before_s = taps
        cells_l, cells_s = tables[2], tables[3]
        for m in rest:
            k, p, q = index[m], line_phase[m], sample_phase[m]
            i, j = np.uint64(line[m] - first_line), np.uint64(sample[m] - first_sample)
            near_l, near_s = before_l + (2 * p >= PHASES), before_s + (2 * q >= PHASES)
            nearest = quality[i + np.uint64(near_l), j + np.uint64(near_s)]
            if nearest & DROPOUT and not (fill and nearest & FILLED):
                lost[k] |= nearest & np.uint16(DROPOUT | MARK)
                continue
            along, across = tables[0][p], tables[1][q]
            missing, coverage, shares, gone = _bits_of(i, j, along, across, tall, wide, value, quality)
            if coverage < LEAST_THERE:
                lost[k] |= gone if gone else np.uint16(DROPOUT)
                continue
            v = _value_at(i, j, p, q, tables[0], tables[1], tall, size, value)
            variance, shared = _doubt_at(i, j, p, q, cells_l, cells_s, doubts)
            if not np.isfinite(v):
                v, more = _of_those_there(i, j, along, across, tall, wide, missing, value)
                variance *= more
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

    return loop


SIZES = (4, 6, 8, ANY)
SOUND_LOOPS = {size: _sound_loop(size) for size in SIZES}
CAREFUL_LOOPS = {size: _careful_loop(size) for size in SIZES}


@njit(cache=True, nogil=True)
def _above_and_below(weights, taps):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Sums of the weights above and below zero, both positive."""
    above = below = 0.0
    for tap in range(taps):
        above += max(weights[tap], 0.0)
        below -= min(weights[tap], 0.0)
    return above, below


@njit(cache=True, nogil=True)
def _bits_of(i, j, along, across, tall, wide, value, quality):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether a tap is missing; the share of the weight above zero that is known; the absolute weights of the known
    taps (all, low, high, bridged dropouts, bridged marks); and the bits of those without a value.

    A tap without a value has a bit, so only taps with bits are looked at.
    """
    above_l, below_l = _above_and_below(along, tall)
    above_s, below_s = _above_and_below(across, wide)
    whole = known = above_l * above_s + below_l * below_s
    size = (above_l + below_l) * (above_s + below_s)
    low = high = dropped = marked = 0.0
    missing, gone = False, np.uint16(0)
    for row in range(tall):
        for column in range(wide):
            down, right = i + np.uint64(row), j + np.uint64(column)
            bits = quality[down, right]
            if bits == 0:
                continue
            w = along[row] * across[column]
            a = abs(w)
            if w == 0.0:
                continue
            if not np.isfinite(value[down, right]):
                gone |= bits & np.uint16(DROPOUT | MARK)
                missing = True
                known -= max(w, 0.0)
                size -= a
                continue
            if bits & LOW_DENSITY:
                low += a
            if bits & HIGH_DENSITY:
                high += a
            if bits & FILLED and bits & DROPOUT:
                dropped += a
            elif bits & FILLED:
                marked += a
    return missing, known / whole, (size, low, high, dropped, marked), gone


@njit(cache=True, nogil=True)
def _of_those_there(i, j, along, across, tall, wide, missing, value):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mean over the known taps, and how many times the variance of all it has; if some are missing, by weights above
    zero only."""
    total = v = squares = every = 0.0
    for row in range(tall):
        for column in range(wide):
            w, down, right = along[row] * across[column], i + np.uint64(row), j + np.uint64(column)
            every += w * w
            if (w > 0.0 or (w < 0.0 and not missing)) and np.isfinite(value[down, right]):
                total += w
                v += w * value[down, right]
                squares += w * w
    return np.float32(v / total), np.float32(squares / (total * total * every))


@njit(cache=True, nogil=True)
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
