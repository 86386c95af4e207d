"""The page beside the ledger, made at the end of a batch from the ledger and the products."""

from functools import partial
from pathlib import Path
from urllib.parse import quote

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.errors import RasterioError

from calib.products.atomic import write_text
from calib.products.ledger_page import LedgerRow, page
from calib.run.batch.ledger import LEDGER, Row, read_ledger
from calib.run.progress import Progress, silent, tracked

PAGE = "ledger.html"
_LONGEST_PX = 144  # longest side of a picture, as the page shows it: one page may hold thousands


def write_page(out: Path, progress: Progress = silent) -> Path:
    """Write the page of the batch in `out`: each frame with its figures and a picture of its map. Returns its path."""
    rows = read_ledger(out / LEDGER).values()
    seen = tuple(tracked(map(partial(_seen, out), rows), len(rows), "looking at the maps", progress))
    write_text(out / PAGE, page(seen))
    return out / PAGE


def _seen(out: Path, row: Row) -> LedgerRow:
    """A row of the page, with report and picture if the frame is done: others may have products of an earlier run."""
    products = out / row.frame
    report, picture = None, None
    if row.state == "done":
        report, picture = f"{quote(row.frame)}/report.html", _picture(products / "map" / "reflectance.tif")
    return LedgerRow(row.frame, row.state, row.reason, row.warnings, row.figures, report, picture)


def _picture(path: Path) -> NDArray[np.float32] | None:
    """A small picture of a map; None if the file is missing or damaged."""
    try:
        with rasterio.open(path) as file:
            shape = (max(1, round(side * _LONGEST_PX / max(file.shape))) for side in file.shape)
            seen: NDArray[np.float32] = file.read(1, out_shape=tuple(shape), resampling=Resampling.average)
            return seen
    except RasterioError:
        return None
