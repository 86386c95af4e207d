"""Locks a folder for one process at a time. The lock leaves no file behind and ends with its process."""

import fcntl
import math
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from errno import EBADF, EINVAL, ENOLCK, ENOTSUP
from pathlib import Path

from calib.errors import InputError

LOOK_AGAIN_S = 0.02
# errors of file systems that cannot lock a folder (some network ones); work then goes on without a lock
_CANNOT = {EBADF, EINVAL, ENOLCK, ENOTSUP}


@contextmanager
def held(folder: str | Path, *, wait: bool, at_most_s: float = math.inf) -> Iterator[None]:
    """Hold a lock on `folder`, or a file, which must exist. If another process holds it, wait if `wait` is set.

    After `at_most_s` seconds, for instance because the other process was stopped, the block runs without the lock.

    Raises:
        InputError: another process holds the lock and `wait` is not set.
    """
    handle = os.open(folder, os.O_RDONLY)
    try:
        _lock(handle, folder, wait, at_most_s)
        yield
    finally:
        os.close(handle)


def _lock(handle: int, folder: str | Path, wait: bool, at_most_s: float) -> None:
    given_up = time.monotonic() + at_most_s
    try:
        while True:
            try:
                return fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                if not wait:
                    held_by = "a folder in which another run is at work"
                    raise InputError(folder, "--out", held_by, "one of its own") from error
                if time.monotonic() > given_up:
                    return None
            time.sleep(LOOK_AGAIN_S)
    except OSError as error:
        if error.errno not in _CANNOT:
            raise
