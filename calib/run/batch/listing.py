"""Reads the list of a batch's frames, a text file of paths or a folder of packages, and checks it."""

import os
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from os.path import isdir, isfile  # false, not an error, for a name that is too long for any file
from pathlib import Path

from calib.errors import InputError
from calib.frame.files import DESCRIPTION, text_of
from calib.frame.gathered import collecting, joined
from calib.frame.words import quoted

PACKAGE = f"a frame package: its {DESCRIPTION}, or the folder that holds it"
LONGEST_NAME = 200  # bytes, of the 255 that most systems allow for a folder's name


@dataclass(frozen=True, slots=True)
class Listed:
    """A frame of a batch: `name` of the folder for its products, and full path of its description, `package`."""

    name: str
    package: Path


def read_list(path: Path) -> tuple[Listed, ...]:
    """The frames that `path` names, in the order of the file, or by name in a folder.

    A text file has one path per line, relative to the file; empty lines and lines that begin with # are skipped. In a
    folder, every subfolder with a frame.toml counts. Descriptions are not checked here: a broken one makes a failed
    frame that is named after its package.

    Raises:
        InputError: there is no list, or it is empty; or, reported together: paths without a package, packages listed
            twice, names that two frames share or that cannot be the name of a folder.
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
        with collecting(mistakes):
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
        raise joined(mistakes)
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
    """Full path of the description of the package that is `written` in the list at `path`."""
    if not written.isprintable():
        raise InputError(path, where, quoted(written), PACKAGE)
    package = folder / written
    description = package / DESCRIPTION if isdir(package) else package
    if not isfile(description):
        raise InputError(path, where, f"{quoted(written)}, where there is none", PACKAGE)
    return Path(os.path.realpath(description))


def _name_of(package: Path) -> str:
    """The name in the description; if none can be read, the name of the folder or file that holds it."""
    try:
        stated = tomllib.loads(text_of(package, "TOML in UTF-8")).get("name")
    except (InputError, ValueError, RecursionError):  # reported when it is this frame's turn
        stated = None
    if isinstance(stated, str) and stated.strip():
        return stated
    return package.parent.name if package.name == DESCRIPTION else package.stem


def _check_name(name: str, path: Path, where: str) -> None:
    is_plain = name.isprintable() and not set(name) & set('/\\:*?"<>|') and not name.startswith(".")
    if not is_plain or name != name.strip() or len(name.encode()) > LONGEST_NAME:
        raise InputError(path, where, f"a frame called {quoted(name)}", "a name that a folder may have")
