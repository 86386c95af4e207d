"""The folder that receives a run's products: never half a product, never an old one lost by accident."""

from pathlib import Path

from calib.errors import InputError
from calib.products.atomic import remove_leftovers

LAST_WRITTEN = "run.json"  # stands only once everything else does


def claim(out: Path, *, overwrite: bool) -> None:
    """Make `out` ready. A finished run in it is replaced only with `overwrite`; what a killed run left is replaced.

    Raises:
        InputError: `out` holds a finished run, is not a folder, or cannot be made.
    """
    if out.exists() and not out.is_dir():
        raise InputError(out, "--out", "a file", "a folder, or nothing yet")
    if (out / LAST_WRITTEN).exists():
        if not overwrite:
            raise InputError(out, "--out", "the products of a finished run", "an empty folder, or --overwrite")
        (out / LAST_WRITTEN).unlink()
    try:
        for folder in (out / "film", out / "map"):
            folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(out, "--out", f"{error.strerror} ({error.filename})", "a folder that can be made") from error
    remove_leftovers(out)
