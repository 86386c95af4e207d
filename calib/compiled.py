"""numba's compiler, with a cache of compiled code that is safe for processes compiling at the same time.

Only one process at a time compiles functions of a file: another that needs one of them waits and finds it in the cache,
instead of compiling it again. This also keeps the cache consistent. For each function it has an index of the files with
its variants. A process that adds a variant reads the index, takes the next free number and writes both. Two processes
that did so at once, for different argument types, took the same number: the index of one then led to the code of the
other, which was called with arguments of the wrong type. There is no deadlock, because a function calls only functions
of its own file or of files that it imports. All compiled code takes `njit` from here, so that the lock is always used.

Cached code is valid for the contents of a function's file and of those it imports, because called functions and
constants are compiled into it. numba checks only the function's own file; here the others are checked too. Entries of
older versions of the package that cannot be read because they name modules or types that no longer exist are ignored.
"""

import gc
import hashlib
import os
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache, partial, wraps
from typing import Any

import numba
from numba.core import event
from numba.core.caching import IndexDataCacheFile, NullCache, _SourceFileBackedLocatorMixin
from numba.core.compiler_lock import global_compiler_lock
from numba.core.dispatcher import Dispatcher

from calib.errors import CalibError
from calib.folder_lock import held

__all__ = ["bare", "njit", "when_compiling"]
njit = partial(numba.njit, no_cfunc_wrapper=True)  # without a wrapper for callers in C, because there are none
bare = partial(njit, _nrt=False)  # for inner loops that allocate no array: no reference counting
PATIENCE_S = 120.0  # longer than a function takes to compile: a stopped process keeps its lock
_PACKAGE = os.path.dirname(__file__)
_IMPORT = re.compile(r"^from calib\.([\w.]+) import (\([^)]*|.*)", re.MULTILINE)  # the form of all imports here
_held: set[str] = set()  # files locked by the compiling thread: compiling a function compiles its callees


def _one_process_at_a_time(method: Callable[..., Any]) -> Callable[..., Any]:
    """`Dispatcher.compile`, which loads a function from the cache or compiles and adds it, under the lock."""

    @wraps(method)
    def call(self: Any, *arguments: Any) -> Any:
        source = self.py_func.__code__.co_filename
        with global_compiler_lock:
            if source in _held or isinstance(self._cache, NullCache):
                return method(self, *arguments)
            with held(source, wait=True, at_most_s=PATIENCE_S):
                _held.add(source)
                collects = gc.isenabled()
                gc.disable()  # compiling makes many lasting objects: collection takes a sixteenth of the time
                try:
                    return method(self, *arguments)
                finally:
                    if collects:
                        gc.enable()
                    _held.discard(source)

    return call


def _nothing_if_gone(method: Callable[..., Any], nothing: Callable[[], Any]) -> Callable[..., Any]:
    """`method`, which returns `nothing()` if a cache entry refers to a module or a name that no longer exists."""

    @wraps(method)
    def call(self: Any, *arguments: Any) -> Any:
        try:
            return method(self, *arguments)
        except (ImportError, AttributeError):
            return nothing()

    return call


@cache
def _read(source: str) -> tuple[bytes, set[str]]:
    """Digest of a file's bytes, and the files of the package that it imports at the top."""
    with open(source, "rb") as file:
        text = file.read()
    imported = set[str]()
    for module, names in _IMPORT.findall(text.decode()):
        path = f"{_PACKAGE}/{module.replace('.', '/')}"
        if os.path.isdir(path):
            imported |= {f"{path}/__init__.py", *(f"{path}/{name}.py" for name in re.findall(r"\w+", names))}
        else:
            imported.add(f"{path}.py")
    return hashlib.sha256(text).digest(), {path for path in imported if os.path.exists(path)}


@cache
def _source_digest(source: str) -> bytes:
    """Digest of a file's bytes and of all files of the package that it imports, directly or indirectly."""
    found, waiting = set[str](), {source}
    while waiting:
        found |= waiting
        waiting = set[str]().union(*(_read(path)[1] for path in waiting)) - found
    return hashlib.sha256(b"".join(_read(path)[0] for path in sorted(found))).digest()


def _with_a_place(method: Callable[..., Any]) -> Callable[..., Any]:
    """`Dispatcher.enable_caching`, which raises a `CalibError` if no folder can hold compiled code."""

    @wraps(method)
    def call(self: Any) -> Any:
        try:
            return method(self)
        except RuntimeError as error:
            raise CalibError(
                f"found no folder to keep compiled code in (neither {_PACKAGE} nor the home folder's cache can be"
                " written), expected one of them, or the environment variable NUMBA_CACHE_DIR with another"
            ) from error

    return call


for _name, _nothing in (("_load_index", dict), ("load", lambda: None)):
    setattr(IndexDataCacheFile, _name, _nothing_if_gone(getattr(IndexDataCacheFile, _name), _nothing))
for _class, _name, _method in (
    (_SourceFileBackedLocatorMixin, "get_source_stamp", lambda locator: _source_digest(locator._py_file)),
    (Dispatcher, "enable_caching", _with_a_place(Dispatcher.enable_caching)),
    (Dispatcher, "compile", _one_process_at_a_time(Dispatcher.compile)),
):
    setattr(_class, _name, _method)


class _FirstCompiled(event.Listener):
    """Listener for the first compilation; functions from the cache do not count."""

    def __init__(self, tell: Callable[[], None]) -> None:
        self.tell: Callable[[], None] | None = tell

    def on_start(self, event: event.Event) -> None:
        tell, self.tell = self.tell, None
        if tell:
            tell()

    def on_end(self, event: event.Event) -> None:
        pass


@contextmanager
def when_compiling(tell: Callable[[], None]) -> Iterator[None]:
    """Call `tell` when a function that is not in the cache is compiled for the first time in the block."""
    with event.install_listener("numba:compile", _FirstCompiled(tell)):
        yield
