"""Assembles a cloud-optimised GeoTIFF from compressed tiles.

Order in the file: header, directories (full resolution first), then the tiles from the coarsest overview to the full
resolution. The directories follow TIFF 6.0, or BigTIFF where the offsets need it.

Most of a large raster's bytes are never copied: the tiles of its full resolution are written to their final place,
after a gap reserved for everything that precedes them. The exact size of that is known only at the end. Then a few
tiles are moved: the last ones into the gap if it is too large (less than a tile of it remains), or the first ones to
the end of the file if it is too small. Readers find each tile by its offset.
"""

import os
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from io import FileIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.products.file_parts import copy, write_at
from calib.products.tiles import Tag

_TILE_OFFSETS, _TILE_BYTE_COUNTS = 324, 325
_LONG, _LONG8 = 4, 16
_CLASSIC_LIMIT = 2**32 - 2**22  # bytes; less than 2^32 because up to a tile of the gap may remain empty


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """One resolution: its tags and the places of its tiles, in row-major order: in a spool file or, if they are in
    place, one after the other in the final file.
    """

    tags: tuple[Tag, ...]
    offsets: NDArray[np.int64]
    byte_counts: NDArray[np.int64]
    in_place: bool = False


def assemble(path: Path, spool: Path, levels: Sequence[Level]) -> None:
    """Write the file from its levels, full resolution first, and from their tiles in `spool`, and flush it to disk.

    Only the full resolution may be in place. The same tiles give the same bytes, whatever their order in the spool.
    """
    data_bytes = sum(int(level.byte_counts.sum()) for level in levels)
    header_bytes = sum(16 * level.byte_counts.size + 4096 for level in levels)
    tiff = _TiffFormat(big=data_bytes + header_bytes > _CLASSIC_LIMIT)
    at = tiff.header_size + sum(tiff.directory_size(level) for level in levels)
    starts = [at + sum(int(level.byte_counts.sum()) for level in levels[index + 1 :]) for index in range(len(levels))]
    with FileIO(path, "r+" if levels[0].in_place else "w") as out, FileIO(spool) as source:
        # The full resolution first: tiles of it may have to be moved before others are written there.
        places = [_placed(level, source, out, start) for level, start in zip(levels, starts, strict=True)]
        head = tiff.header()
        for index, level in enumerate(levels):
            head += tiff.directory(level, places[index], len(head), is_last=index == len(levels) - 1)
        write_at(out, 0, head)
        os.fsync(out.fileno())


def _placed(level: Level, spool: FileIO, out: FileIO, at: int) -> NDArray[np.int64]:
    """Copy or move a level's tiles to their places, from byte `at` on; returns the places."""
    if level.in_place:
        return _rearranged(level, out, at)
    places: NDArray[np.int64] = at + np.cumsum(level.byte_counts) - level.byte_counts
    breaks = np.flatnonzero(level.offsets[1:] != level.offsets[:-1] + level.byte_counts[:-1]) + 1
    for tiles in np.split(np.arange(places.size), breaks):  # adjacent tiles are copied together
        start, stop = level.offsets[tiles[0]], level.offsets[tiles[-1]] + level.byte_counts[tiles[-1]]
        copy(spool, int(start), int(stop), out, int(places[tiles[0]]))
    return places


def _rearranged(level: Level, out: FileIO, at: int) -> NDArray[np.int64]:
    """Move tiles that are in place so that they begin at byte `at`: last ones into the room before them, or first ones
    out of the way; returns the places."""
    places, counts, room = level.offsets.copy(), level.byte_counts, int(level.offsets[0]) - at
    if room < 0:
        moved, to = slice(0, int(np.searchsorted(places, at))), max(at, int(places[-1] + counts[-1]))
    else:
        fitting = int(np.count_nonzero(np.cumsum(counts[::-1]) <= room))
        moved, to = slice(places.size - fitting, None), at
    if places[moved].size:
        start, size = int(places[moved][0]), int(counts[moved].sum())
        copy(out, start, start + size, out, to)
        places[moved] += to - start
    out.truncate(int((places + counts).max()))
    return places


@dataclass(frozen=True, slots=True)
class _TiffFormat:
    """Classic TIFF or BigTIFF, which differ in the widths of counts and offsets."""

    big: bool

    @property
    def header_size(self) -> int:
        return 16 if self.big else 8

    @property
    def _offset_code(self) -> str:
        return "Q" if self.big else "I"

    @property
    def _inline_bytes(self) -> int:
        return 8 if self.big else 4

    def header(self) -> bytes:
        if self.big:
            return struct.pack("<2sHHHQ", b"II", 43, 8, 0, self.header_size)
        return struct.pack("<2sHI", b"II", 42, self.header_size)

    def directory_size(self, level: Level) -> int:
        return len(self.directory(level, np.zeros_like(level.offsets), 0, is_last=True))

    def directory(self, level: Level, places: NDArray[np.int64], at: int, *, is_last: bool) -> bytes:
        """A directory at byte `at`, followed by the values too long for it; the next directory follows directly."""
        entries = sorted(self._with_tiles(level, places), key=lambda tag: tag.code)
        entry_size, count_code = (20, "Q") if self.big else (12, "H")
        table_size = struct.calcsize("<" + count_code) + entry_size * len(entries) + struct.calcsize(self._offset_code)
        table, values = struct.pack("<" + count_code, len(entries)), b""
        for tag in entries:
            table += struct.pack("<HH" + self._offset_code, tag.code, tag.dtype, tag.count)
            if len(tag.value) <= self._inline_bytes:
                table += tag.value.ljust(self._inline_bytes, b"\0")
            else:
                table += struct.pack("<" + self._offset_code, at + table_size + len(values))
                values += tag.value + b"\0" * (-len(tag.value) % 8)
        values += b"\0" * (-(table_size + len(values)) % 8)
        following = 0 if is_last else at + table_size + len(values)
        return table + struct.pack("<" + self._offset_code, following) + values

    def _with_tiles(self, level: Level, places: NDArray[np.int64]) -> list[Tag]:
        kept = [tag for tag in level.tags if tag.code not in (_TILE_OFFSETS, _TILE_BYTE_COUNTS)]
        width, dtype = ("<u8", _LONG8) if self.big else ("<u4", _LONG)
        counts = level.byte_counts.astype("<u4").tobytes()
        return [
            *kept,
            Tag(_TILE_OFFSETS, dtype, places.size, places.astype(width).tobytes()),
            Tag(_TILE_BYTE_COUNTS, _LONG, places.size, counts),
        ]
