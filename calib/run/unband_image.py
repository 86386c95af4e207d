"""Vertical banding out of a plain image: on arrays and labelled images, and from file to file."""

import warnings
from pathlib import Path

import numpy as np
import rasterio
import xarray as xr
from numpy.typing import NDArray
from rasterio.errors import NotGeoreferencedWarning, RasterioError

from calib.errors import CalibError, InputError, NotPossible
from calib.products.atomic import whole
from calib.run.headers import made_by
from calib.tone.labelled import unband_dataarray


def unband(image: NDArray | xr.DataArray, *, period: float | None = None, mask: NDArray | None = None) -> xr.Dataset:
    """Take the vertical banding out of an image (rows, columns); labels are kept.

    `period` is the pitch in columns with which the banding repeats, looked for where it is not given; `mask` is true
    where a pixel counts. Not-a-number never counts. Variables: `image`, the `pattern` taken out and its 1-sigma `sigma`
    by column; attributes: `share` of the columns' variance that was taken out, and `period` where there is one.

    Raises:
        CalibError: the image is too small or too empty to tell banding from the Moon.
        TypeError, ValueError: it is no image of real numbers, or `mask` has another shape.
    """
    shape, kind = np.shape(image), np.asarray(image).dtype if not hasattr(image, "dtype") else image.dtype
    if len(shape) != 2:
        raise ValueError(f"image must have two dimensions, not {len(shape)}")
    if kind.kind not in "fiub":
        raise TypeError(f"image must hold real numbers, not {kind}")
    if mask is not None and np.shape(mask) != shape:
        raise ValueError(f"mask must have the image's shape {shape}, not {np.shape(mask)}")
    labelled = image if isinstance(image, xr.DataArray) else xr.DataArray(image, dims=("y", "x"))
    counts = None if mask is None else xr.DataArray(mask, dims=labelled.dims)
    result = unband_dataarray(labelled, period=period, mask=counts)
    if isinstance(result, NotPossible):
        raise CalibError(f"the banding cannot be taken out: {result.reason}")
    return result


def unband_file(source: Path, out: Path, pattern_out: Path, *, period: float | None, as_float: bool) -> xr.Dataset:
    """Take the banding out of a raster file; georeference, no-data, scale and offset are kept.

    The result has the input's own type (rounded and held to its range) or float32 with `as_float`. The pattern taken
    out is written too, as an image of the same columns, one row high, so that one can see that it held no Moon.

    Raises:
        InputError: not a raster of one band.
        CalibError: see `unband`.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # what lies nowhere before lies nowhere after
        return _unbanded(source, out, pattern_out, period, as_float)


def _unbanded(source: Path, out: Path, pattern_out: Path, period: float | None, as_float: bool) -> xr.Dataset:
    try:
        with rasterio.open(source) as file:
            if file.count != 1:
                raise InputError(source, "bands", file.count, "one band")
            values, profile = file.read(1, masked=True), {**file.profile, "stands_for": (file.scales, file.offsets)}
    except RasterioError as error:
        raise InputError(source, "", str(error), "a raster with one band") from error
    mask = ~np.ma.getmaskarray(values)
    found = unband(values.data, period=period, mask=mask)
    made = found.image.values
    dtype = np.dtype("float32") if as_float else values.dtype
    empty = np.nan if dtype.kind == "f" else values.fill_value
    made = np.where(mask & np.isfinite(made), made, values.data if not as_float else empty)
    _write(out, _in_range(made, dtype), profile)
    pattern = found.pattern.values[np.newaxis].astype(np.float32)
    differences = profile["stands_for"][0], (0.0,)
    told = {**profile, "nodata": None, "stands_for": differences}
    _write(pattern_out, pattern, told, "banding taken out of each column")
    return found


def _in_range(values: NDArray, dtype: np.dtype) -> NDArray:
    """Values in a type: whole numbers rounded and held to its range."""
    if dtype.kind == "f":
        return values.astype(dtype)
    limits = np.iinfo(dtype)
    return np.clip(np.rint(values), limits.min, limits.max).astype(dtype)


def _write(path: Path, values: NDArray, profile: dict, description: str = "image without its banding") -> None:
    if not path.parent.is_dir():
        raise InputError(path, "--out", f"no folder {path.parent}", "a file in a folder that exists")
    kept = {key: profile[key] for key in ("crs", "transform", "nodata") if profile.get(key) is not None}
    shape = {"height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": values.dtype.name}
    # Made in memory: on a full disk the library would only say that it could not write.
    with rasterio.MemoryFile() as made:
        with made.open(driver="GTiff", compress="deflate", bigtiff="IF_SAFER", **shape, **kept) as file:
            file.write(values, 1)
            file.scales, file.offsets = profile["stands_for"]
            file.set_band_description(1, description)
            file.update_tags(**made_by())
        with whole(path) as aside:
            aside.write_bytes(made.getbuffer())
