"""The texts in the headers of a run's rasters, which describe a file wherever it is copied to."""

from collections.abc import Mapping
from importlib.metadata import version

import numpy as np

from calib.film.assemble import FilmGrid
from calib.frame.frame import Frame
from calib.ground.grid import MapGrid
from calib.products.tiles import RasterLayout
from calib.quality import BITS

NORMAL = "radiance factor at incidence 30, emission 0, phase 30 degrees"  # what map/normal.tif holds
# Users who compare a value with another map must know what area it is a mean of.
PIXEL = "mean over the pixel of the picture as scanned; of a pixel no larger than a sample, the value at its centre"
# Separated by bars, because the meanings contain semicolons.
MASK_TEXTS: Mapping[str, str] = {"quality_bits": " | ".join(f"{bit.value} {bit.name}: {bit.meaning}" for bit in BITS)}


def made_by() -> dict[str, str]:
    """The software that made a raster."""
    return {"TIFFTAG_SOFTWARE": f"calib {version('calib')}"}


def frame_texts(frame: Frame) -> dict[str, str]:
    """The frame of a raster, its time of exposure, and the software that made the raster."""
    return {
        "frame": frame.name,
        "exposure": frame.exposure.mid_time.isoformat(timespec="milliseconds"),
        **made_by(),
    }


def layout_on(
    grid: FilmGrid | MapGrid, dtype: str, description: str, texts: Mapping[str, str], units: str = ""
) -> RasterLayout:
    """Layout of a raster on the film's grid or the map's; `units` are those of its values, empty for a mask."""
    return RasterLayout(
        rows=grid.rows,
        cols=grid.columns,
        dtype=np.dtype(dtype),
        center_transform=grid.center_transform,
        crs_wkt=grid.wkt if isinstance(grid, MapGrid) else None,
        description=description,
        units=units,
        texts=texts,
    )
