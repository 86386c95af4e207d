"""Caches decoded strips: a compressed strip that was read whole is kept as plain samples in an unnamed temporary file.

The fits read a strip several times, and film and map read it again; each time it would be decoded. The file lies in the
folder for temporary files (TMPDIR) and is as large as the uncompressed strips. It disappears with the frame it belongs
to, also when the process is killed. If there is no room for it, strips are decoded again, with the same values.
"""

import os
import weakref
from collections.abc import Callable, Hashable
from tempfile import TemporaryFile
from threading import Lock
from typing import IO

import numpy as np
from numpy.typing import NDArray

Lines = tuple[NDArray, NDArray[np.bool_]]  # samples (n_lines, n_samples), and mask of unreadable lines (n_lines,)


class DecodedStrips:
    """Decoded strips of a frame, by the state of their files; safe to read from several threads."""

    def __init__(self) -> None:
        self._writing = Lock()
        self._file: IO[bytes] | None = None
        self._start: dict[Hashable, tuple[int, NDArray[np.bool_]]] = {}
        self._has_room = True

    def __reduce__(self) -> tuple[type["DecodedStrips"], tuple[()]]:
        """A copy for another process starts empty."""
        return DecodedStrips, ()

    def read(
        self,
        state: Hashable,
        lines: tuple[int, int],
        shape: tuple[int, int],
        dtype: np.dtype,
        decode: Callable[[], Lines],
    ) -> Lines:
        """Samples and unreadable lines of `lines` (first and stop) of a strip of `shape` (n_lines, n_samples).

        They are taken from the cache, or else from `decode`. `state` identifies the strip and the version of its file.
        """
        known, file = self._start.get(state), self._file
        if known is None or file is None:
            found = decode()
            if lines == (0, shape[0]):
                self._keep(state, *found)
            return found
        start, lost = known
        kept = np.empty((lines[1] - lines[0], shape[1]), dtype)
        offset = start + lines[0] * shape[1] * dtype.itemsize
        whole = kept.size == 0 or os.preadv(file.fileno(), [kept.data.cast("B")], offset) == kept.nbytes
        return (kept, lost[slice(*lines)]) if whole else decode()

    def _keep(self, state: Hashable, values: NDArray, lost: NDArray[np.bool_]) -> None:
        """Append a whole strip to the file."""
        with self._writing:
            if state in self._start or not self._has_room:
                return
            try:
                if self._file is None:
                    self._file = TemporaryFile()  # noqa: SIM115 - closed with the last reference to this
                    weakref.finalize(self, self._file.close)
                start = self._file.seek(0, os.SEEK_END)
                self._file.write(np.ascontiguousarray(values).data)
                self._file.flush()
            except OSError:
                self._has_room = False
                return
            self._start[state] = start, lost
