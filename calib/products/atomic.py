"""A product is written whole or not at all: beside its place under a hidden name, then renamed."""

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from calib.errors import NO_ROOM

# `.density.tif.4711.part`: the product, and the process that is writing it. What a library adds behind
# such a name (a journal, a side file) belongs to it.
_LEFTOVER = re.compile(r"^\..+\.(?P<process>\d+)\.part(\..+)?$")


@contextmanager
def whole(path: str | Path) -> Iterator[Path]:
    """Give a place to write to; on leaving, what stands there becomes `path` in one step.

    The place is a hidden file in the same folder, which must exist. If the block raises, the hidden file is removed
    and whatever stood at `path` stays as it was; a disk that takes no more is said with the folder's name.
    """
    path = Path(path)
    aside = path.with_name(f".{path.name}.{os.getpid()}.part")
    aside.unlink(missing_ok=True)
    try:
        yield aside
        _flush_to_disk(aside)
        os.replace(aside, path)
        _flush_to_disk(path.parent)
    except OSError as error:
        if error.errno in NO_ROOM and error.filename is None:  # to write says no more than that it failed
            error.filename = str(path.parent)
        raise
    finally:
        for leftover in path.parent.glob(f"{aside.name}*"):
            leftover.unlink()


def write_text(path: str | Path, text: str) -> None:
    """Write a text product (UTF-8, line ends as they are) whole or not at all."""
    with whole(path) as aside:
        aside.write_bytes(text.encode("utf-8"))


def remove_leftovers(folder: str | Path) -> tuple[Path, ...]:
    """Remove what killed runs left in `folder` and the folders in it; what was removed.

    A hidden part whose process still lives is another run's work and stays. One with this process's own number is
    a leftover too: process numbers come round again, and this process has nothing under way when it begins.
    """
    removed = []
    for part in sorted(Path(folder).rglob(".*.part*")):
        match = _LEFTOVER.match(part.name)
        if match and part.is_file() and not _is_another_living(int(match["process"])):
            part.unlink()
            removed.append(part)
    return tuple(removed)


def _is_another_living(process: int) -> bool:
    if process == os.getpid():
        return False
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True


def _flush_to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
