"""Small pictures of big rasters, gathered block by block while the raster itself is written."""

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from calib.quality import BITS

LONGEST = 1600  # pixels: enough for a screen


@dataclass(frozen=True, slots=True, eq=False)
class Preview:
    """A raster reduced by a whole factor: means of what is known, or nearest values for bit masks.

    `bits` counts, over the whole raster, the pixels that carry each of quality.BITS, and last all pixels.
    """

    factor: int
    total: NDArray[np.float64]
    count: NDArray[np.int64]
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
            np.zeros(shape, np.int64),
            np.zeros(shape, np.uint16),
            np.zeros(len(BITS) + 1, np.int64),
        )

    def add_mean(self, row: int, column: int, values: NDArray[np.floating]) -> None:
        """Take in a block whose first pixel is (row, column) of the raster; NaN counts as nothing."""
        rows = (row + np.arange(values.shape[0])) // self.factor
        columns = (column + np.arange(values.shape[1])) // self.factor
        known = np.isfinite(values)
        self._add(self.total, rows, columns, np.where(known, values, 0.0))
        self._add(self.count, rows, columns, known)

    def add_nearest(self, row: int, column: int, values: NDArray[np.uint16]) -> None:
        """Take in a block of a bit mask: each small pixel keeps its first value, and all bits are counted."""
        self.bits[:-1] += [np.count_nonzero(values & np.uint16(bit.value)) for bit in BITS]
        self.bits[-1] += values.size
        first_row, first_column = -row % self.factor, -column % self.factor
        kept = values[first_row :: self.factor, first_column :: self.factor]
        at_row, at_column = (row + first_row) // self.factor, (column + first_column) // self.factor
        self.nearest[at_row : at_row + kept.shape[0], at_column : at_column + kept.shape[1]] = kept

    def shares(self) -> dict[int, float]:
        """For each quality bit the share of the whole raster that carries it."""
        return {bit.value: float(n / max(self.bits[-1], 1)) for bit, n in zip(BITS, self.bits, strict=False)}

    def mean(self) -> NDArray[np.float32]:
        """The reduced picture; NaN where nothing is known."""
        with np.errstate(invalid="ignore"):
            return np.where(self.count > 0, self.total / np.maximum(self.count, 1), np.nan).astype(np.float32)

    @staticmethod
    def _add(target: NDArray, rows: NDArray, columns: NDArray, values: NDArray) -> None:
        starts_r = np.flatnonzero(np.diff(rows, prepend=-1))
        starts_c = np.flatnonzero(np.diff(columns, prepend=-1))
        reduced = np.add.reduceat(np.add.reduceat(values, starts_r, axis=0, dtype=target.dtype), starts_c, axis=1)
        target[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += reduced
