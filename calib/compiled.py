"""numba's compiler, its cache of compiled code made safe for processes that compile at the same time.

The cache keeps, for each function, an index of the files with its variants. A process that adds a variant reads the
index, takes the next free number and writes both back. Two that do so at once, for different types of argument, take
the same number: the index of one then leads to the code of the other, which is called with arguments it was not made
for. One lock around each look and each addition forbids that. All compiled code takes `njit` from here, so that no
process can do without the lock. What an older version of the package has left there, and cannot be read any more
because it names modules or types that are gone, counts as nothing.
"""

import os
from collections.abc import Callable
from functools import partial, wraps
from threading import RLock
from typing import Any

import numba
from numba.core.caching import IndexDataCacheFile

from calib.folder_lock import held

__all__ = ["bare", "njit"]
njit = partial(numba.njit, no_cfunc_wrapper=True)  # without code for callers in C: there are none
bare = partial(njit, _nrt=False)  # for inner loops that make no array: none is counted each time it gets another name
_OWN = RLock()  # of this process's threads
_held: set[str] = set()  # folders that the thread with _OWN holds: unpickling code may look for other code


def _locked(method: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(method)
    def call(self: Any, *arguments: Any) -> Any:
        folder = self._cache_path
        with _OWN:
            if folder in _held or not os.path.isdir(folder):  # before its folder is made there is nothing to mix up
                return method(self, *arguments)
            with held(folder, wait=True):
                _held.add(folder)
                try:
                    return method(self, *arguments)
                finally:
                    _held.discard(folder)

    return call


def _nothing_if_gone(method: Callable[..., Any], nothing: Callable[[], Any]) -> Callable[..., Any]:
    """What finds nothing where what is kept refers to a module or a name that an update has taken away."""

    @wraps(method)
    def call(self: Any, *arguments: Any) -> Any:
        try:
            return method(self, *arguments)
        except (ImportError, AttributeError):
            return nothing()

    return call


for _name, _nothing in (("_load_index", dict), ("load", lambda: None)):
    setattr(IndexDataCacheFile, _name, _nothing_if_gone(getattr(IndexDataCacheFile, _name), _nothing))
for _name in ("load", "save"):
    setattr(IndexDataCacheFile, _name, _locked(getattr(IndexDataCacheFile, _name)))
