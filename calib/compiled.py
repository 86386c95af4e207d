"""numba's compiler, its cache of compiled code made for processes that compile at the same time.

Of the functions that stand in one file one process compiles at a time: another that needs one of them waits and finds
it in the cache, instead of spending the same seconds on it. That keeps the cache sound, too. It holds, for each
function, an index of the files with its variants. A process that adds a variant reads the index, takes the next free
number and writes both back. Two that did so at once, for different types of argument, took the same number: the index
of one then led to the code of the other, which was called with arguments it was not made for. No two processes wait for
each other: what a function calls stands in its own file or in one that it imports. All compiled code takes `njit` from
here, so that no process can do without the lock.

Code in the cache stands for a function's own file and for those it imports: what it calls is compiled into it, and
their constants. numba asks only whether the function's own file is the same; here the others are asked, too. What an
older version of the package has left, and cannot be read any more because it names modules or types that are gone,
counts as nothing.
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
njit = partial(numba.njit, no_cfunc_wrapper=True)  # without code for callers in C: there are none
bare = partial(njit, _nrt=False)  # for inner loops that make no array: none is counted each time it gets another name
PATIENCE_S = 120.0  # longer than one function takes: a process that was stopped keeps its lock
_PACKAGE = os.path.dirname(__file__)
_IMPORT = re.compile(r"^from calib\.([\w.]+) import (\([^)]*|.*)", re.MULTILINE)  # all imports of the house look so
_held: set[str] = set()  # files that this process's compiling thread has locked: compiling compiles what is called


def _one_process_at_a_time(method: Callable[..., Any]) -> Callable[..., Any]:
    """`Dispatcher.compile`, which looks into the cache, compiles what is not there and adds it, under the lock."""

    @wraps(method)
    def call(self: Any, *arguments: Any) -> Any:
        source = self.py_func.__code__.co_filename
        with global_compiler_lock:
            if source in _held or isinstance(self._cache, NullCache):
                return method(self, *arguments)
            with held(source, wait=True, at_most_s=PATIENCE_S):
                _held.add(source)
                collects = gc.isenabled()
                gc.disable()  # compiling makes many small objects that stay: looking through them takes a sixteenth
                try:
                    return method(self, *arguments)
                finally:
                    if collects:
                        gc.enable()
                    _held.discard(source)

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


@cache
def _read(source: str) -> tuple[bytes, set[str]]:
    """Digest of a file's bytes, and the package's files that it imports when it is loaded."""
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
    """Digest of a file's bytes and of those of all of the package that it imports, directly or not."""
    found, waiting = set[str](), {source}
    while waiting:
        found |= waiting
        waiting = set[str]().union(*(_read(path)[1] for path in waiting)) - found
    return hashlib.sha256(b"".join(_read(path)[0] for path in sorted(found))).digest()


def _with_a_place(method: Callable[..., Any]) -> Callable[..., Any]:
    """`Dispatcher.enable_caching`, that says what is missing where no folder can hold compiled code."""

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
    """What numba tells when it compiles; it is not told what comes from the cache."""

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
    """Call `tell` when the first function is compiled that the cache does not hold."""
    with event.install_listener("numba:compile", _FirstCompiled(tell)):
        yield
