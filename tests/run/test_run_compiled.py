"""Compiled code is kept where processes share it, for as long as nothing it was made of changes."""

import ast
import importlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

import pytest
from numba.core.caching import IndexDataCacheFile

import calib
from calib import compiled

PACKAGE = Path(calib.__file__).parent

KERNEL = """
from calib.compiled import njit
@njit(cache=True)
def twice(value):
    return 2 * value
"""
TWO = """
from calib.compiled import njit
@njit(cache=True)
def inner(value):
    return 2 * value
@njit(cache=True)
def outer(value):
    return inner(value) + 1
"""
ADD = """
import sys, time
from numba.core.caching import IndexDataCacheFile as Cache
from kernel import twice
look = Cache._load_index
def slow(self):
    found = look(self)
    time.sleep(0.7)
    return found
Cache._load_index = slow
print(flush=True)
value = eval(sys.stdin.readline())
print(twice(value), sum(twice.stats.cache_hits.values()))
"""


@pytest.mark.parametrize(("values", "taken"), [((1, 2), 1), ((1, 1.5), 0)])
def test_two_processes_share_what_they_compile(tmp_path: Path, values: tuple[float, float], taken: int) -> None:
    """Both ask at once: of the same types one takes what the other made, of others neither gets the other's."""
    (tmp_path / "kernel.py").write_text(KERNEL)
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
    for hits in (taken, 2):  # the second time all is there
        both = [subprocess.Popen([sys.executable, "-c", ADD], cwd=tmp_path, **pipes) for _ in values]
        for process in both:
            process.stdout.readline()
        for process, value in zip(both, values, strict=True):
            process.stdin.write(f"{value}\n")
            process.stdin.flush()
        said = [process.communicate()[0].split() for process in both]
        assert [float(twice) for twice, _ in said] == [2 * value for value in values]
        assert sum(int(count) for _, count in said) == hits


def test_what_a_function_calls_of_its_own_file_is_compiled_under_the_same_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked for once more, the lock of a file would be waited for by the process that holds it, for two minutes each
    time a function calls another of its file."""
    (tmp_path / "two_functions.py").write_text(TWO)
    monkeypatch.syspath_prepend(tmp_path)
    asked: list[str] = []

    @contextmanager
    def held(source: str, **_: object) -> Iterator[None]:
        asked.append(Path(source).name)
        yield

    monkeypatch.setattr(compiled, "held", held)
    two = importlib.import_module("two_functions")
    assert (two.outer(2), asked) == (5, ["two_functions.py"])
    assert (two.outer(2.5), asked) == (6.0, ["two_functions.py"] * 2)  # and it was given back


def test_compiled_code_that_refers_to_what_is_gone_is_made_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An update took a module away: code kept from before it, for types of its own or calling it, ended each run."""
    gone = ModuleType("gone")
    gone.Type = type("Type", (str,), {"__module__": "gone"})  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "gone", gone)
    by_type, by_code = (IndexDataCacheFile(str(tmp_path), name, 1) for name in "fg")
    by_type.save(gone.Type("a"), "old")
    by_code.save("a", gone.Type("old"))
    monkeypatch.delitem(sys.modules, "gone")
    for cache in (by_type, by_code):
        assert cache.load("a") is None
        cache.save("a", "new")
        assert cache.load("a") == "new"


def test_that_code_is_compiled_is_told_once() -> None:
    """A fresh copy stood for minutes at a bar that did not move."""
    told: list[str] = []
    with compiled.when_compiling(lambda: told.append("compiling")):
        twice = compiled.njit(lambda value: 2 * value)
        assert (twice(1), twice(2.0), told) == (2, 4.0, ["compiling"])
    told.clear()
    with compiled.when_compiling(lambda: told.append("compiling")):
        assert (twice(1), told) == (2, [])


CALLER = """
from calib.compiled import njit
from calib.size import SIZE
@njit(cache=True)
def size():
    return SIZE
if __name__ == "__main__":
    import calib.caller
    print(calib.caller.size(), sum(calib.caller.size.stats.cache_hits.values()), end="")
"""


@pytest.fixture
def small_package(tmp_path: Path) -> Path:
    """A package that is called calib and holds only what compiling takes, a function and a constant of another file."""
    package = tmp_path / "calib"
    package.mkdir()
    for name in ("compiled", "errors", "folder_lock"):
        shutil.copy(PACKAGE / f"{name}.py", package)
    (package / "__init__.py").touch()
    (package / "size.py").write_text("SIZE = 2")
    (package / "caller.py").write_text(CALLER)
    return package


def ask(package: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "calib.caller"], cwd=package.parent, capture_output=True, text=True,
        env={**os.environ, "PYTHONPATH": str(package.parent), **environment},
    )  # fmt: skip


def test_code_is_made_anew_when_what_it_imports_has_changed(small_package: Path) -> None:
    """numba compares only the function's own file: after an update of another a kept kernel went on as before it."""
    assert [ask(small_package).stdout for _ in range(2)] == ["2 0", "2 1"]
    (small_package / "size.py").write_text("SIZE = 3")
    assert [ask(small_package).stdout for _ in range(2)] == ["3 0", "3 1"]


def test_where_compiled_code_can_be_kept_nowhere_is_said(small_package: Path, tmp_path: Path) -> None:
    """An installation that cannot be written, used by someone without a home."""
    (small_package / "__pycache__").touch()
    (tmp_path / "home").touch()
    nowhere = ask(small_package, HOME=str(tmp_path / "home"), XDG_CACHE_HOME=str(tmp_path / "home" / "cache"))
    assert f"found no folder to keep compiled code in (neither {small_package} nor the home" in nowhere.stderr
    assert ask(small_package, NUMBA_CACHE_DIR=str(tmp_path / "code")).stdout == "2 0"


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_the_files_that_a_file_imports_are_found(path: Path) -> None:
    """What is read of the imports, as quickly as each start asks for, is what the parser reads."""
    expected = set()
    for node in ast.parse(path.read_text()).body:
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("calib."):
            module = PACKAGE.joinpath(*str(node.module).split(".")[1:])
            expected |= {module.with_suffix(".py"), module / "__init__.py"}
            expected |= {module / f"{alias.name}.py" for alias in node.names}
    assert {Path(found) for found in compiled._read(str(path))[1]} == {path for path in expected if path.exists()}
