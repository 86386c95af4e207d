"""The folder that receives a run's products: never half a product, never an old one lost by accident."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from os.path import exists  # a name longer than any file's does not exist to this
from pathlib import Path

from calib.errors import InputError
from calib.folder_lock import held
from calib.products.atomic import remove_leftovers

LAST_WRITTEN = "run.json"  # stands only once everything else does


@contextmanager
def claimed(out: Path, inputs: Sequence[Path], *, overwrite: bool) -> Iterator[None]:
    """`claim` a folder for the block, which no other run may write to meanwhile; where the block raises, folders that
    are empty are taken away again, and so are those above `out` that were made for it.

    Raises:
        InputError: as `claim` does; another run is at work in `out`, or one of the `inputs` lies among its rasters.
    """
    places = (out / "film", out / "map")
    for file in inputs:
        if file.resolve().parent in [place.resolve() for place in places]:
            raise InputError(out, "--out", f"{file.name} of the frame itself where products go", "a folder of its own")
    made = missing(out)
    claim(out, overwrite=overwrite)
    with held(places[0], wait=False), empty_ones_taken_away((*places, *made)):
        yield


def missing(out: Path) -> tuple[Path, ...]:
    """`out` and the folders above it that are not there yet, the innermost first."""
    return tuple(folder for folder in (out, *out.parents) if not exists(folder))


@contextmanager
def empty_ones_taken_away(folders: Sequence[Path]) -> Iterator[None]:
    """Where the block raises, take those of `folders` away again that are empty, from the first to the last."""
    try:
        yield
    except BaseException:
        with suppress(OSError):  # that of the first folder that is not empty, or is somebody else's already
            for folder in folders:
                folder.rmdir()
        raise


def claim(out: Path, *, overwrite: bool) -> None:
    """Make `out` ready. A finished run in it is to be replaced only with `overwrite`; what a killed run left is.

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
