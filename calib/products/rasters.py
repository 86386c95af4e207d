"""Writes raster products block by block; only incomplete tiles are in memory, whatever the frame's size.

Every raster is a cloud-optimised GeoTIFF with overviews. Its bytes depend on its values alone, not on the blocks
they came in nor on the number of threads.
"""

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from calib.ordered import workers
from calib.products.atomic import whole
from calib.products.cog import assemble
from calib.products.packing import packed
from calib.products.pyramid import FLOAT32_MANTISSA_BITS, Piece, halve, seen_from
from calib.products.tile_store import FullTiles, HalvedTiles, Spool, TilesInPlace
from calib.products.tiles import TILE, RasterLayout, overview_tags, raster_tags

MOST_COPIED = 32  # tiles of a raster so small that all are spooled, for its file to have no gap

Compressed = list[tuple[int, int, bytes]]  # tiles of the full resolution: place down and across among them, and bytes

_BITS_SAVED = 3  # an overview's float takes about so many bits less than it keeps


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
    """Takes a raster's blocks in any order.

    A tile is compressed as soon as all its pixels have come, by the thread that brings the last of them, which still
    has them at hand, and so are the overviews' tiles above it. Memory is the tiles that are begun and not complete
    (blocks that are whole tiles leave none in the full resolution). Blocks whose tiles come row by row cost least.

    `picture` is the raster as a screen can show it, whole once all blocks have come: the finest of its resolutions that
    is no larger, floats with all their bits.
    """

    def __init__(self, spec: RasterSpec, aside: Path) -> None:
        self._spec, self._aside, self._lock = spec, aside, Lock()
        self._spool = Spool(aside.with_name(f"{aside.name}.tiles"))
        rows, cols = spec.layout.rows, spec.layout.cols
        self._reduced = seen_from(rows, cols)
        self.picture = np.empty((-(-rows // self._reduced), -(-cols // self._reduced)), spec.layout.dtype)
        self._overviews: list[HalvedTiles] = []
        while max(rows, cols) > TILE:
            rows, cols = (rows + 1) // 2, (cols + 1) // 2
            self._overviews.append(HalvedTiles(rows, cols, spec.layout.dtype, self._spool))
        self._full = self._full_tiles()

    def _full_tiles(self) -> FullTiles:
        """Tiles in place, where copying would cost time, behind as much room as the overviews are likely to take."""
        rows, cols, dtype = self._spec.layout.rows, self._spec.layout.cols, self._spec.layout.dtype
        if -(-rows // TILE) * -(-cols // TILE) <= MOST_COPIED:
            return FullTiles(rows, cols, dtype, self._spool)
        pixels = sum(overview.rows * overview.cols for overview in self._overviews)
        bits = max(self._spec.overview_bits - _BITS_SAVED, 0) if dtype == np.float32 else 0
        return TilesInPlace(rows, cols, dtype, self._spool, self._aside, pixels * bits // 8)

    def write_block(self, row: int, col: int, values: NDArray) -> None:
        """Put `values` (R, C) with its first pixel at (`row`, `col`), from one thread at a time. Every pixel is written
        once."""
        self.store(self.compressed(row, col, values))

    def compressed(self, row: int, col: int, values: NDArray) -> Compressed:
        """The first half of `write_block`, which several threads may do at once: compress the tiles that a block
        completes."""
        if values.dtype != self._spec.layout.dtype:
            raise ValueError(f"values: found {values.dtype}, the raster holds {self._spec.layout.dtype}")
        with self._lock:
            whole = list(self._full.complete(row, col, np.ascontiguousarray(values)))
        return [(down, across, self._finished(down, across, tile)) for down, across, tile in whole]

    def store(self, tiles: Compressed) -> None:
        """The second half: put the tiles in, one thread at a time; in the order of the raster nothing is copied."""
        for tile in tiles:
            self._full.store(*tile)

    def _finished(self, down: int, across: int, tile: Piece) -> bytes:
        """Pass a tile on to the overviews and compress it, while it is in the processor's cache."""
        self._reduce(down, across, tile)
        return packed(tile, TILE, self._spec.mantissa_bits)

    def _reduce(self, down: int, across: int, tile: Piece) -> None:
        """Spool each overview's tile above a tile whose last part it is."""
        reduced = 1
        self._see(down, across, tile, reduced)
        for overview in self._overviews:
            into = overview.place(down, across)
            halve(tile, into.tile, into.down, into.across)
            down, across = down // 2, across // 2
            if not overview.has_all(down, across):
                break
            tile, reduced = Piece(into.tile, 0, 0, *into.tile.shape), 2 * reduced
            self._see(down, across, tile, reduced)
            overview.store(down, across, packed(tile, TILE, self._spec.overview_bits))

    def _see(self, down: int, across: int, tile: Piece, reduced: int) -> None:
        """Copy a tile of the picture's resolution into the picture."""
        if reduced == self._reduced:
            into = self.picture[down * TILE :, across * TILE :][: tile.rows, : tile.cols]
            into[:] = tile.values[tile.top : tile.top + tile.rows, tile.left : tile.left + tile.cols]

    def finish(self) -> None:
        """Put the file together; pixels that never came are an error."""
        layout, levels = self._spec.layout, (self._full, *self._overviews)
        tags = [raster_tags(layout), *(overview_tags(its.rows, its.cols, layout.dtype) for its in self._overviews)]
        placed = [level.as_level(its) for level, its in zip(levels, tags, strict=True)]
        assemble(self._aside, self._spool.path, placed)

    def close(self) -> None:
        """Remove the spooled tiles."""
        self._full.close()
        self._spool.close()


@contextmanager
def raster(spec: RasterSpec) -> Iterator[RasterWriter]:
    """Write a raster whole or not at all: blocks inside the `with`, the file at its place on leaving it."""
    with rasters({"": spec}) as writers:
        yield writers[""]


@contextmanager
def rasters(specs: Mapping[str, RasterSpec], threads: int = 1) -> Iterator[dict[str, RasterWriter]]:
    """The same for several rasters at once, which are put together by so many threads. Whoever writes blocks has come
    to an end before the `with` is left."""
    with ExitStack() as stack:
        writers = {}
        for name, spec in specs.items():
            writers[name] = RasterWriter(spec, stack.enter_context(whole(spec.path)))
            stack.callback(writers[name].close)
        yield writers
        with workers(threads) as pool:  # none may still be writing when another has failed
            for done in [pool.submit(writer.finish) for writer in writers.values()]:
                done.result()
