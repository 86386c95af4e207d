"""Writes raster products block by block; only incomplete tiles are in memory, whatever the frame's size.

Every raster is a cloud-optimised GeoTIFF with overviews. Its bytes depend only on its values, not on the blocks in
which they were written or the number of threads.
"""

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from calib.ordered import workers
from calib.products.atomic import atomic_file
from calib.products.cog import assemble
from calib.products.packing import compressed_tile
from calib.products.pyramid import FLOAT32_MANTISSA_BITS, Piece, halve, screen_reduction
from calib.products.tile_store import FullTiles, HalvedTiles, Spool, TilesInPlace
from calib.products.tiles import TILE, RasterLayout, overview_tags, raster_tags

MAX_SPOOLED_TILES = 32  # the tiles of rasters with no more than this are all spooled, so that their files have no gap

Compressed = list[tuple[int, int, bytes]]  # tiles of the full resolution: row and column in the grid of tiles, bytes

_BITS_SAVED = 3  # by compression, per float of an overview, of the bits that it keeps; approximate


@dataclass(frozen=True, slots=True)
class RasterSpec:
    """A raster product: its path, header and precision.

    `layout.dtype` is float32 (NaN: no data) or uint16 (bit mask). Floats are stored with a relative error of at most
    2^-(mantissa_bits + 1), in the overviews with `overview_bits` instead; 23 keeps every bit.
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
    """Writes a raster from blocks that come in any order.

    A tile is compressed as soon as it is complete, by the thread that completed it, while it is in that thread's cache;
    so are the overview tiles above it. Only incomplete tiles are kept in memory (none of the full resolution if blocks
    are whole tiles). Blocks whose tiles come row by row cost least.

    `picture` is the raster at the finest resolution that fits a screen, with all bits of floats; it is complete once
    all blocks are.
    """

    def __init__(self, spec: RasterSpec, temporary: Path) -> None:
        self._spec, self._path, self._lock = spec, temporary, Lock()
        self._spool = Spool(temporary.with_name(f"{temporary.name}.tiles"))
        rows, cols = spec.layout.rows, spec.layout.cols
        self._picture_reduction = screen_reduction(rows, cols)
        self.picture = np.empty(
            (-(-rows // self._picture_reduction), -(-cols // self._picture_reduction)), spec.layout.dtype
        )
        self._overviews: list[HalvedTiles] = []
        while max(rows, cols) > TILE:
            rows, cols = (rows + 1) // 2, (cols + 1) // 2
            self._overviews.append(HalvedTiles(rows, cols, spec.layout.dtype, self._spool))
        self._full = self._full_tiles()

    def _full_tiles(self) -> FullTiles:
        """The store of full-resolution tiles: spooled for small rasters; else in place, after a gap of the overviews'
        likely size."""
        rows, cols, dtype = self._spec.layout.rows, self._spec.layout.cols, self._spec.layout.dtype
        if -(-rows // TILE) * -(-cols // TILE) <= MAX_SPOOLED_TILES:
            return FullTiles(rows, cols, dtype, self._spool)
        pixels = sum(overview.rows * overview.cols for overview in self._overviews)
        bits = max(self._spec.overview_bits - _BITS_SAVED, 0) if dtype == np.float32 else 0
        return TilesInPlace(rows, cols, dtype, self._spool, self._path, pixels * bits // 8)

    def write_block(self, row: int, col: int, values: NDArray) -> None:
        """Write `values` (R, C) with the first pixel at (`row`, `col`), one thread at a time; every pixel once.

        Raises ValueError if the block does not fit, has another dtype, or holds pixels written before.
        """
        self.store(self.compressed(row, col, values))

    def compressed(self, row: int, col: int, values: NDArray) -> Compressed:
        """The first half of `write_block`, safe for several threads at once: compress the tiles that a block
        completes."""
        if values.dtype != self._spec.layout.dtype:
            raise ValueError(f"values: found {values.dtype}, the raster holds {self._spec.layout.dtype}")
        with self._lock:
            completed = list(self._full.add_block(row, col, np.ascontiguousarray(values)))
        return [(down, across, self._compress(down, across, tile)) for down, across, tile in completed]

    def store(self, tiles: Compressed) -> None:
        """The second half of `write_block`: store the tiles, one thread at a time. In raster order none is copied."""
        for tile in tiles:
            self._full.store(*tile)

    def _compress(self, down: int, across: int, tile: Piece) -> bytes:
        """Pass a tile on to the overviews and compress it, while it is in the processor's cache."""
        self._reduce(down, across, tile)
        return compressed_tile(tile, TILE, self._spec.mantissa_bits)

    def _reduce(self, down: int, across: int, tile: Piece) -> None:
        """Add a tile to the overviews, and spool each overview tile that it completes."""
        reduction = 1
        self._add_to_picture(down, across, tile, reduction)
        for overview in self._overviews:
            quarter = overview.quarter(down, across)
            halve(tile, quarter.tile, quarter.down, quarter.across)
            down, across = down // 2, across // 2
            if not overview.completes(down, across):
                break
            tile, reduction = Piece(quarter.tile, 0, 0, *quarter.tile.shape), 2 * reduction
            self._add_to_picture(down, across, tile, reduction)
            overview.store(down, across, compressed_tile(tile, TILE, self._spec.overview_bits))

    def _add_to_picture(self, down: int, across: int, tile: Piece, reduction: int) -> None:
        """Copy a tile of the picture's resolution into the picture."""
        if reduction == self._picture_reduction:
            into = self.picture[down * TILE :, across * TILE :][: tile.rows, : tile.cols]
            into[:] = tile.values[tile.top : tile.top + tile.rows, tile.left : tile.left + tile.cols]

    def finish(self) -> None:
        """Assemble the file. Raises ValueError if pixels are missing."""
        layout, levels = self._spec.layout, (self._full, *self._overviews)
        overviews = [overview_tags(overview.rows, overview.cols, layout.dtype) for overview in self._overviews]
        tags = [raster_tags(layout), *overviews]
        assemble(self._path, self._spool.path, [level.as_level(of) for level, of in zip(levels, tags, strict=True)])

    def close(self) -> None:
        """Remove the spooled tiles."""
        self._full.close()
        self._spool.close()


@contextmanager
def raster(spec: RasterSpec) -> Iterator[RasterWriter]:
    """Context that gives a raster's writer; on leaving, the file is at its path, complete, or not at all."""
    with rasters({"": spec}) as writers:
        yield writers[""]


@contextmanager
def rasters(specs: Mapping[str, RasterSpec], threads: int = 1) -> Iterator[dict[str, RasterWriter]]:
    """The same for several rasters at once, assembled by `threads` threads.

    All blocks must be written before the context is left.
    """
    with ExitStack() as stack:
        writers = {}
        for name, spec in specs.items():
            writers[name] = RasterWriter(spec, stack.enter_context(atomic_file(spec.path)))
            stack.callback(writers[name].close)
        yield writers
        with workers(threads) as pool:  # leaving waits for all writers, also when one has failed
            for done in [pool.submit(writer.finish) for writer in writers.values()]:
                done.result()
