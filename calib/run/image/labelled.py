"""Plain images with labels: the coordinates `x` and `y` of a pixel's centre are film millimetres.

`on_film` makes one from an array and the size of its pixels.
"""

import warnings
from pathlib import Path

import numpy as np
import rasterio
import xarray as xr
from numpy.typing import NDArray
from rasterio.errors import NotGeoreferencedWarning, RasterioIOError

from calib.errors import InputError
from calib.products.readback import read_raster

UNPLACED = ((1.0, 0.0, 0.5, 0.0, 1.0, 0.5), (1.0, 0.0, 0.0, 0.0, 1.0, 0.0))  # transforms read from rasters without one
UNEVEN = 0.01  # of the spacing: coordinates in single precision may be rounded by that


def read_image(path: Path, sample_mm: float | None) -> xr.DataArray:
    """Read a raster as a labelled image on the film, its scale and offset applied, NaN where it holds no data.

    If `sample_mm` is given, pixels are squares of that size and the image's middle is the middle of the format.
    Otherwise the raster's transform says where they lie.

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
        expected = "a raster whose rows and columns run along the film's axes"
        raise InputError(path, "", without_name(path, error), expected) from error
    if min(image.shape) < 2 or image.attrs["center_transform"] in UNPLACED:
        raise InputError(path, "transform", "none", "a transform in film mm, or --sample-mm")
    return image


def without_name(path: Path, error: Exception) -> str:
    """The raster library's message about a file, without the file's name: the line shown to the user begins with it."""
    return str(error).replace(f"'{path}'", "a file").rstrip(".")


def check_one_band(path: Path, file: rasterio.DatasetReader) -> None:
    """Raise InputError unless a raster holds one band of real numbers."""
    if file.count != 1 or "complex" in file.dtypes[0]:
        found = "complex numbers" if file.count == 1 else f"{file.count} bands"
        raise InputError(path, "bands", found, "one band of real numbers")


def on_film(values: NDArray[np.floating], sample_mm: float) -> xr.DataArray:
    """A plain array (rows, columns) as an image of square pixels in the middle of the format.

    Raises:
        TypeError: `values` is not an array.
        ValueError: `values` has not two dimensions, or `sample_mm` is not above 0.
    """
    if not hasattr(values, "ndim"):
        raise TypeError(f"values: found {type(values).__name__}, expected an array (rows, columns)")
    if values.ndim != 2:
        raise ValueError(f"values must have two dimensions, not {values.ndim}")
    if not 0 < sample_mm < np.inf:
        raise ValueError(f"sample_mm must be above 0, not {sample_mm}")
    rows, columns = values.shape
    y = (np.arange(rows) - (rows - 1) / 2) * sample_mm
    x = (np.arange(columns) - (columns - 1) / 2) * sample_mm
    return xr.DataArray(values, dims=("y", "x"), coords={"y": y, "x": x})


def check_on_film(image: xr.DataArray) -> None:
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
