"""Interpolation at places where not all samples are sound: tap by tap, with the kernel's weights.

Where taps are missing, only positive weights are used, so that the value lies within those of the known taps: a sharp
kernel with a hole would ring.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare
from calib.film.flagged import sum_ends, sum_flagged
from calib.film.kernels import CELL, LANES, PHASE_BITS
from calib.film.packed import SOUND, UNSOUND
from calib.film.weigh import ANY, cell_of, row_at
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK

FILLED_SHARE = 0.25  # of the kernel's weight: if more of it falls on filled samples, the value counts as filled
LEAST_KNOWN = 0.5  # of the kernel's positive weight: if less of it falls on known taps, there is no value
NOTHING, LOST, BRIDGED, WHOLE = 0, 1, 2, 3


class Verdict(NamedTuple):
    """Judgement of the taps of M places, each (M,): ranks, quality bits (of a LOST place, the reason), and whether a
    tap with a weight is missing."""

    rank: NDArray[np.uint8]
    bits: NDArray[np.uint16]
    missing: NDArray[np.bool_]

    @classmethod
    def room(cls, n: int) -> "Verdict":
        """Room for `n` places."""
        return cls(np.empty(n, np.uint8), np.empty(n, np.uint16), np.empty(n, np.bool_))


@bare(cache=True, nogil=True)
def judge(listed, count, axes, samples, verdict, written_out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Judge the taps of the first `count` of the listed places; fills `verdict`."""
    size = len(written_out)
    _, line, sample, line_phase, sample_phase = listed
    first_line, first_sample, quality = samples.first_line, samples.first_sample, samples.quality
    ranks, bits, missing = verdict
    before_l, before_s = np.uint64(axes.along.before), np.uint64(axes.across.before)
    place = np.uint64(PHASE_BITS - 1)
    for m in range(count):
        i, j = np.uint64(line[m] - first_line), np.uint64(sample[m] - first_sample)
        how = samples.unsound[cell_of(i, j, samples.doubts)]
        ranks[m], bits[m], missing[m] = WHOLE, np.uint16(0), False
        if how != SOUND:
            p, q = np.uint64(line_phase[m]), np.uint64(sample_phase[m])
            nearest = quality[i + before_l + (p >> place), j + before_s + (q >> place)]
            bits[m] = nearest
            if how == UNSOUND:
                ranks[m], bits[m], missing[m] = _judge_place(i, j, p, q, nearest, axes, size, samples)


@bare(cache=True, nogil=True, inline="always")
def _judge_place(i, j, p, q, nearest, axes, size, samples):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Rank, bits and whether a tap is missing, of one place with its first tap at row `i`, column `j`; `nearest` are
    the bits of the nearest tap."""
    dropout, filled = np.uint16(DROPOUT), np.uint16(FILLED)
    if nearest & dropout and not (samples.fill and nearest & filled):
        return LOST, nearest & np.uint16(DROPOUT | MARK), False
    half, low, high, more = end_weights(i, j, p, q, axes, size, samples.value, samples.quality)
    if not more:
        flags = np.uint16(LOW_DENSITY if low > half else 0) | np.uint16(HIGH_DENSITY if high > half else 0)
        return WHOLE, flags, False
    missing, coverage, shares, lost_bits = flag_weights(i, j, p, q, axes, size, samples.value, samples.quality)
    if coverage < LEAST_KNOWN:
        return LOST, lost_bits if lost_bits else dropout, False
    flags = nearest & np.uint16(MARK | FILLED)
    if shares[1] > 0.5 * shares[0]:
        flags |= np.uint16(LOW_DENSITY)
    if shares[2] > 0.5 * shares[0]:
        flags |= np.uint16(HIGH_DENSITY)
    if shares[4] > FILLED_SHARE * shares[0]:
        flags |= np.uint16(MARK | FILLED)
    if nearest & dropout or shares[3] > FILLED_SHARE * shares[0]:
        return BRIDGED, flags | np.uint16(DROPOUT | FILLED), missing
    return WHOLE, flags, missing


@bare(cache=True, nogil=True, inline="always")
def end_weights(i, j, p, q, axes, size, value, quality):  # type: ignore[no-untyped-def]  # pragma: no cover
    """A quick look that suffices for most places: half the sum of absolute weights, the absolute weights of taps beyond
    the low and the high end of the curve, and whether there is anything else about the taps."""
    low, high, every, known = sum_ends(*_addresses(i, j, p, q, axes, size, value, quality))
    (above_l, below_l), (above_s, below_s) = _signed_sums(axes.along, p), _signed_sums(axes.across, q)
    half = 0.5 * ((above_l + below_l) * (above_s + below_s))
    return half, low, high, not known or every & ~np.uint16(LOW_DENSITY | HIGH_DENSITY)


@bare(cache=True, nogil=True, inline="always")
def flag_weights(i, j, p, q, axes, size, value, quality):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether a tap is missing; the known share of the positive weights; the absolute weights of the known taps (all,
    low, high, bridged dropouts, bridged marks); and the bits of the taps without a value.

    Only taps with bits are examined, because a tap without a value always has one.
    """
    low, high, dropped, marked, lost, lost_above, lost_bits = sum_flagged(
        *_addresses(i, j, p, q, axes, size, value, quality)
    )
    (above_l, below_l), (above_s, below_s) = _signed_sums(axes.along, p), _signed_sums(axes.across, q)
    above, all_there = above_l * above_s + below_l * below_s, (above_l + below_l) * (above_s + below_s)
    return lost > 0, (above - lost_above) / above, (all_there - lost, low, high, dropped, marked), lost_bits


@bare(cache=True, nogil=True, inline="always")
def _addresses(i, j, p, q, axes, size, value, quality):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Addresses of the bits, values and weights of a place's taps, and their number of rows and chunks."""
    width, is_written_out = np.uint64(value.shape[1]), size != ANY
    at = i * width + j
    return (
        np.uint64(quality.ctypes.data) + np.uint64(2) * at, np.uint64(value.ctypes.data) + np.uint64(4) * at, width,
        row_at(axes.along.rows, p, size), row_at(axes.across.rows, q, size),
        np.uint64(size if is_written_out else axes.along.taps),
        np.uint64(1 if is_written_out else axes.across.lanes // LANES),
    )  # fmt: skip


@bare(cache=True, nogil=True, inline="always")
def _signed_sums(axis, phase):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Sums of an axis' weights of a phase above and below zero."""
    behind = axis.lanes + 2 * CELL * axis.cells
    return np.float64(axis.rows[phase, behind]), np.float64(axis.rows[phase, behind + 1])


@bare(cache=True, nogil=True)
def mean_of_known(i, j, p, q, axes, missing, value):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Weighted mean over the known taps, and the factor of its variance to that of all taps; if some are missing, with
    positive weights only."""
    along, across = axes.along.rows, axes.across.rows
    total = v = squares = every = 0.0
    for row in range(np.uint64(axes.along.taps)):
        for column in range(np.uint64(axes.across.taps)):
            w, down, right = along[p, row] * across[q, column], i + row, j + column
            every += w * w
            if (w > 0.0 or (w < 0.0 and not missing)) and np.isfinite(value[down, right]):
                total += w
                v += w * value[down, right]
                squares += w * w
    return np.float32(v / total), np.float32(squares / (total * total * every))
