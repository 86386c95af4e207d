"""Which frames a batch is to do: a text file of paths, or a folder of packages, checked before anything begins."""

import os
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from os.path import isdir, isfile  # a name longer than any file's is no file to these
from pathlib import Path

from calib.errors import InputError
from calib.frame.files import DESCRIPTION, text_of
from calib.frame.gathered import all_of, noted
from calib.frame.words import quoted

PACKAGE = f"a frame package: its {DESCRIPTION}, or the folder that holds it"
LONGEST_NAME = 200  # bytes; a folder's name may have 255 on most systems


@dataclass(frozen=True, slots=True)
class Listed:
    """A frame of a batch: `name` is its folder among the products, `package` its description, by its full path."""

    name: str
    package: Path


def read_list(path: Path) -> tuple[Listed, ...]:
    """The frames that `path` names, in its order (a folder's by name).

    A text file has one path a line, relative to the file itself; empty lines and lines that begin with # say nothing.
    Of a folder, every folder in it with a frame.toml counts. The descriptions are not checked here: one that is broken
    is a failed frame, called after its package.

    Raises:
        InputError: nothing is there or nothing is listed; or, all at once: paths that lead to no package, packages that
            are listed twice, names that two frames have or that cannot be a folder's.
    """
    is_folder = isdir(path)
    lines = tuple(_of_folder(path) if is_folder else _of_file(path))
    if not lines:
        found = "no frame package" if is_folder else "no path"
        raise InputError(path, "", found, "at least one frame to do")
    packages: dict[Path, str] = {}
    names: dict[str, str] = {}
    listed: list[Listed] = []
    mistakes: list[InputError] = []
    for where, written in lines:
        with noted(mistakes):
            package = _described(path if is_folder else path.parent, written, path, where)
            if package in packages:
                expected = f"each frame once; see {packages[package]}"
                raise InputError(path, where, f"{quoted(str(package))} again", expected)
            packages[package] = where
            name = _name_of(package)
            _check_name(name, path, where)
            if name in names:
                found = f"a second frame called {quoted(name)}"
                raise InputError(path, where, found, f"another name; see {names[name]}")
            names[name] = where
            listed.append(Listed(name, package))
    if mistakes:
        raise all_of(mistakes)
    return tuple(listed)


def _of_folder(folder: Path) -> Iterator[tuple[str, str]]:
    if (folder / DESCRIPTION).exists():
        raise InputError(folder, "", "one frame package", "a folder of packages, or a text file of their paths")
    for package in sorted(folder.iterdir()):
        if (package / DESCRIPTION).is_file():
            yield package.name, package.name


def _of_file(path: Path) -> Iterator[tuple[str, str]]:
    if not isfile(path):
        raise InputError(path, "", "nothing", "a text file of paths to frame packages, or a folder of packages")
    for number, line in enumerate(text_of(path, "a text of one path a line").splitlines(), start=1):
        written = line.strip()
        if written and not written.startswith("#"):
            yield f"line {number}", written


def _described(folder: Path, written: str, path: Path, where: str) -> Path:
    """The description, by its full path, of the package that the list at `path` means by what is `written` there."""
    if not written.isprintable():
        raise InputError(path, where, quoted(written), PACKAGE)
    package = folder / written
    description = package / DESCRIPTION if isdir(package) else package
    if not isfile(description):
        raise InputError(path, where, f"{quoted(written)}, where there is none", PACKAGE)
    return Path(os.path.realpath(description))


def _name_of(package: Path) -> str:
    """The name that the description states; where it states none that can be read, what its place is called."""
    try:
        stated = tomllib.loads(text_of(package, "TOML in UTF-8")).get("name")
    except (InputError, ValueError, RecursionError):  # what is wrong with it is said when the frame's turn comes
        stated = None
    if isinstance(stated, str) and stated.strip():
        return stated
    return package.parent.name if package.name == DESCRIPTION else package.stem


def _check_name(name: str, path: Path, where: str) -> None:
    is_plain = name.isprintable() and not set(name) & set('/\\:*?"<>|') and not name.startswith(".")
    if not is_plain or name != name.strip() or len(name.encode()) > LONGEST_NAME:
        raise InputError(path, where, f"a frame called {quoted(name)}", "a name that a folder may have")
