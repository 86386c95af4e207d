"""Writes a product completely or not at all: to a hidden temporary file in its folder, which is then renamed."""

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from calib.errors import NO_ROOM

# `.density.tif.4711.part`: name of the product and id of the process that writes it. A library may append to the name
# for files of its own (a journal, a side file); these are leftovers too.
_LEFTOVER = re.compile(r"^\..+\.(?P<process>\d+)\.part(\..+)?$")


@contextmanager
def atomic_file(path: str | Path) -> Iterator[Path]:
    """Context that gives the path of a temporary file; on leaving, the file is renamed to `path` in one step.

    It is a hidden file in the same folder, which must exist. If the block raises, it is removed and `path` stays as it
    was. An OSError for a full disk that names no file gets the folder's name.
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
        if error.errno in NO_ROOM and error.filename is None:  # a failed write names no file
            error.filename = str(path.parent)
        raise
    finally:
        for leftover in path.parent.glob(f"{aside.name}*"):
            leftover.unlink()


def write_text(path: str | Path, text: str) -> None:
    """Write a text product (UTF-8, line ends unchanged) completely or not at all."""
    with atomic_file(path) as aside:
        aside.write_bytes(text.encode("utf-8"))


def remove_leftovers(folder: str | Path) -> tuple[Path, ...]:
    """Remove temporary files that killed runs left in `folder` and below; returns the paths removed.

    A file whose process is alive belongs to another run and stays. A file with this process's own id is a leftover:
    ids are reused, and this process has written nothing yet when it calls this.
    """
    removed = []
    for part in sorted(Path(folder).rglob(".*.part*")):
        match = _LEFTOVER.match(part.name)
        if match and part.is_file() and not _is_another_live_process(int(match["process"])):
            part.unlink()
            removed.append(part)
    return tuple(removed)


def _is_another_live_process(process: int) -> bool:
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
