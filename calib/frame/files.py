"""Resolves and checks paths in a frame package, and reads text files."""

import os
from pathlib import Path, PurePosixPath, PureWindowsPath

from calib.errors import InputError
from calib.frame.words import quoted

DESCRIPTION = "frame.toml"  # file name of a package's description
LARGEST_TEXT = 16 * 2**20  # bytes; descriptions and tables of points are a thousand times smaller


def allowed_root(frame_file: Path) -> Path:
    """The folder that no path in the package may leave: the parent of the frame's folder, with links resolved."""
    return Path(os.path.realpath(frame_file.parent)).parent


def is_within(root: Path, path: Path) -> bool:
    """Whether `path`, with links and ``..`` resolved, lies inside `root`."""
    return Path(os.path.realpath(path)).is_relative_to(root)


def relative(written: str, root: Path, named_in: Path, key: str, expected: str) -> Path:
    """The path that `written` in the file `named_in` refers to; it need not exist.

    Raises `InputError` if it is empty, absolute, or outside `root`.
    """
    inside = f"{expected}, inside the parent of the frame's folder"
    if not written.strip() or not written.isprintable():
        raise InputError(named_in, key, quoted(written), expected)
    if PurePosixPath(written).is_absolute() or PureWindowsPath(written).is_absolute():
        raise InputError(named_in, key, f"the absolute path {quoted(written)}", inside)
    place = named_in.parent / written
    if not is_within(root, place):
        raise InputError(named_in, key, f"{quoted(written)}, which leads out of it", inside)
    return place


def existing(written: str, root: Path, named_in: Path, key: str, expected: str) -> Path:
    """As `relative`, for a file that must exist."""
    place = relative(written, root, named_in, key, expected)
    if not os.path.isfile(place):
        what = "is a folder" if os.path.isdir(place) else "is not there"
        raise InputError(named_in, key, f"{quoted(written)}, which {what}", expected)
    return place


def text_of(path: Path, expected: str) -> str:
    """The text of a UTF-8 file, without a byte order mark. Raises `InputError`."""
    try:
        with open(path, "rb") as file:
            content = file.read(LARGEST_TEXT + 1)
    except OSError as error:
        raise InputError(path, "", f"a file that cannot be read ({error.strerror})", expected) from error
    if len(content) > LARGEST_TEXT:
        raise InputError(path, "", f"more than {LARGEST_TEXT >> 20} MiB", expected)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(path, "", f"a byte that is not UTF-8 at offset {error.start}", expected) from error
