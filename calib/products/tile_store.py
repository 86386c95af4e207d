"""Stores the tiles of a raster's resolutions: incomplete ones in memory, compressed ones in a spool file.

Several threads store tiles at once, in any order; the assembled file does not depend on the order.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from calib.products.cog import Level
from calib.products.file_parts import copy, start_writeback, write_at
from calib.products.pyramid import Piece
from calib.products.tiles import TILE, Tag

WRITEBACK_BYTES = 2**22  # unit of writeback: whole memory pages, so that no page is changed while it is written to disk


class Spool:
    """A temporary file of compressed tiles, one after the other."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.file = FileIO(path, "w+")
        self._lock, self._end = Lock(), 0

    def add(self, content: bytes) -> int:
        """Write a tile; returns its offset."""
        with self._lock:
            at, self._end = self._end, self._end + len(content)
        write_at(self.file, at, content)
        return at

    def close(self) -> None:
        """Remove the file."""
        self.file.close()
        self.path.unlink(missing_ok=True)


class _Tiles:
    """The tiles of one resolution: the offset and size of each in the spool."""

    in_place = False

    def __init__(self, rows: int, cols: int, dtype: np.dtype, spool: Spool) -> None:
        self.rows, self.cols, self._dtype, self._spool = rows, cols, dtype, spool
        self.grid = -(-rows // TILE), -(-cols // TILE)
        self._offsets, self._byte_counts = (np.zeros(self.grid, dtype=np.int64) for _ in range(2))

    def shape(self, down: int, across: int) -> tuple[int, int]:
        """Rows and columns of a tile inside the raster."""
        return min(TILE, self.rows - down * TILE), min(TILE, self.cols - across * TILE)

    def store(self, down: int, across: int, content: bytes) -> None:
        """Spool a compressed tile."""
        self._offsets[down, across], self._byte_counts[down, across] = self._spool.add(content), len(content)

    def as_level(self, tags: tuple[Tag, ...]) -> Level:
        """The resolution as a `Level` of the file."""
        missing = np.argwhere(self._byte_counts == 0)
        if missing.size:
            row, col = missing[0] * TILE
            raise ValueError(f"finish: the tile from row {row}, column {col} on is not complete")
        return Level(tags, self._offsets.ravel(), self._byte_counts.ravel(), self.in_place)


class FullTiles(_Tiles):
    """The full resolution, from blocks of any size; one thread at a time may add blocks, and one store tiles."""

    def __init__(self, rows: int, cols: int, dtype: np.dtype, spool: Spool) -> None:
        super().__init__(rows, cols, dtype, spool)
        self._complete = np.zeros(self.grid, dtype=np.bool_)
        self._begun: dict[tuple[int, int], tuple[NDArray, NDArray[np.bool_]]] = {}

    def close(self) -> None:
        """Nothing is kept open."""

    def add_block(self, row: int, col: int, values: NDArray) -> Iterator[tuple[int, int, Piece]]:
        """Add a block; yields each tile that it completes, with its row and column in the grid of tiles."""
        rows, cols = values.shape
        if row < 0 or col < 0 or row + rows > self.rows or col + cols > self.cols:
            raise ValueError(
                f"values: a block of {rows} x {cols} at ({row}, {col}) does not fit in {self.rows} x {self.cols}"
            )
        for down in range(row // TILE, -(-(row + rows) // TILE)):
            for across in range(col // TILE, -(-(col + cols) // TILE)):
                tile = self._add_to_tile(down, across, row - down * TILE, col - across * TILE, values)
                if tile is not None:
                    self._complete[down, across] = True
                    yield down, across, tile

    def _add_to_tile(self, down: int, across: int, row: int, col: int, values: NDArray) -> Piece | None:
        """Add the part of a block that begins at (`row`, `col`) of a tile; returns the tile if it is now complete."""
        rows, cols = self.shape(down, across)
        top, bottom = max(row, 0), min(row + values.shape[0], rows)
        left, right = max(col, 0), min(col + values.shape[1], cols)
        if self._complete[down, across]:
            raise ValueError(f"values: the tile of {self._where(down, across)} was complete before the block")
        tile, is_filled = self._begun.pop((down, across), (None, None))
        if tile is None or is_filled is None:
            if (bottom - top, right - left) == (rows, cols):
                return Piece(values, -row, -col, rows, cols)
            tile, is_filled = np.empty((rows, cols), dtype=self._dtype), np.zeros((rows, cols), dtype=np.bool_)
        if is_filled[top:bottom, left:right].any():
            raise ValueError(f"values: some pixels of the block in {self._where(down, across)} came before")
        tile[top:bottom, left:right] = values[top - row : bottom - row, left - col : right - col]
        is_filled[top:bottom, left:right] = True
        if is_filled.all():
            return Piece(tile, 0, 0, rows, cols)
        self._begun[down, across] = tile, is_filled
        return None

    def _where(self, down: int, across: int) -> str:
        """The pixels of a tile, as text."""
        (top, left), (rows, cols) = (down * TILE, across * TILE), self.shape(down, across)
        return f"rows {top} to {top + rows - 1}, columns {left} to {left + cols - 1}"


class TilesInPlace(FullTiles):
    """The full resolution, written to the final file in order: the first tile after a gap of `room` bytes, the others
    directly after it. Tiles that come early wait in the spool. Writing to disk begins while tiles are still made.
    """

    in_place = True

    def __init__(self, rows: int, cols: int, dtype: np.dtype, spool: Spool, path: Path, room: int) -> None:
        super().__init__(rows, cols, dtype, spool)
        self._file, self._next, self._end = FileIO(path, "w"), 0, room
        self._flushed = room // WRITEBACK_BYTES * WRITEBACK_BYTES

    def store(self, down: int, across: int, content: bytes) -> None:
        """Write a compressed tile, and those that waited for it."""
        if (down, across) != self._next_tile():
            super().store(down, across, content)
            return
        write_at(self._file, self._end, content)
        self._advance(len(content))
        while self._next < self._byte_counts.size and self._byte_counts[self._next_tile()]:
            start, size = int(self._offsets[self._next_tile()]), int(self._byte_counts[self._next_tile()])
            copy(self._spool.file, start, start + size, self._file, self._end)
            self._advance(size)

    def _next_tile(self) -> tuple[int, int]:
        return divmod(self._next, self.grid[1])

    def _advance(self, size: int) -> None:
        self._offsets[self._next_tile()], self._byte_counts[self._next_tile()] = self._end, size
        self._next, self._end = self._next + 1, self._end + size
        ready = self._end // WRITEBACK_BYTES * WRITEBACK_BYTES
        if ready > self._flushed:
            start_writeback(self._file, self._flushed, ready)
            self._flushed = ready

    def close(self) -> None:
        """Close the file; it is not removed."""
        self._file.close()


@dataclass(frozen=True, slots=True, eq=False)
class Quarter:
    """The place in an overview's tile for a tile of the next finer resolution."""

    tile: NDArray
    down: int
    across: int


class HalvedTiles(_Tiles):
    """An overview, whose tiles are filled in quarters by several threads."""

    def __init__(self, rows: int, cols: int, dtype: np.dtype, spool: Spool) -> None:
        super().__init__(rows, cols, dtype, spool)
        self._lock = Lock()
        self._begun: dict[tuple[int, int], NDArray] = {}
        self._missing_quarters = {
            place: -(-self.shape(*place)[0] // (TILE // 2)) * -(-self.shape(*place)[1] // (TILE // 2))
            for place in np.ndindex(self.grid)
        }

    def quarter(self, down: int, across: int) -> Quarter:
        """The place for the tile (`down`, `across`) of the next finer resolution."""
        with self._lock:
            above = down // 2, across // 2
            if above not in self._begun:
                self._begun[above] = np.empty(self.shape(*above), dtype=self._dtype)
            return Quarter(self._begun[above], down % 2 * TILE // 2, across % 2 * TILE // 2)

    def completes(self, down: int, across: int) -> bool:
        """Count one more quarter of a tile; true for the last one, and so for one thread only."""
        with self._lock:
            self._missing_quarters[down, across] -= 1
            if self._missing_quarters[down, across]:
                return False
            del self._begun[down, across]
            return True
