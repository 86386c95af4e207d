"""Writes a labelled image to disk as one raster, whole or not at all."""

from pathlib import Path

import numpy as np
import xarray as xr

from calib.errors import InputError
from calib.products.rasters import RasterSpec, raster
from calib.products.tiles import TILE, RasterLayout
from calib.run.progress import Progress, silent, tracked
from calib.run.rasters.headers import made_by


def write_image(image: xr.DataArray, out: Path, progress: Progress = silent) -> float:
    """Write a labelled image as a cloud-optimised GeoTIFF in float32; returns the share of pixels that hold a value.

    A lazy image is computed `TILE` rows at a time.

    Raises:
        InputError: the folder of `out` does not exist.
    """
    if not out.parent.is_dir():
        raise InputError(out, "--out", f"no folder {out.parent}", "a file in a folder that exists")
    rows, columns = image.shape
    x0, y0 = float(image.x[0]), float(image.y[0])
    dx = (float(image.x[-1]) - x0) / max(columns - 1, 1)
    dy = (float(image.y[-1]) - y0) / max(rows - 1, 1)
    layout = RasterLayout(
        rows=rows,
        cols=columns,
        dtype=np.dtype("float32"),
        center_transform=(dx, 0.0, x0, 0.0, dy, y0),
        crs_wkt=image.attrs.get("crs_wkt"),
        description=str(image.attrs.get("long_name", "")),
        units=str(image.attrs.get("units", "")),
        texts=made_by(),
    )
    count = 0
    with raster(RasterSpec(out, layout)) as writer:
        starts = range(0, rows, TILE)
        for first in tracked(starts, len(starts), "writing the image", progress):
            block = np.asarray(image[first : first + TILE], dtype=np.float32)
            count += int(np.isfinite(block).sum())
            writer.write_block(first, 0, block)
    return count / (rows * columns)
