"""Raster products, written block by block: memory stays at a few rows of tiles, whatever the frame's size.

Every raster is a cloud-optimised GeoTIFF with overviews. Its bytes depend on its values alone, not on the blocks
they came in nor on the number of threads.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.products.atomic import whole
from calib.products.cog import Level, assemble
from calib.products.pyramid import FLOAT32_MANTISSA_BITS, halved, rounded
from calib.products.tiles import TILE, RasterLayout, compressed_tiles, overview_tags, raster_tags


@dataclass(frozen=True, slots=True)
class RasterSpec:
    """A raster product: where it goes, what its header says, how many digits are worth keeping.

    `layout.dtype` is float32 (NaN: no data) or uint16 (bit mask). `mantissa_bits`: a float is stored to a relative
    2^-(mantissa_bits + 1); 23 keeps every bit.
    """

    path: Path
    layout: RasterLayout
    mantissa_bits: int = FLOAT32_MANTISSA_BITS

    def __post_init__(self) -> None:
        if self.layout.rows < 1 or self.layout.cols < 1:
            raise ValueError(f"layout: a raster of {self.layout.rows} x {self.layout.cols} pixels holds nothing")
        if self.layout.dtype not in (np.dtype("float32"), np.dtype("uint16")):
            raise ValueError(f"layout.dtype must be float32 or uint16, not {self.layout.dtype}")
        if not 1 <= self.mantissa_bits <= FLOAT32_MANTISSA_BITS:
            raise ValueError(f"mantissa_bits must be 1 to {FLOAT32_MANTISSA_BITS}, not {self.mantissa_bits}")


class RasterWriter:
    """Takes a raster's blocks in any order; call it from one thread at a time.

    A row of tiles is compressed as soon as all its pixels have come, so memory is the rows of tiles that are begun and
    not complete: hand the blocks over from top to bottom.
    """

    def __init__(self, spec: RasterSpec, aside: Path) -> None:
        self._spec = spec
        self._aside = aside
        self._levels = [_LevelWriter(aside, 0, spec.layout.rows, spec.layout.cols, spec.layout.dtype)]
        while max(self._levels[-1].rows, self._levels[-1].cols) > TILE:
            above = self._levels[-1]
            rows, cols = (above.rows + 1) // 2, (above.cols + 1) // 2
            self._levels.append(_LevelWriter(aside, len(self._levels), rows, cols, spec.layout.dtype))

    def write_block(self, row: int, col: int, values: NDArray) -> None:
        """Put `values` (R, C) with its first pixel at (`row`, `col`). Every pixel is written once."""
        if values.dtype != self._spec.layout.dtype:
            raise ValueError(f"values: found {values.dtype}, the raster holds {self._spec.layout.dtype}")
        self._put(0, row, col, values)

    def _put(self, index: int, row: int, col: int, values: NDArray) -> None:
        for first_row, band in self._levels[index].complete_bands(row, col, values):
            kept = rounded(band, self._spec.mantissa_bits) if band.dtype == np.float32 else band
            self._levels[index].store(first_row // TILE, kept)
            if index + 1 < len(self._levels):
                self._put(index + 1, first_row // 2, 0, halved(band))

    def finish(self) -> None:
        """Put the file together; pixels that never came are an error."""
        first, *others = self._levels
        tags = [raster_tags(self._spec.layout)]
        tags += [overview_tags(level.rows, level.cols, self._spec.layout.dtype) for level in others]
        assemble(self._aside, [level.as_level(t) for level, t in zip((first, *others), tags, strict=True)])

    def close(self) -> None:
        """Let go of the spooled tiles."""
        for level in self._levels:
            level.close()


class _LevelWriter:
    """The tiles of one resolution, compressed into a spool file as their rows become complete."""

    def __init__(self, aside: Path, index: int, rows: int, cols: int, dtype: np.dtype) -> None:
        self.rows, self.cols, self._dtype = rows, cols, dtype
        self._across, self._down = -(-cols // TILE), -(-rows // TILE)
        self._path = aside.with_name(f"{aside.name}.{index}")
        self._spool = self._path.open("wb")
        self._offsets = np.full((self._down, self._across), -1, dtype=np.int64)
        self._byte_counts = np.zeros((self._down, self._across), dtype=np.int64)
        self._begun: dict[int, tuple[NDArray, NDArray[np.bool_]]] = {}

    def complete_bands(self, row: int, col: int, values: NDArray) -> Iterator[tuple[int, NDArray]]:
        """Take a block in; give each row of tiles that it completed, with the row it begins at."""
        rows, cols = values.shape
        if row < 0 or col < 0 or row + rows > self.rows or col + cols > self.cols:
            raise ValueError(
                f"values: a block of {rows} x {cols} at ({row}, {col}) does not fit in {self.rows} x {self.cols}"
            )
        for tile_row in range(row // TILE, -(-(row + rows) // TILE)):
            top, bottom = tile_row * TILE, min((tile_row + 1) * TILE, self.rows)
            start, stop = max(row, top), min(row + rows, bottom)
            if self._offsets[tile_row, 0] >= 0:
                raise ValueError(f"values: rows {top} to {bottom - 1} were complete before the block at ({row}, {col})")
            part = values[start - row : stop - row]
            if part.shape == (bottom - top, self.cols) and tile_row not in self._begun:
                yield top, part
            else:
                place = np.s_[start - top : stop - top, col : col + cols]
                yield from self._joined(tile_row, place, part)

    def _joined(self, tile_row: int, place: tuple[slice, slice], part: NDArray) -> Iterator[tuple[int, NDArray]]:
        """Put a piece into its row of tiles; give the row when that makes it complete."""
        top = tile_row * TILE
        shape = (min(TILE, self.rows - top), self.cols)
        band, has_come = self._begun.pop(tile_row, (None, None))
        if band is None or has_come is None:
            band, has_come = np.empty(shape, dtype=self._dtype), np.zeros(shape, dtype=np.bool_)
        if has_come[place].any():
            raise ValueError(f"values: some pixels of the block in rows {top} to {top + shape[0] - 1} came before")
        band[place], has_come[place] = part, True
        if has_come.all():
            yield top, band
        else:
            self._begun[tile_row] = band, has_come

    def store(self, tile_row: int, band: NDArray) -> None:
        for across, tile in enumerate(compressed_tiles(band)):
            self._offsets[tile_row, across] = self._spool.tell()
            self._byte_counts[tile_row, across] = len(tile)
            self._spool.write(tile)

    def as_level(self, tags: tuple) -> Level:
        lacking = np.flatnonzero(self._offsets[:, 0] < 0)
        if lacking.size:
            raise ValueError(f"finish: rows from {lacking[0] * TILE} on are not complete")
        self._spool.flush()
        return Level(tags, self._path, self._offsets.ravel(), self._byte_counts.ravel())

    def close(self) -> None:
        self._spool.close()
        self._path.unlink(missing_ok=True)


@contextmanager
def raster(spec: RasterSpec) -> Iterator[RasterWriter]:
    """Write a raster whole or not at all: blocks inside the `with`, the file at its place on leaving it."""
    with whole(spec.path) as aside:
        writer = RasterWriter(spec, aside)
        try:
            yield writer
            writer.finish()
        finally:
            writer.close()
