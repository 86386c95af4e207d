"""The folder that receives a run's products: its lock, its checks, and what is removed when a run fails."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from os.path import exists  # false, not an error, for a name that is too long for any file
from pathlib import Path

from calib.errors import InputError
from calib.folder_lock import held
from calib.products.atomic import remove_leftovers

LAST_WRITTEN = "run.json"  # written after everything else, so a folder that holds it is complete


@contextmanager
def claimed(out: Path, inputs: Sequence[Path], *, overwrite: bool) -> Iterator[None]:
    """`claim` a folder and lock it against other runs for the duration of the block.

    If the block raises, empty folders in `out` are removed again, and so are the folders above it that were made.

    Raises:
        InputError: as `claim` does; another run is at work in `out`, or one of the `inputs` lies among its rasters.
    """
    places = (out / "film", out / "map")
    for file in inputs:
        if file.resolve().parent in [place.resolve() for place in places]:
            raise InputError(out, "--out", f"{file.name} of the frame itself where products go", "a folder of its own")
    made = missing(out)
    claim(out, overwrite=overwrite)
    with held(places[0], wait=False), removed_if_empty((*places, *made)):
        yield


def missing(out: Path) -> tuple[Path, ...]:
    """`out` and the folders above it that do not exist yet, the innermost first."""
    return tuple(folder for folder in (out, *out.parents) if not exists(folder))


@contextmanager
def removed_if_empty(folders: Sequence[Path]) -> Iterator[None]:
    """If the block raises, remove `folders` in their order, up to the first that is not empty."""
    try:
        yield
    except BaseException:
        with suppress(OSError):  # raised by the first folder that is not empty, or is no longer there
            for folder in folders:
                folder.rmdir()
        raise


def claim(out: Path, *, overwrite: bool) -> None:
    """Prepare `out` for a run. It replaces what a killed run left, but a finished run only with `overwrite`.

    Raises:
        InputError: `out` holds a finished run, is not a folder, or cannot be made.
    """
    if exists(out) and not out.is_dir():
        raise InputError(out, "--out", "a file", "a folder, or nothing yet")
    if exists(out / LAST_WRITTEN) and not overwrite:
        raise InputError(out, "--out", "the products of a finished run", "an empty folder, or --overwrite")
    try:
        for folder in (out / "film", out / "map"):
            folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(out, "--out", f"{error.strerror} ({error.filename})", "a folder that can be made") from error
    remove_leftovers(out)
