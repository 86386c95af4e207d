"""Projects a plain image, whose camera and pointing are described, onto a map grid."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from calib.camera.exterior import pose_of
from calib.film.image import sample_image
from calib.frame.document import Document
from calib.frame.georeference import check_dem
from calib.frame.standalone import MappedImageDescription
from calib.ground.dem import view_over
from calib.ground.grid import MapGrid, choose_grid
from calib.ground.locate import block, locator
from calib.moon import SubsolarPoint
from calib.run.arguments import check_type
from calib.run.image.labelled import check_on_film
from calib.run.progress import Progress, silent, tracked
from calib.run.rasters.map import PLACE_TOLERANCE, scale_at

ROWS = 256  # of the map that are made at a time


@dataclass(frozen=True, slots=True)
class PixelSize:
    """Size of an image's pixels on the film."""

    sample_mm: float
    line_mm: float


def image_to_map(
    image: xr.DataArray,
    described: MappedImageDescription,
    described_in: Path,
    dem: Path | None,
    progress: Progress = silent,
) -> xr.DataArray:
    """Project a labelled image on the film onto a map grid; NaN where the image does not reach.

    Each map pixel is made by one interpolation. `image` has dimensions y and x with coordinates in film mm, as
    `on_film` makes it. `described` holds camera, pointing and the wanted map; errors name `described_in` as its file.
    `dem` is a raster of heights above the sphere in m, None for the sphere. The result has eastings and northings in m,
    and the attribute `crs_wkt`.

    Raises:
        InputError: the camera misses the Moon, or the wanted map cannot be made.
        TypeError: `described` is not a description of an image to be mapped.
        TypeError, ValueError: `image` is no image on the film (dimensions y and x with even coordinates).
    """
    check_on_film(image)
    check_type("described", described, MappedImageDescription, "a calib.frame.standalone.MappedImageDescription")
    image = image.transpose("y", "x")
    view = view_over(described.camera, pose_of(described.pointing), dem, described_in)
    sample_mm, line_mm = float(image.x[1] - image.x[0]), float(image.y[1] - image.y[0])
    grid = choose_grid(view, described.map, PixelSize(abs(sample_mm), abs(line_mm)), described_in)
    where = locator(grid, view, SubsolarPoint(0.0, 0.0, 1.0), PLACE_TOLERANCE * min(abs(sample_mm), abs(line_mm)))
    scale = scale_at(where, grid.rows / 2, grid.columns / 2, sample_mm=abs(sample_mm), line_mm=abs(line_mm))
    values, out = np.asarray(image, dtype=np.float32), np.full(grid.shape, np.nan, np.float32)
    starts = range(0, grid.rows, ROWS)
    for start in tracked(starts, len(starts), "making the map", progress):
        rows = slice(start, min(start + ROWS, grid.rows))
        located = block(where, rows, slice(0, grid.columns))
        seen = np.isfinite(located.film.x_mm)
        row = (located.film.y_mm[seen] - float(image.y[0])) / line_mm
        column = (located.film.x_mm[seen] - float(image.x[0])) / sample_mm
        out[rows][seen] = sample_image(values, row, column, scale)
    return labelled_map(out, grid)


def labelled_map(values: NDArray[np.float32], grid: MapGrid) -> xr.DataArray:
    """Map values labelled with eastings and northings in metres; the attribute `crs_wkt` is the reference system."""
    p = grid.pixel_m
    x = (grid.left + 0.5 + np.arange(grid.columns)) * p
    y = (grid.top - 0.5 - np.arange(grid.rows)) * p
    return xr.DataArray(values, dims=("y", "x"), coords={"y": y, "x": x}, attrs={"crs_wkt": grid.wkt})


def described_dem(described: MappedImageDescription, document: Document) -> Path | None:
    """The terrain raster that a description names; InputError where it cannot be read."""
    if described.terrain is None:
        return None
    files, _ = check_dem(described.terrain.dem, document)
    return files[0]
