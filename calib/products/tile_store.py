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
from calib.products.file_parts import copy, send_off, write_at
from calib.products.pyramid import Piece
from calib.products.tiles import TILE, Tag

SENT_AT_ONCE = 2**22  # bytes: whole pages of memory, so that none is written to again while it is on its way


class Spool:
    """A file that compressed tiles are put into, one behind the other."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.file = FileIO(path, "w+")
        self._lock, self._end = Lock(), 0

    def add(self, content: bytes) -> int:
        """Write a tile; the byte it begins at."""
        with self._lock:
            at, self._end = self._end, self._end + len(content)
        write_at(self.file, at, content)
        return at

    def close(self) -> None:
        """Remove the file."""
        self.file.close()
        self.path.unlink(missing_ok=True)


class _Tiles:
    """The tiles of one resolution: how large each is, and where it lies in the spool."""

    in_place = False

    def __init__(self, rows: int, cols: int, dtype: np.dtype, spool: Spool) -> None:
        self.rows, self.cols, self._dtype, self._spool = rows, cols, dtype, spool
        self.grid = -(-rows // TILE), -(-cols // TILE)
        self._offsets, self._byte_counts = (np.zeros(self.grid, dtype=np.int64) for _ in range(2))

    def shape(self, down: int, across: int) -> tuple[int, int]:
        """Rows and columns of a tile that lie in the raster."""
        return min(TILE, self.rows - down * TILE), min(TILE, self.cols - across * TILE)

    def store(self, down: int, across: int, content: bytes) -> None:
        """Spool a compressed tile."""
        self._offsets[down, across], self._byte_counts[down, across] = self._spool.add(content), len(content)

    def as_level(self, tags: tuple[Tag, ...]) -> Level:
        """The resolution as a `Level` of the file."""
        lacking = np.argwhere(self._byte_counts == 0)
        if lacking.size:
            row, col = lacking[0] * TILE
            raise ValueError(f"finish: the tile from row {row}, column {col} on is not complete")
        return Level(tags, self._offsets.ravel(), self._byte_counts.ravel(), self.in_place)


class FullTiles(_Tiles):
    """The full resolution, which comes in blocks of any size; one thread at a time hands over blocks, and one tiles."""

    def __init__(self, rows: int, cols: int, dtype: np.dtype, spool: Spool) -> None:
        super().__init__(rows, cols, dtype, spool)
        self._complete = np.zeros(self.grid, dtype=np.bool_)
        self._begun: dict[tuple[int, int], tuple[NDArray, NDArray[np.bool_]]] = {}

    def close(self) -> None:
        """Nothing is kept open."""

    def complete(self, row: int, col: int, values: NDArray) -> Iterator[tuple[int, int, Piece]]:
        """Take a block in; give each tile that it completed, with its place among the tiles."""
        rows, cols = values.shape
        if row < 0 or col < 0 or row + rows > self.rows or col + cols > self.cols:
            raise ValueError(
                f"values: a block of {rows} x {cols} at ({row}, {col}) does not fit in {self.rows} x {self.cols}"
            )
        for down in range(row // TILE, -(-(row + rows) // TILE)):
            for across in range(col // TILE, -(-(col + cols) // TILE)):
                tile = self._joined(down, across, row - down * TILE, col - across * TILE, values)
                if tile is not None:
                    self._complete[down, across] = True
                    yield down, across, tile

    def _joined(self, down: int, across: int, row: int, col: int, values: NDArray) -> Piece | None:
        """Put a block that begins at (`row`, `col`) of a tile into it; the tile where that makes it complete."""
        rows, cols = self.shape(down, across)
        top, bottom = max(row, 0), min(row + values.shape[0], rows)
        left, right = max(col, 0), min(col + values.shape[1], cols)
        if self._complete[down, across]:
            raise ValueError(f"values: the tile of {self._where(down, across)} was complete before the block")
        tile, has_come = self._begun.pop((down, across), (None, None))
        if tile is None or has_come is None:
            if (bottom - top, right - left) == (rows, cols):
                return Piece(values, -row, -col, rows, cols)
            tile, has_come = np.empty((rows, cols), dtype=self._dtype), np.zeros((rows, cols), dtype=np.bool_)
        if has_come[top:bottom, left:right].any():
            raise ValueError(f"values: some pixels of the block in {self._where(down, across)} came before")
        tile[top:bottom, left:right] = values[top - row : bottom - row, left - col : right - col]
        has_come[top:bottom, left:right] = True
        if has_come.all():
            return Piece(tile, 0, 0, rows, cols)
        self._begun[down, across] = tile, has_come
        return None

    def _where(self, down: int, across: int) -> str:
        """The pixels of a tile, in words."""
        (top, left), (rows, cols) = (down * TILE, across * TILE), self.shape(down, across)
        return f"rows {top} to {top + rows - 1}, columns {left} to {left + cols - 1}"


class TilesInPlace(FullTiles):
    """The full resolution where it stays: the first tile behind some room, each other one behind the one before it. One
    that comes before its turn waits in the spool. The disk takes its share while others are still made.
    """

    in_place = True

    def __init__(self, rows: int, cols: int, dtype: np.dtype, spool: Spool, path: Path, room: int) -> None:
        super().__init__(rows, cols, dtype, spool)
        self._file, self._next, self._end = FileIO(path, "w"), 0, room
        self._sent = room // SENT_AT_ONCE * SENT_AT_ONCE

    def store(self, down: int, across: int, content: bytes) -> None:
        """Write a compressed tile, and those that waited for it."""
        if (down, across) != self._turn():
            super().store(down, across, content)
            return
        write_at(self._file, self._end, content)
        self._is_written(len(content))
        while self._next < self._byte_counts.size and self._byte_counts[self._turn()]:
            start, size = int(self._offsets[self._turn()]), int(self._byte_counts[self._turn()])
            copy(self._spool.file, start, start + size, self._file, self._end)
            self._is_written(size)

    def _turn(self) -> tuple[int, int]:
        return divmod(self._next, self.grid[1])

    def _is_written(self, size: int) -> None:
        self._offsets[self._turn()], self._byte_counts[self._turn()] = self._end, size
        self._next, self._end = self._next + 1, self._end + size
        ready = self._end // SENT_AT_ONCE * SENT_AT_ONCE
        if ready > self._sent:
            send_off(self._file, self._sent, ready)
            self._sent = ready

    def close(self) -> None:
        """Close the file, which stays."""
        self._file.close()


@dataclass(frozen=True, slots=True, eq=False)
class Quarter:
    """Where in an overview's tile a tile of the resolution below it goes."""

    tile: NDArray
    down: int
    across: int


class HalvedTiles(_Tiles):
    """An overview, whose tiles come in quarters from several threads."""

    def __init__(self, rows: int, cols: int, dtype: np.dtype, spool: Spool) -> None:
        super().__init__(rows, cols, dtype, spool)
        self._lock = Lock()
        self._begun: dict[tuple[int, int], NDArray] = {}
        self._to_come = {
            place: -(-self.shape(*place)[0] // (TILE // 2)) * -(-self.shape(*place)[1] // (TILE // 2))
            for place in np.ndindex(self.grid)
        }

    def place(self, down: int, across: int) -> Quarter:
        """Where the tile (`down`, `across`) of the resolution below goes."""
        with self._lock:
            above = down // 2, across // 2
            if above not in self._begun:
                self._begun[above] = np.empty(self.shape(*above), dtype=self._dtype)
            return Quarter(self._begun[above], down % 2 * TILE // 2, across % 2 * TILE // 2)

    def has_all(self, down: int, across: int) -> bool:
        """Count one more quarter of a tile; true for the last one, and so for one thread only."""
        with self._lock:
            self._to_come[down, across] -= 1
            if self._to_come[down, across]:
                return False
            del self._begun[down, across]
            return True
