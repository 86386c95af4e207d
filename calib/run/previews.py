"""Small pictures of big rasters, gathered block by block while the raster itself is written."""

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.quality import BITS

LONGEST = 1600  # pixels: enough for a screen
BIT_VALUES = np.array([bit.value for bit in BITS], np.uint16)


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """What a block adds to a `Preview` from its small pixel (`row`, `column`) on: of a raster of floats `total` and
    `count`, of a bit mask `nearest` and `bits`, the others empty."""

    row: int
    column: int
    total: NDArray[np.float64]
    count: NDArray[np.int32]
    nearest: NDArray[np.uint16]
    bits: NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Preview:
    """A raster reduced by a whole factor: means of what is known, or nearest values for bit masks.

    `bits` counts, over the whole raster, the pixels that carry each of quality.BITS, and last all pixels.
    """

    factor: int
    total: NDArray[np.float64]
    count: NDArray[np.int32]
    nearest: NDArray[np.uint16]
    bits: NDArray[np.int64]

    @classmethod
    def of(cls, rows: int, columns: int) -> "Preview":
        """An empty preview of a raster of this size."""
        factor = max(1, ceil(max(rows, columns) / LONGEST))
        shape = (ceil(rows / factor), ceil(columns / factor))
        return cls(
            factor,
            np.zeros(shape),
            np.zeros(shape, np.int32),
            np.zeros(shape, np.uint16),
            np.zeros(len(BITS) + 1, np.int64),
        )

    def part_of(self, row: int, column: int, values: NDArray) -> Part:
        """What a block whose first pixel is (row, column) of the raster adds: the sums of float32, where NaN counts as
        nothing; of a bit mask (uint16) the first value in each small pixel, and how often each bit stands. Nothing
        changes yet, so several threads may do this at once."""
        factor, none = self.factor, (0, 0)
        if values.dtype == np.uint16:
            bits = np.zeros_like(self.bits)
            bits[-1] = values.size
            _count_bits(values, BIT_VALUES, bits)
            first_row, first_column = -row % factor, -column % factor
            kept = values[first_row::factor, first_column::factor].copy()
            at = (row + first_row) // factor, (column + first_column) // factor
            return Part(*at, np.zeros(none), np.zeros(none, np.int32), kept, bits)
        shape = tuple(
            (at + n - 1) // factor - at // factor + 1 for at, n in zip((row, column), values.shape, strict=True)
        )
        total, count = np.zeros(shape), np.zeros(shape, np.int32)
        _add_means(values, row % factor, column % factor, factor, total, count)
        return Part(row // factor, column // factor, total, count, np.zeros(none, np.uint16), np.zeros_like(self.bits))

    def add(self, part: Part) -> None:
        """Take in a block's part. The order in which parts come shows in the last digits of a mean."""
        for whole, its in ((self.total, part.total), (self.count, part.count), (self.nearest, part.nearest)):
            at = whole[part.row : part.row + its.shape[0], part.column : part.column + its.shape[1]]
            np.add(at, its, out=at)  # of `nearest` each value comes once
        np.add(self.bits, part.bits, out=self.bits)

    def shares(self) -> dict[int, float]:
        """For each quality bit the share of the whole raster that carries it."""
        return {bit.value: float(n / max(self.bits[-1], 1)) for bit, n in zip(BITS, self.bits, strict=False)}

    def mean(self) -> NDArray[np.float32]:
        """The reduced picture; NaN where nothing is known."""
        with np.errstate(invalid="ignore"):
            return np.where(self.count > 0, self.total / np.maximum(self.count, 1), np.nan).astype(np.float32)


@njit(cache=True, nogil=True)
def _add_means(values, row, column, factor, total, count):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Down the columns first: sums side by side need not wait for each other."""
    columns = values.shape[1]
    sums, known = np.zeros(columns), np.zeros(columns, np.int32)
    for i in range(values.shape[0]):
        given = values[i]
        for j in range(columns):
            seen = np.isfinite(given[j])
            sums[j] += given[j] if seen else 0.0
            known[j] += np.int32(seen)
        if i + 1 < values.shape[0] and (row + i + 1) % factor != 0:
            continue
        down, across, j = (row + i) // factor, column // factor, 0
        while j < columns:
            stop, sum_here, known_here = min((across + 1) * factor - column, columns), 0.0, 0
            while j < stop:
                sum_here += sums[j]
                known_here += known[j]
                sums[j], known[j] = 0.0, 0
                j += 1
            total[down, across] += sum_here
            count[down, across] += known_here
            across += 1


@njit(cache=True, nogil=True)
def _count_bits(values, bit_values, counts):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Add to `counts` how many pixels carry each bit; only bits that differ within a row are counted one by one."""
    for i in range(values.shape[0]):
        given, held, differs = values[i], values[i, 0], np.uint16(0)
        for j in range(given.size):
            differs = np.uint16(differs | np.uint16(given[j] ^ held))
        for n in range(bit_values.size):
            bit, carry = bit_values[n], 0
            if differs & bit:
                for j in range(given.size):
                    carry += (given[j] & bit) != 0
            elif held & bit:
                carry = given.size
            counts[n] += carry
