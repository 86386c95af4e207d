"""A georeferenced modern picture of the Moon: its checks, and sampling at any place with any pixel width."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from math import ceil, floor
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.windows import Window
from scipy import ndimage

from calib.coordinates import Array, GroundPoints, MapPoints
from calib.errors import InputError
from calib.ground.projection import Projection, project, read_projection, unproject
from calib.ground.sphere import ground_to_moon

EXPECTED = "a picture with one band, georeferenced on the Moon's sphere of 1737400 m"
HALO_PX = 8  # margin of the reduced picture around the wanted places, for the interpolation
MOST_PIXELS = 6e7  # of the reduced picture, which is held in memory


@dataclass(frozen=True, slots=True, eq=False)
class ModernMap:
    """A raster on disk; `to_map` transforms pixel centres (column, row) to easting and northing in m."""

    path: Path
    projection: Projection
    to_map: Affine
    rows: int
    columns: int


def open_modern(path: Path) -> ModernMap:
    """Check the header of a modern map.

    Raises:
        InputError: no raster, no georeference, not the Moon, more than one band, complex numbers.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(path) as file:
                fault = _fault(file)
                projection = "" if fault else read_projection(file.crs.to_wkt())
                to_map, (rows, columns) = file.transform @ Affine.translation(0.5, 0.5), file.shape
    except (RasterioError, OSError) as error:
        raise InputError(path, "--map", f"a file that cannot be read as a raster ({error})", EXPECTED) from error
    if not isinstance(projection, Projection):
        raise InputError(path, "--map", fault or projection, EXPECTED)
    return ModernMap(Path(path), projection, to_map, rows, columns)


def _fault(file: rasterio.DatasetReader) -> str:
    if file.crs is None:
        return "a raster without a reference system"
    if file.transform.is_identity or file.transform.is_degenerate:
        return "a raster without a place on the map"
    if file.count != 1:
        return f"{file.count} bands"
    if min(file.shape) < 8:
        return f"{file.shape[1]} x {file.shape[0]} pixels"
    return "complex numbers" if np.dtype(file.dtypes[0]).kind == "c" else ""


def to_pixel(modern: ModernMap, ground: GroundPoints) -> tuple[Array, Array]:
    """Fractional (row, column) of places on the ground, integers at centres; NaN off the edge of the projection."""
    middle_east, _ = modern.to_map @ ((modern.columns - 1) / 2, (modern.rows - 1) / 2)
    place = project(modern.projection, ground, middle_east)
    back = ~modern.to_map
    row = back.d * place.easting_m + back.e * place.northing_m + back.f
    return row, back.a * place.easting_m + back.b * place.northing_m + back.c


def pixel_sides_m(modern: ModernMap, ground: GroundPoints) -> tuple[float, float]:
    """Height and width of a pixel on the ground in m at one place, whose fields are scalars."""
    row, column = to_pixel(modern, ground)
    rows = row + np.array([-0.5, 0.5, 0.0, 0.0])
    columns = column + np.array([0.0, 0.0, -0.5, 0.5])
    east, north = modern.to_map @ (columns, rows)
    at = 1000 * ground_to_moon(unproject(modern.projection, MapPoints(np.asarray(east), np.asarray(north))))
    return float(np.linalg.norm(at[1] - at[0])), float(np.linalg.norm(at[3] - at[2]))


def covered(modern: ModernMap, ground: GroundPoints) -> NDArray[np.bool_]:
    """Which places lie on the raster, with or without data."""
    row, column = to_pixel(modern, ground)
    return np.asarray((row > -0.5) & (row < modern.rows - 0.5) & (column > -0.5) & (column < modern.columns - 0.5))


def sample(modern: ModernMap, row: Array, column: Array, wide: tuple[float, float]) -> Array:
    """Values at fractional pixels, (...), by cubic spline: means over about `wide` (rows, columns) pixels.

    NaN off the raster and wherever a no-data pixel contributes.
    """
    out = np.full(np.shape(row), np.nan)
    factor = max(1, floor(wide[0] + 1e-6)), max(1, floor(wide[1] + 1e-6))
    known = np.isfinite(row) & np.isfinite(column)
    if not known.any():
        return out
    window = _window(modern, row[known], column[known], factor)
    if window is None:
        return out
    first_row, first_column, values = _reduced(modern, window, factor)
    values = _smoothed(values, (wide[0] / factor[0], wide[1] / factor[1]))
    r = ((row + 0.5) / factor[0] - 0.5) - first_row
    c = ((column + 0.5) / factor[1] - 0.5) - first_column
    inside = known & (r >= 0) & (r <= values.shape[0] - 1) & (c >= 0) & (c <= values.shape[1] - 1)
    missing = ~np.isfinite(values)
    level = float(np.mean(values[~missing])) if not missing.all() else 0.0
    spline = ndimage.spline_filter(np.where(missing, level, values), order=3, mode="mirror")
    places = [np.where(inside, r, 0.0), np.where(inside, c, 0.0)]
    made = ndimage.map_coordinates(spline, places, order=3, mode="mirror", prefilter=False)
    if missing.any():
        spoilt = ndimage.binary_dilation(missing, np.ones((3, 3)))
        inside &= ndimage.map_coordinates(spoilt.astype(np.float32), places, order=0, mode="nearest") < 0.5
    return np.where(inside, made, np.nan)


def _window(modern: ModernMap, row: Array, column: Array, factor: tuple[int, int]) -> Window | None:
    """The pixels needed for some places, in whole blocks of `factor` pixels; None where they lie off the raster."""
    edges = []
    for at, size, n in ((row, modern.rows, factor[0]), (column, modern.columns, factor[1])):
        low = max(floor(at.min() - HALO_PX * n) // n * n, 0)
        high = min(ceil((at.max() + HALO_PX * n + 1) / n) * n, size // n * n)
        if high - low < 2 * n:
            return None
        edges += [low, high]
    top, bottom, left, right = edges
    return Window(left, top, right - left, bottom - top)


def _reduced(modern: ModernMap, window: Window, factor: tuple[int, int]) -> tuple[int, int, Array]:
    """Index of the first reduced row and column, and the means of blocks of `factor` pixels.

    Overviews in the file are not used: those made by decimation are shifted by half a pixel.
    """
    shape = (window.height // factor[0], window.width // factor[1])
    if shape[0] * shape[1] > MOST_PIXELS:
        raise InputError(modern.path, "--map", f"{shape[1]} x {shape[0]} pixels around the frame", "fewer of them")
    with rasterio.open(modern.path, OVERVIEW_LEVEL="NONE") as file:
        made = file.read(1, window=window, out_shape=shape, resampling=Resampling.average, masked=True)
    values = np.ma.filled(made.astype(np.float64), np.nan)
    return window.row_off // factor[0], window.col_off // factor[1], values


def _smoothed(values: Array, wide: tuple[float, float]) -> Array:
    """Smooth the picture so that its pixels become `wide` (rows, columns) times wider, 1 to 2; NaN spreads."""
    sigma = [float(np.sqrt(max(side**2 - 1.0, 0.0) / 12.0)) for side in wide]
    return values if max(sigma) < 0.05 else np.asarray(ndimage.gaussian_filter(values, sigma, mode="nearest"))
