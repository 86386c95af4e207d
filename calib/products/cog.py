"""A cloud-optimised GeoTIFF put together from tiles that are compressed already.

Order in the file: header, one directory after the other (full resolution first), then the tiles of the coarsest
overview up to those of the full resolution. Layout of the directories: TIFF 6.0, and BigTIFF where the offsets need it.
"""

import os
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from calib.products.tiles import Tag

_TILE_OFFSETS, _TILE_BYTE_COUNTS = 324, 325
_LONG, _LONG8 = 4, 16
_CLASSIC_LIMIT = 2**32 - 2**20
_COPY_BYTES = 2**24


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """One resolution: its tags, and where in a spool file its tiles lie, in row-major order of the tiles."""

    tags: tuple[Tag, ...]
    offsets: NDArray[np.int64]
    byte_counts: NDArray[np.int64]


def assemble(path: Path, spool: Path, levels: Sequence[Level]) -> None:
    """Write the file from its levels, full resolution first, and from their tiles in `spool`, and see it to the disk.

    The same tiles give the same bytes, in whatever order they lie in the spool.
    """
    data_bytes = sum(int(level.byte_counts.sum()) for level in levels)
    header_bytes = sum(16 * level.byte_counts.size + 4096 for level in levels)
    form = _Form(big=data_bytes + header_bytes > _CLASSIC_LIMIT)
    start = form.header_size + sum(form.directory_size(level) for level in levels)
    places, at = {}, start
    for index in reversed(range(len(levels))):
        counts = levels[index].byte_counts
        places[index] = at + np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)
        at += int(counts.sum())
    with path.open("wb") as out, spool.open("rb") as source:
        out.write(form.header())
        for index, level in enumerate(levels):
            is_last = index == len(levels) - 1
            out.write(form.directory(level, places[index], out.tell(), is_last=is_last))
        for index in reversed(range(len(levels))):
            _copy_tiles(levels[index], source, out)
        out.flush()
        os.fsync(out.fileno())


@dataclass(frozen=True, slots=True)
class _Form:
    """Classic TIFF or BigTIFF: the widths of its counts and offsets."""

    big: bool

    @property
    def header_size(self) -> int:
        return 16 if self.big else 8

    @property
    def _offset_code(self) -> str:
        return "Q" if self.big else "I"

    @property
    def _inline(self) -> int:
        return 8 if self.big else 4

    def header(self) -> bytes:
        if self.big:
            return struct.pack("<2sHHHQ", b"II", 43, 8, 0, self.header_size)
        return struct.pack("<2sHI", b"II", 42, self.header_size)

    def directory_size(self, level: Level) -> int:
        return len(self.directory(level, np.zeros_like(level.offsets), 0, is_last=True))

    def directory(self, level: Level, places: NDArray[np.int64], at: int, *, is_last: bool) -> bytes:
        """The directory with its long values behind it; the next one follows at once."""
        entries = sorted(self._with_tiles(level, places), key=lambda tag: tag.code)
        entry_size, count_code = (20, "Q") if self.big else (12, "H")
        table_size = struct.calcsize("<" + count_code) + entry_size * len(entries) + struct.calcsize(self._offset_code)
        table, values = struct.pack("<" + count_code, len(entries)), b""
        for tag in entries:
            table += struct.pack("<HH" + self._offset_code, tag.code, tag.dtype, tag.count)
            if len(tag.value) <= self._inline:
                table += tag.value.ljust(self._inline, b"\0")
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


def _copy_tiles(level: Level, source: BinaryIO, out: BinaryIO) -> None:
    """Copy the tiles in order; tiles that already lie one behind the other go in one piece."""
    ends = level.offsets + level.byte_counts
    breaks = np.flatnonzero(level.offsets[1:] != ends[:-1]) + 1
    firsts, lasts = np.concatenate([[0], breaks]), np.concatenate([breaks, [level.offsets.size]]) - 1
    for first, last in zip(firsts, lasts, strict=True):
        _copy(source, int(level.offsets[first]), int(ends[last]), out)


def _copy(source: BinaryIO, start: int, stop: int, out: BinaryIO) -> None:
    out.flush()
    while start < stop:
        copied = os.sendfile(out.fileno(), source.fileno(), start, min(_COPY_BYTES, stop - start))
        if copied == 0:
            raise OSError(f"{source.name}: ends before byte {stop}")
        start += copied
    out.seek(0, os.SEEK_END)
