"""Parts of files written, and copied from one file to another by the system, at places that are given."""

import os
from ctypes import c_int64
from io import FileIO

from calib.c_library import tell

_AT_ONCE = 2**24
_BEGIN_TO_WRITE = 2  # option of sync_file_range(2), numbered as in fcntl.h of the GNU C library


def write_at(out: FileIO, at: int, content: bytes) -> None:
    """Write all of `content` from byte `at` on; several threads may do so at once."""
    left = memoryview(content)
    while left:
        left = left[os.pwrite(out.fileno(), left, at + len(content) - len(left)) :]


def copy(source: FileIO, start: int, stop: int, out: FileIO, at: int) -> None:
    """Copy the bytes from `start` to `stop` to byte `at` of `out`, which may be the same file: one thread at a time."""
    out.seek(at)
    while start < stop:
        copied = os.sendfile(out.fileno(), source.fileno(), start, min(_AT_ONCE, stop - start))
        if copied == 0:
            raise OSError(f"{source.name!r}: ends before byte {stop}")
        start += copied


def send_off(out: FileIO, start: int, stop: int) -> None:
    """Have the system begin to bring bytes `start` to `stop` to the disk, so that whoever makes sure of it in the end
    has little to wait for. Nothing is promised; C libraries that cannot do this leave it to that end.
    """
    tell("sync_file_range", out.fileno(), c_int64(start), c_int64(stop - start), _BEGIN_TO_WRITE)
