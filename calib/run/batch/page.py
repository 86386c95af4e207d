"""The page beside the ledger: made once a batch has ended, from what stands in its folder."""

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
_LONGEST_PX = 144  # of a picture: as large as the page shows it, for thousands stand in one file


def write_page(out: Path, progress: Progress = silent) -> Path:
    """Write the page of the batch in `out`: each frame of its ledger with its figures and its map. Gives its path."""
    rows = read_ledger(out / LEDGER).values()
    seen = tuple(tracked(map(partial(_seen, out), rows), len(rows), "looking at the maps", progress))
    write_text(out / PAGE, page(seen))
    return out / PAGE


def _seen(out: Path, row: Row) -> LedgerRow:
    """A row with what there is to look at. A frame that is not done may have products of an earlier run: they are not
    what the row tells of.
    """
    products = out / row.frame
    report, picture = None, None
    if row.state == "done":
        report, picture = f"{quote(row.frame)}/report.html", _picture(products / "map" / "reflectance.tif")
    return LedgerRow(row.frame, row.state, row.reason, row.warnings, row.figures, report, picture)


def _picture(path: Path) -> NDArray[np.float32] | None:
    """A map from afar; None where somebody has taken it away or spoilt it."""
    try:
        with rasterio.open(path) as file:
            shape = (max(1, round(side * _LONGEST_PX / max(file.shape))) for side in file.shape)
            seen: NDArray[np.float32] = file.read(1, out_shape=tuple(shape), resampling=Resampling.average)
            return seen
    except RasterioError:
        return None
