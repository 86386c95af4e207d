"""A folder that one process at a time works in. The lock leaves no file behind and ends with its process."""

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
# What file systems say that cannot lock a folder (some network ones): there the lock is done without.
_CANNOT = {EBADF, EINVAL, ENOLCK, ENOTSUP}


@contextmanager
def held(folder: str | Path, *, wait: bool, at_most_s: float = math.inf) -> Iterator[None]:
    """Hold `folder`, or a file, which must exist; another holder is waited for with `wait`, and a mistake without.

    One that holds it for longer than `at_most_s` seconds, because it was stopped, say, is waited for no more: what
    follows is then done without the lock.

    Raises:
        InputError: another process holds it and `wait` is not set.
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
