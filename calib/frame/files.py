"""Where the files of a frame package are, whether they may be read, and their text."""

import os
from pathlib import Path, PurePosixPath, PureWindowsPath

from calib.errors import InputError
from calib.frame.words import quoted

DESCRIPTION = "frame.toml"  # of a package, in its folder
LARGEST_TEXT = 16 * 2**20  # bytes; a description or a table of points is a thousand times smaller


def territory(frame_file: Path) -> Path:
    """The folder that no path of the package may leave: the parent of the frame's folder, links resolved."""
    return Path(os.path.realpath(frame_file.parent)).parent


def is_within(root: Path, path: Path) -> bool:
    """Whether `path` ends inside `root`, links and ``..`` resolved."""
    return Path(os.path.realpath(path)).is_relative_to(root)


def relative(written: str, root: Path, named_in: Path, key: str, expected: str) -> Path:
    """The place that a path written in the file `named_in` means; it need not exist.

    Raises `InputError` where it is empty, absolute, or leads out of `root`.
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
    """As `relative`, for a file that must be there."""
    place = relative(written, root, named_in, key, expected)
    if not os.path.isfile(place):
        what = "is a folder" if os.path.isdir(place) else "is not there"
        raise InputError(named_in, key, f"{quoted(written)}, which {what}", expected)
    return place


def text_of(path: Path, expected: str) -> str:
    """The text of a UTF-8 file, a byte order mark left out."""
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
