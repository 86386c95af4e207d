"""Finds stuck bits in a strip's samples, as when a wire of the converter is broken.

The picture then jumps up and down by the bit's weight wherever its tone crosses a level at which the bit should change.
Every sample may stand for two tones, so none can be used. A bit may also be constant for good reasons: because all
higher bits are (the video does not reach so far), or because all lower bits are (its steps are coarse). So a constant
bit is stuck if bits above and below it change; one above all bits that change is stuck if other strips use it. In
either case the jumps must be found too.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit

EVERY = 8  # one line of so many is examined
BITS = 16
LEAST_BIT = 3  # lower bits are noise
LEAST_PART = 0.25  # of a strip's lines, the shortest run in which a bit is stuck: an even part of a scene may hold it
BETWEEN = 2  # examined lines in a row within a run that may be otherwise
CHANGES = 0.1  # of the examined lines: a bit that changes in more is in use
# Jumps: steps along these lines by the bit's weight, within a quarter of it. Their least share of all steps, and their
# least ratio to the steps of about half that size (by trial: 20 strips with stuck bits, 75 healthy frames).
JUMPS, RATHER = 0.002, 0.25
EACH_WAY = 0.2  # least share of the jumps that lead up, and that lead down
OFTEN, FEWEST = 0.1, 8  # least share and number of lines with jumps both ways: dropouts make many jumps in few lines


@dataclass(frozen=True, slots=True, eq=False)
class BitTable:
    """Statistics of the bits in every `EVERY`th line, n in all, of a strip of `n_lines`.

    `zeros`, `ones` (n,): masks of the bits that are 0, and 1, in all samples of the line.
    `pairs` (n,): how many pairs of neighbouring samples it has.
    `up`, `down` (n, BITS): how many steps from one sample to the next lead up, and down, by a bit's weight.
    `half` (n, BITS): how many lead either way by half of it.
    """

    n_lines: int
    zeros: NDArray[np.uint32]
    ones: NDArray[np.uint32]
    pairs: NDArray[np.int32]
    up: NDArray[np.uint16]
    down: NDArray[np.uint16]
    half: NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Held:
    """Lines `first` to `stop` - 1 of a strip in which a `bit` (0 is the lowest) is stuck at a `value`."""

    first: int
    stop: int
    bit: int
    value: int


def bit_table(dn: NDArray, lost: NDArray[np.bool_]) -> BitTable:
    """Statistics of the bits of a strip's samples `dn` that are not `lost`, both (n_lines, n_samples)."""
    return BitTable(len(dn), *_bits_by_line(dn, lost))


def held_bits(tables: Sequence[BitTable]) -> list[list[Held]]:
    """Runs of lines with stuck bits, for each of a frame's strips."""
    used = np.array([[_changes(table, bit).mean() > CHANGES for bit in range(BITS)] for table in tables])
    return [
        [held for bit in range(LEAST_BIT, BITS) for held in _held(table, bit, in_most=_in_most(used, strip, bit))]
        for strip, table in enumerate(tables)
    ]


def _in_most(used: NDArray[np.bool_], strip: int, bit: int) -> bool:
    """Whether a bit is in use in most of the other strips; `used` is (strips, BITS)."""
    others = np.delete(used[:, bit], strip)
    return bool(2 * others.sum() > others.size)


def _changes(table: BitTable, bit: int) -> NDArray[np.bool_]:
    """Mask of the examined lines in which a bit is both 0 and 1."""
    return ((table.zeros | table.ones) >> np.uint32(bit) & 1) == 0


def _held(table: BitTable, bit: int, *, in_most: bool) -> list[Held]:
    found = []
    for value, fixed in enumerate((table.zeros, table.ones)):
        still = (fixed >> np.uint32(bit) & 1).astype(np.bool_)
        for first, stop in _runs(still):
            rows = first + np.flatnonzero(still[first:stop])  # in other lines marks or garbage change the bit
            below, above = (
                any(_changes(table, other)[rows].mean() > CHANGES for other in others)
                for others in (range(bit), range(bit + 1, BITS))
            )
            if below and (above or in_most) and _jumps(table, rows, bit):
                begin = max((first - 1) * EVERY + 1, 0)
                found.append(Held(begin, table.n_lines if stop == len(fixed) else stop * EVERY, bit, value))
    return found


def _jumps(table: BitTable, rows: NDArray[np.int64], bit: int) -> bool:
    """Whether the picture jumps both up and down by a bit's weight along the examined lines `rows`."""
    up, down, half = (each[rows, bit] for each in (table.up, table.down, table.half))
    count, fewer = int(up.sum() + down.sum()), int(min(up.sum(), down.sum()))
    is_often = int(np.count_nonzero((up > 0) & (down > 0))) >= max(OFTEN * up.size, FEWEST)
    return is_often and count >= max(JUMPS * table.pairs[rows].sum(), RATHER * half.sum()) and fewer >= EACH_WAY * count


def _runs(which: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs (first, stop) of a mask that are long enough, with gaps of at most `BETWEEN` elements."""
    at = np.flatnonzero(which)
    if not at.size:
        return []
    ends = np.flatnonzero(np.diff(at) > BETWEEN + 1)
    runs = zip(at[np.append(0, ends + 1)].tolist(), (at[np.append(ends, at.size - 1)] + 1).tolist(), strict=True)
    return [(first, stop) for first, stop in runs if stop - first >= LEAST_PART * which.size]


@njit(cache=True, nogil=True)
def _bits_by_line(dn, lost):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The fields of a `BitTable`; a line of which all is lost has no bit that stands still or changes."""
    n = -(-dn.shape[0] // EVERY)
    zeros, ones, pairs = np.zeros(n, np.uint32), np.zeros(n, np.uint32), np.zeros(n, np.int32)
    steps, octaves = np.zeros((n, 3, BITS), np.uint16), np.zeros((2, 4 * (BITS + 2)), np.int32)
    for row in range(n):
        line, any_bit, all_bits, before = row * EVERY, np.uint32(0), np.uint32(0xFFFFFFFF), np.int64(-1)
        octaves[:] = 0
        for sample in range(dn.shape[1]):
            if lost[line, sample]:
                before = np.int64(-1)
                continue
            here = np.int64(dn[line, sample])
            any_bit, all_bits = np.uint32(any_bit | np.uint32(here)), np.uint32(all_bits & np.uint32(here))
            if before >= 0:  # a step of four or more is counted by the quarter of its octave
                pairs[row] += 1
                size, octave = abs(here - before), 2
                while size >> (octave + 1):
                    octave += 1
                octaves[np.int64(here < before), 4 * octave + max((size >> (octave - 2)) - 4, 0)] += 1
            before = here
        for bit in range(LEAST_BIT, BITS):
            for way in range(2):
                steps[row, way, bit] = octaves[way, 4 * bit - 2 : 4 * bit + 1].sum()
                steps[row, 2, bit] += octaves[way, 4 * bit - 6 : 4 * bit - 3].sum()
        zeros[row] = np.uint32(any_bit ^ np.uint32(0xFFFFFFFF))
        ones[row] = all_bits
    return zeros, ones, pairs, steps[:, 0], steps[:, 1], steps[:, 2]
