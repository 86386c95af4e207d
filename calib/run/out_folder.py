"""The folder that receives a run's products: never half a product, never an old one lost by accident."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from os.path import exists  # a name longer than any file's does not exist to this
from pathlib import Path

from calib.errors import InputError
from calib.products.atomic import remove_leftovers

LAST_WRITTEN = "run.json"  # stands only once everything else does


@contextmanager
def claimed(out: Path, *, overwrite: bool) -> Iterator[None]:
    """`claim` a folder for the block; where that raises, folders that are empty are taken away again, and so are those
    above `out` that were made for it."""
    made = [folder for folder in (out, *out.parents) if not exists(folder)]
    claim(out, overwrite=overwrite)
    try:
        yield
    except BaseException:
        with suppress(OSError):  # that of the first folder that is not empty, or is somebody else's already
            for folder in (out / "film", out / "map", *made):
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
