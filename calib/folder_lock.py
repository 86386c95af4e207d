"""A folder that one process at a time works in. The lock leaves no file behind and ends with its process."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from errno import EBADF, EINVAL, ENOLCK, ENOTSUP
from pathlib import Path

from calib.errors import InputError

# What file systems say that cannot lock a folder (some network ones): there the lock is done without.
_CANNOT = {EBADF, EINVAL, ENOLCK, ENOTSUP}


@contextmanager
def held(folder: str | Path, *, wait: bool) -> Iterator[None]:
    """Hold `folder`, which must exist; another holder is waited for with `wait`, and a mistake without.

    Raises:
        InputError: another process holds it and `wait` is not set.
    """
    handle = os.open(folder, os.O_RDONLY)
    try:
        _lock(handle, folder, wait)
        yield
    finally:
        os.close(handle)


def _lock(handle: int, folder: str | Path, wait: bool) -> None:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise InputError(folder, "--out", "a folder in which another run is at work", "one of its own") from error
    except OSError as error:
        if error.errno not in _CANNOT:
            raise
