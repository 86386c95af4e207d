"""The stand-alone uses on one plain image: no frame package needed.

Each works on an image with labels: its coordinates `x` and `y` are film millimetres of pixel centres. `on_film`
labels a plain array by the size of its pixels.
"""

import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
import xarray as xr
from numpy.typing import NDArray
from rasterio.errors import NotGeoreferencedWarning, RasterioIOError

from calib.camera.exterior import pose_of
from calib.coordinates import FilmPoints
from calib.errors import InputError
from calib.film.image import sample_image
from calib.frame.document import Document
from calib.frame.georeference import check_dem
from calib.frame.standalone import DensityImageDescription, MappedImageDescription
from calib.ground.dem import view_over
from calib.ground.grid import MapGrid, choose_grid
from calib.ground.locate import block, locator
from calib.light.curve import film_curve
from calib.light.image import reflectance_image
from calib.light.radiometry import reflectance_per_exposure
from calib.moon import SubsolarPoint
from calib.products.readback import read_raster
from calib.run.map_product import scale_at
from calib.run.progress import Progress, silent, tracked

UNPLACED = ((1.0, 0.0, 0.5, 0.0, 1.0, 0.5), (1.0, 0.0, 0.0, 0.0, 1.0, 0.0))  # what a raster without a transform says

UNEVEN = 0.01  # of the spacing of coordinates: rounding, if they are kept in single precision


@dataclass(frozen=True, slots=True)
class PixelSize:
    """Size of an image's pixels on the film."""

    sample_mm: float
    line_mm: float


def read_image(path: Path, sample_mm: float | None) -> xr.DataArray:
    """A raster as a labelled image on the film: what its values stand for, NaN where it holds no data.

    With `sample_mm`, that is the size of its square pixels, and its middle lies in the middle of the format.

    Raises:
        InputError: not a raster with one band of real numbers, or no transform and no `sample_mm`.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(path) as file:
                check_one_band(path, file)
            image = read_raster(path, measured=True)
            if sample_mm is not None:
                return on_film(np.asarray(image), sample_mm)
    except (RasterioIOError, ValueError) as error:
        raise InputError(path, "", str(error), "a raster whose rows and columns run along the film's axes") from error
    if min(image.shape) < 2 or image.attrs["center_transform"] in UNPLACED:
        raise InputError(path, "transform", "none", "a transform in film mm, or --sample-mm")
    return image


def check_one_band(path: Path, file: rasterio.DatasetReader) -> None:
    """Raise InputError unless a raster holds one band of real numbers."""
    if file.count != 1 or "complex" in file.dtypes[0]:
        found = "complex numbers" if file.count == 1 else f"{file.count} bands"
        raise InputError(path, "bands", found, "one band of real numbers")


def on_film(values: NDArray[np.floating], sample_mm: float) -> xr.DataArray:
    """A plain array (rows, columns) as an image of square pixels in the middle of the format.

    Raises:
        ValueError: `values` has not two dimensions, or `sample_mm` is not above 0.
    """
    if values.ndim != 2:
        raise ValueError(f"values must have two dimensions, not {values.ndim}")
    if not 0 < sample_mm < np.inf:
        raise ValueError(f"sample_mm must be above 0, not {sample_mm}")
    rows, columns = values.shape
    y = (np.arange(rows) - (rows - 1) / 2) * sample_mm
    x = (np.arange(columns) - (columns - 1) / 2) * sample_mm
    return xr.DataArray(values, dims=("y", "x"), coords={"y": y, "x": x})


def _check_on_film(image: xr.DataArray) -> None:
    """Raise TypeError or ValueError, in one line, unless an image says where on the film its pixels lie."""
    if not isinstance(image, xr.DataArray):
        raise TypeError(f"the image must be labelled, as calib.on_film makes it, not {type(image).__name__}")
    if image.dtype.kind not in "fiu":
        raise TypeError(f"the image must hold real numbers, not {image.dtype}")
    if sorted(map(str, image.dims)) != ["x", "y"]:
        raise ValueError(f"the image must have the dimensions y and x, not {', '.join(map(str, image.dims))}")
    for axis in ("y", "x"):
        if axis not in image.coords or image.sizes[axis] < 2:
            raise ValueError(f"the image must have two coordinates {axis} or more, in film mm")
        step = np.diff(image[axis].to_numpy().astype(float))
        if not np.ptp(step) <= UNEVEN * abs(step.mean()) or step.mean() == 0:
            raise ValueError(f"the image's coordinates {axis} must be evenly spaced, in film mm")


def reflectance_of_image(density: xr.DataArray, described: DensityImageDescription) -> xr.DataArray:
    """Radiance factor of a density image on the film, NaN beyond the format and the curve; lazy where the image is.

    Raises:
        TypeError, ValueError: `density` is no image on the film (dimensions y and x with even coordinates).
    """
    _check_on_film(density)
    x, y = xr.broadcast(density.x.astype(float), density.y.astype(float))
    places = FilmPoints(x.transpose(*density.dims).data, y.transpose(*density.dims).data)
    factor = reflectance_per_exposure(
        described.camera, described.shutter_s, described.sun.distance_au, described.sun.illuminance_lx_1au, places
    )
    # Beyond the format no light came from the Moon, and the stated fall-off may be anything.
    width, height = described.camera.format_mm
    factor = np.where((np.abs(places.x_mm) < width / 2) & (np.abs(places.y_mm) < height / 2), factor, np.nan)
    curve = film_curve(described.characteristic.log_exposure, described.characteristic.density)
    made = reflectance_image(density, curve, xr.DataArray(factor, dims=density.dims, coords=density.coords))
    if not isinstance(made, xr.DataArray):
        raise TypeError("a labelled image stays labelled")
    return made


def image_to_map(
    image: xr.DataArray,
    described: MappedImageDescription,
    described_in: Path,
    dem: Path | None,
    progress: Progress = silent,
) -> xr.DataArray:
    """A labelled image on the film put onto a map grid: each map pixel by one interpolation, NaN where none is.

    Raises:
        InputError: the camera misses the Moon, or the map that is asked for cannot be.
        TypeError, ValueError: `image` is no image on the film (dimensions y and x with even coordinates).
    """
    _check_on_film(image)
    image = image.transpose("y", "x")
    view = view_over(described.camera, pose_of(described.pointing), dem, described_in)
    sample_mm, line_mm = float(image.x[1] - image.x[0]), float(image.y[1] - image.y[0])
    grid = choose_grid(view, described.map, PixelSize(abs(sample_mm), abs(line_mm)), described_in)
    where = locator(grid, view, SubsolarPoint(0.0, 0.0, 1.0), 0.01 * min(abs(sample_mm), abs(line_mm)))
    scale = scale_at(where, grid.rows / 2, grid.columns / 2, sample_mm=abs(sample_mm), line_mm=abs(line_mm))
    values, out = np.asarray(image, dtype=np.float32), np.full(grid.shape, np.nan, np.float32)
    starts = range(0, grid.rows, 256)
    for start in tracked(starts, len(starts), "making the map", progress):
        rows = slice(start, min(start + 256, grid.rows))
        located = block(where, rows, slice(0, grid.columns))
        seen = np.isfinite(located.film.x_mm)
        row = (located.film.y_mm[seen] - float(image.y[0])) / line_mm
        column = (located.film.x_mm[seen] - float(image.x[0])) / sample_mm
        out[rows][seen] = sample_image(values, row, column, scale)
    return labelled_map(out, grid)


def labelled_map(values: NDArray[np.float32], grid: MapGrid) -> xr.DataArray:
    """Map values with their eastings and northings in metres, and the reference system as an attribute."""
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
