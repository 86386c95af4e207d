"""Writes and copies parts of files at given offsets."""

import os
from ctypes import c_int64
from io import FileIO

from calib.c_library import tell

_COPY_BYTES = 2**24  # bytes per call of sendfile(2)
_SYNC_FILE_RANGE_WRITE = 2  # flag of sync_file_range(2), as in fcntl.h of the GNU C library


def write_at(out: FileIO, at: int, content: bytes) -> None:
    """Write all of `content` from byte `at` on; safe for several threads at once."""
    left = memoryview(content)
    while left:
        left = left[os.pwrite(out.fileno(), left, at + len(content) - len(left)) :]


def copy(source: FileIO, start: int, stop: int, out: FileIO, at: int) -> None:
    """Copy bytes `start` to `stop` - 1 to byte `at` of `out`, which may be the same file; one thread at a time.

    Raises OSError if the source ends before.
    """
    out.seek(at)
    while start < stop:
        copied = os.sendfile(out.fileno(), source.fileno(), start, min(_COPY_BYTES, stop - start))
        if copied == 0:
            raise OSError(f"{source.name!r}: ends before byte {stop}")
        start += copied


def start_writeback(out: FileIO, start: int, stop: int) -> None:
    """Ask the system to start writing bytes `start` to `stop` - 1 to disk, so that the final fsync waits less.

    This is only a hint; where the C library has no such function, fsync does all the work.
    """
    tell("sync_file_range", out.fileno(), c_int64(start), c_int64(stop - start), _SYNC_FILE_RANGE_WRITE)
