"""Reads a raster lazily as a labelled array with coordinates: a product of a run, or any other raster."""

from pathlib import Path

import dask.array as da
import numpy as np
import rasterio
import xarray as xr
from numpy.typing import NDArray
from rasterio.windows import Window

from calib.products.tiles import TILE, center_transform

_CHUNK = 4 * TILE


class _LazyRaster:
    """The array interface that dask needs to read parts of a raster: shape, dtype and slicing. No file stays open."""

    def __init__(self, path: Path, *, measured: bool) -> None:
        self._path, self._measured = path, measured
        with rasterio.open(path) as file:
            stored = np.dtype(file.dtypes[0])
            self.shape, self.dtype, self.ndim = (
                file.shape,
                np.result_type(stored, np.float32) if measured else stored,
                2,
            )

    def __getitem__(self, index: tuple[slice, slice]) -> NDArray:
        (top, bottom, _), (left, right, _) = (part.indices(n) for part, n in zip(index, self.shape, strict=True))
        with rasterio.open(self._path) as file:
            stored = file.read(1, window=Window(left, top, right - left, bottom - top), masked=self._measured)
            if not self._measured:
                return stored
            real = stored.astype(self.dtype) * self.dtype.type(file.scales[0]) + self.dtype.type(file.offsets[0])
            return real.filled(np.nan)


def read_raster(path: str | Path, *, measured: bool = False) -> xr.DataArray:
    """A raster as a DataArray backed by dask, which reads values only when they are used.

    Values are as stored or, with `measured`, physical: floats after the header's scale and offset, NaN for no data.

    Dimensions (`y`, `x`), coordinates at pixel centres (film: mm, y down; map: metres). Attributes: the header's tags,
    `units`, `description`, `crs_wkt` if there is one, `center_transform`. Raises ValueError for a rotated raster.
    """
    source = _LazyRaster(Path(path), measured=measured)
    with rasterio.open(path) as file:
        a, b, c, d, e, f = center_transform(file.transform)
        attributes = _header(file)
    if b != 0 or d != 0:
        raise ValueError(f"{path}: its rows and columns do not run along the axes")
    rows, cols = source.shape
    attributes["center_transform"] = (a, b, c, d, e, f)
    chunks = (min(_CHUNK, rows), min(_CHUNK, cols))
    return xr.DataArray(
        da.from_array(source, chunks=chunks, name=None, asarray=False),
        dims=("y", "x"),
        coords={"y": f + e * np.arange(rows), "x": c + a * np.arange(cols)},
        attrs=attributes,
        name=Path(path).stem,
    )


def _header(file: rasterio.DatasetReader) -> dict[str, object]:
    header: dict[str, object] = dict(sorted(file.tags().items()))
    header |= {"units": file.units[0] or "1", "description": file.descriptions[0] or ""}
    return header if file.crs is None else header | {"crs_wkt": file.crs.to_wkt()}
