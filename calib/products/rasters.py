"""Raster products, written block by block: memory stays at the tiles that are begun, whatever the frame's size.

Every raster is a cloud-optimised GeoTIFF with overviews. Its bytes depend on its values alone, not on the blocks
they came in nor on the number of threads.
"""

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.products.atomic import whole
from calib.products.cog import Level, assemble
from calib.products.packing import packed
from calib.products.pyramid import FLOAT32_MANTISSA_BITS, halved, rounded
from calib.products.tiles import TILE, RasterLayout, Tag, overview_tags, raster_tags

MOST_WAITING = 16  # tiles of one raster that are being compressed or about to be


@dataclass(frozen=True, slots=True)
class RasterSpec:
    """A raster product: where it goes, what its header says, how many digits are worth keeping.

    `layout.dtype` is float32 (NaN: no data) or uint16 (bit mask). `mantissa_bits`: a float is stored to a relative
    2^-(mantissa_bits + 1), in the overviews by `overview_bits`; 23 keeps every bit.
    """

    path: Path
    layout: RasterLayout
    mantissa_bits: int = FLOAT32_MANTISSA_BITS
    overview_bits: int = FLOAT32_MANTISSA_BITS

    def __post_init__(self) -> None:
        if self.layout.rows < 1 or self.layout.cols < 1:
            raise ValueError(f"layout: a raster of {self.layout.rows} x {self.layout.cols} pixels holds nothing")
        if self.layout.dtype not in (np.dtype("float32"), np.dtype("uint16")):
            raise ValueError(f"layout.dtype must be float32 or uint16, not {self.layout.dtype}")
        for name in ("mantissa_bits", "overview_bits"):
            if not 1 <= getattr(self, name) <= FLOAT32_MANTISSA_BITS:
                raise ValueError(f"{name} must be 1 to {FLOAT32_MANTISSA_BITS}, not {getattr(self, name)}")


