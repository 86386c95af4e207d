"""Vertical banding out of a plain image: on arrays and labelled images, and from file to file."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
import xarray as xr
from numpy.typing import NDArray
from rasterio.errors import RasterioError

from calib.errors import CalibError, InputError, NotPossible
from calib.products.atomic import whole
from calib.tone.unband import Unbanded
from calib.tone.unband import unband as unband_array


@dataclass(frozen=True, slots=True, eq=False)
class UnbandedImage:
    """A labelled image without its banding, and the pattern taken out of it with its 1-sigma, by column."""

    image: xr.DataArray
    pattern: xr.DataArray
    sigma: xr.DataArray
    period: float | None
    share: float


def unband(image: NDArray | xr.DataArray, *, period: float | None = None, mask: NDArray | None = None) -> UnbandedImage:
    """Take the vertical banding out of an image (rows, columns); labels and attributes are kept.

    `period` is the pitch in columns with which the banding repeats, looked for where it is not given; `mask` is true
    where a pixel counts. Not-a-number never counts.

    Raises:
        CalibError: the image is too small or too empty to tell banding from the Moon.
    """
    labelled = image if isinstance(image, xr.DataArray) else xr.DataArray(image, dims=("y", "x"))
    result = unband_array(labelled.values, period=period, mask=mask)
    if isinstance(result, NotPossible):
        raise CalibError(f"the banding cannot be taken out: {result.reason}")
    return _labelled(labelled, result)


def _labelled(image: xr.DataArray, result: Unbanded) -> UnbandedImage:
    column = image.dims[1]
    along = {column: image[column]} if column in image.coords else {}
    return UnbandedImage(
        image=image.copy(data=result.image),
        pattern=xr.DataArray(result.pattern, dims=(column,), coords=along),
        sigma=xr.DataArray(result.sigma, dims=(column,), coords=along),
        period=result.period,
        share=result.share,
    )


def unband_file(source: Path, out: Path, pattern_out: Path, *, period: float | None, as_float: bool) -> UnbandedImage:
    """Take the banding out of a raster file; georeference and no-data are kept.

    The result has the input's own type (rounded and held to its range) or float32 with `as_float`. The pattern taken
    out is written too, as an image of the same columns, one row high, so that one can see that it held no Moon.

    Raises:
        InputError: not a raster of one band.
        CalibError: see `unband`.
    """
    try:
        with rasterio.open(source) as file:
            if file.count != 1:
                raise InputError(source, "bands", file.count, "one band")
            values, profile = file.read(1, masked=True), file.profile
    except RasterioError as error:
        raise InputError(source, "", str(error), "a raster with one band") from error
    mask = ~np.ma.getmaskarray(values)
    found = unband(values.data, period=period, mask=mask)
    made = found.image.values
    dtype = np.dtype("float32") if as_float else values.dtype
    empty = np.nan if dtype.kind == "f" else values.fill_value
    made = np.where(mask & np.isfinite(made), made, values.data if not as_float else empty)
    _write(out, _in_range(made, dtype), profile)
    _write(pattern_out, found.pattern.values[np.newaxis].astype(np.float32), {**profile, "nodata": None})
    return found


def _in_range(values: NDArray, dtype: np.dtype) -> NDArray:
    """Values in a type: whole numbers rounded and held to its range."""
    if dtype.kind == "f":
        return values.astype(dtype)
    limits = np.iinfo(dtype)
    return np.clip(np.rint(values), limits.min, limits.max).astype(dtype)


def _write(path: Path, values: NDArray, profile: dict) -> None:
    if not path.parent.is_dir():
        raise InputError(path, "--out", f"no folder {path.parent}", "a file in a folder that exists")
    kept = {key: profile[key] for key in ("crs", "transform", "nodata") if profile.get(key) is not None}
    shape = {"height": values.shape[0], "width": values.shape[1], "count": 1, "dtype": values.dtype.name}
    with whole(path) as aside, rasterio.open(aside, "w", driver="GTiff", compress="deflate", **shape, **kept) as file:
        file.write(values, 1)
