"""Removes vertical banding from a plain image: an array, a labelled image, or a raster file."""

import warnings
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
import rasterio
import xarray as xr
from numpy.typing import NDArray
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.windows import Window

from calib.errors import CalibError, InputError, NotPossible
from calib.products.atomic import atomic_file
from calib.run.image.labelled import check_one_band, without_name
from calib.run.progress import Progress, silent, tracked
from calib.run.rasters.headers import made_by
from calib.tone.labelled import unband_dataarray
from calib.tone.unband import ColumnPattern, column_pattern, stretches_of


def unband(image: NDArray | xr.DataArray, *, period: float | None = None, mask: NDArray | None = None) -> xr.Dataset:
    """Take the vertical banding out of an image (rows, columns); labels are kept.

    `period` is the pitch in columns at which the banding repeats; None: it is searched for. `mask` (rows, columns) is
    true where a pixel counts; NaN pixels never count. The result has the variables `image`, and by column the removed
    `pattern` and its 1-sigma `sigma`. Its attributes are `share`, the removed share of the columns' variance, and
    `period` where there is one.

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
        raise _not_unbanded(result)
    return result


def unband_file(
    source: Path, out: Path, pattern_out: Path, *, period: float | None, as_float: bool, progress: Progress = silent
) -> ColumnPattern:
    """Take the banding out of a raster file, a few lines at a time; georeference, no-data, scale and offset are kept.

    The result has the input's type, rounded and clipped to its range, or float32 with `as_float`. The removed pattern
    is written to `pattern_out` as an image one row high, so that one can check that it holds nothing of the scene.

    Raises:
        InputError: not a raster of one band.
        CalibError: see `unband`.
    """
    for path in (out, pattern_out):
        if not path.parent.is_dir():
            raise InputError(path, "--out", f"no folder {path.parent}", "a file in a folder that exists")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # such an image stays without a georeference
        try:
            with rasterio.open(source) as file:
                check_one_band(source, file)
                return _unbanded(file, out, pattern_out, period, as_float, progress)
        except RasterioError as error:
            raise InputError(source, "", without_name(source, error), "a raster with one band") from error


def _unbanded(
    file: rasterio.DatasetReader, out: Path, pattern_out: Path, period: float | None, as_float: bool, progress: Progress
) -> ColumnPattern:
    stretches = stretches_of(file.height)

    def read(lines: slice) -> tuple[NDArray, NDArray[np.bool_]]:
        window = Window(0, lines.start, file.width, lines.stop - lines.start)
        values = file.read(1, masked=True, window=window)
        return values.data, np.isfinite(values.data) & ~np.ma.getmaskarray(values)

    read_all = tracked(map(read, stretches), len(stretches), "reading the image", progress)
    found = column_pattern(read_all, file.shape, period=period)
    if isinstance(found, NotPossible):
        raise _not_unbanded(found)
    pattern, dtype = found.pattern, np.dtype("float32" if as_float else file.dtypes[0])

    def without(lines: slice) -> NDArray:
        values, good = read(lines)
        return _in_range(np.where(good, values - pattern, np.nan if as_float else values), dtype)

    place = {key: value for key in ("crs", "transform") if (value := file.profile.get(key)) is not None}
    size = {"height": file.height, "width": file.width, "dtype": dtype.name, "nodata": file.nodata}
    made = tracked(map(without, stretches), len(stretches), "writing the image", progress)
    _write(out, made, {**place, **size}, (file.scales, file.offsets), "image without its banding")
    taken = {**place, "height": 1, "width": file.width, "dtype": "float32"}
    differences = (file.scales, (0.0,))
    _write(pattern_out, [pattern[np.newaxis]], taken, differences, "banding taken out of each column")
    return found


def _not_unbanded(why: NotPossible) -> CalibError:
    return CalibError(f"the banding cannot be taken out: {why.reason}")


def _in_range(values: NDArray, dtype: np.dtype) -> NDArray:
    """Values converted to `dtype`; for a whole-number type they are rounded and clipped to its range."""
    if dtype.kind == "f":
        return values.astype(dtype)
    limits = np.iinfo(dtype)
    return np.clip(np.rint(values), limits.min, limits.max).astype(dtype)


def _write(
    path: Path,
    stretches: Iterable[NDArray],
    layout: Mapping[str, object],
    stands_for: tuple[tuple[float, ...], tuple[float, ...]],
    description: str,
) -> None:
    """Write a raster of one band from its `stretches` of lines; `stands_for` holds the scale and the offset."""
    # Compressed in memory first, because on a full disk the library only reports that it could not write.
    with rasterio.MemoryFile() as made:
        with made.open(
            driver="GTiff", compress="deflate", num_threads="all_cpus", bigtiff="IF_SAFER", count=1, **layout
        ) as file:
            first = 0
            for values in stretches:
                file.write(values, 1, window=Window(0, first, file.width, len(values)))
                first += len(values)
            file.scales, file.offsets = stands_for
            file.set_band_description(1, description)
            file.update_tags(**made_by())
        with atomic_file(path) as aside:
            aside.write_bytes(made.getbuffer())