class RasterWriter:
    """Takes a raster's blocks in any order; call it from one thread at a time.

    A tile is compressed as soon as all its pixels have come, by the pool's threads where there is a pool; so memory is
    the tiles that are begun and not complete: blocks that are whole tiles leave none in the full resolution.
    """

    def __init__(self, spec: RasterSpec, aside: Path, pool: Executor | None) -> None:
        self._spec, self._aside, self._pool = spec, aside, pool
        self._levels = [_LevelWriter(aside, 0, spec.layout.rows, spec.layout.cols, spec.layout.dtype)]
        while max(self._levels[-1].rows, self._levels[-1].cols) > TILE:
            above = self._levels[-1]
            rows, cols = (above.rows + 1) // 2, (above.cols + 1) // 2
            self._levels.append(_LevelWriter(aside, len(self._levels), rows, cols, spec.layout.dtype))
        self._waiting: deque[tuple[int, int, int, Future[_Ready]]] = deque()

    def write_block(self, row: int, col: int, values: NDArray) -> None:
        """Put `values` (R, C) with its first pixel at (`row`, `col`). Every pixel is written once.

        The array is the writer's from here on: it may be read later.
        """
        if values.dtype != self._spec.layout.dtype:
            raise ValueError(f"values: found {values.dtype}, the raster holds {self._spec.layout.dtype}")
        self._put(0, row, col, values)
        self._take(MOST_WAITING)

    def _put(self, index: int, row: int, col: int, values: NDArray) -> None:
        bits = self._spec.mantissa_bits if index == 0 else self._spec.overview_bits
        is_last = index + 1 == len(self._levels)
        for down, across, tile in self._levels[index].complete_tiles(row, col, values):
            if self._pool is None:
                self._store(index, down, across, _ready(tile, bits, is_last))
            else:
                self._waiting.append((index, down, across, self._pool.submit(_ready, tile, bits, is_last)))

    def _take(self, most: int) -> None:
        """Wait until at most so many tiles are being compressed."""
        while len(self._waiting) > most:
            index, down, across, future = self._waiting.popleft()
            self._store(index, down, across, future.result())

    def _store(self, index: int, down: int, across: int, made: "_Ready") -> None:
        self._levels[index].store(down, across, made.content)
        if made.half is not None:
            self._put(index + 1, down * TILE // 2, across * TILE // 2, made.half)

    def finish(self) -> None:
        """Put the file together; pixels that never came are an error."""
        self._take(0)
        first, *others = self._levels
        tags = [raster_tags(self._spec.layout)]
        tags += [overview_tags(level.rows, level.cols, self._spec.layout.dtype) for level in others]
        assemble(self._aside, [level.as_level(t) for level, t in zip((first, *others), tags, strict=True)])

    def close(self) -> None:
        """Let go of the spooled tiles."""
        for *_, future in self._waiting:
            future.cancel()
        for level in self._levels:
            level.close()


@dataclass(frozen=True, slots=True, eq=False)
class _Ready:
    """A tile as it goes into the file, and at half its resolution where there is an overview to take it."""

    content: bytes
    half: NDArray | None


def _ready(tile: NDArray, bits: int, is_last: bool) -> _Ready:
    kept = rounded(tile, bits) if tile.dtype == np.float32 else tile
    return _Ready(packed(kept, TILE), None if is_last else halved(tile))


class _LevelWriter:
    """The tiles of one resolution, compressed into a spool file as they become complete."""

    def __init__(self, aside: Path, index: int, rows: int, cols: int, dtype: np.dtype) -> None:
        self.rows, self.cols, self._dtype = rows, cols, dtype
        down, across = -(-rows // TILE), -(-cols // TILE)
        self._path = aside.with_name(f"{aside.name}.{index}")
        self._spool = self._path.open("wb")
        self._complete = np.zeros((down, across), dtype=np.bool_)
        self._offsets, self._byte_counts = (np.zeros((down, across), dtype=np.int64) for _ in range(2))
        self._begun: dict[tuple[int, int], tuple[NDArray, NDArray[np.bool_]]] = {}

    def complete_tiles(self, row: int, col: int, values: NDArray) -> Iterator[tuple[int, int, NDArray]]:
        """Take a block in; give each tile that it completed, with its place among the tiles."""
        rows, cols = values.shape
        if row < 0 or col < 0 or row + rows > self.rows or col + cols > self.cols:
            raise ValueError(
                f"values: a block of {rows} x {cols} at ({row}, {col}) does not fit in {self.rows} x {self.cols}"
            )
        for down in range(row // TILE, -(-(row + rows) // TILE)):
            for across in range(col // TILE, -(-(col + cols) // TILE)):
                top, left = down * TILE, across * TILE
                inside = np.s_[max(row, top) - row : top + TILE - row, max(col, left) - col : left + TILE - col]
                tile = self._joined(down, across, max(row - top, 0), max(col - left, 0), values[inside])
                if tile is not None:
                    self._complete[down, across] = True
                    yield down, across, tile

    def _joined(self, down: int, across: int, first_row: int, first_col: int, part: NDArray) -> NDArray | None:
        """Put a piece into its tile; the tile where that makes it complete."""
        top, left = down * TILE, across * TILE
        shape = (min(TILE, self.rows - top), min(TILE, self.cols - left))
        where = f"rows {top} to {top + shape[0] - 1}, columns {left} to {left + shape[1] - 1}"
        if self._complete[down, across]:
            raise ValueError(f"values: the tile of {where} was complete before the block")
        if part.shape == shape and (down, across) not in self._begun:
            return part
        tile, has_come = self._begun.pop((down, across), (None, None))
        if tile is None or has_come is None:
            tile, has_come = np.empty(shape, dtype=self._dtype), np.zeros(shape, dtype=np.bool_)
        place = np.s_[first_row : first_row + part.shape[0], first_col : first_col + part.shape[1]]
        if has_come[place].any():
            raise ValueError(f"values: some pixels of the block in {where} came before")
        tile[place], has_come[place] = part, True
        if has_come.all():
            return tile
        self._begun[down, across] = tile, has_come
        return None

    def store(self, down: int, across: int, content: bytes) -> None:
        """Spool a compressed tile."""
        self._offsets[down, across], self._byte_counts[down, across] = self._spool.tell(), len(content)
        self._spool.write(content)

    def as_level(self, tags: tuple[Tag, ...]) -> Level:
        """What the file is put together from."""
        lacking = np.argwhere(~self._complete)
        if lacking.size:
            row, col = lacking[0] * TILE
            raise ValueError(f"finish: the tile from row {row}, column {col} on is not complete")
        self._spool.flush()
        return Level(tags, self._path, self._offsets.ravel(), self._byte_counts.ravel())

    def close(self) -> None:
        """Remove the spool file."""
        self._spool.close()
        self._path.unlink(missing_ok=True)


@contextmanager
def raster(spec: RasterSpec, pool: Executor | None = None) -> Iterator[RasterWriter]:
    """Write a raster whole or not at all: blocks inside the `with`, the file at its place on leaving it.

    The threads of `pool` compress; without one, the caller's own does.
    """
    with whole(spec.path) as aside:
        writer = RasterWriter(spec, aside, pool)
        try:
            yield writer
            writer.finish()
        finally:
            writer.close()
