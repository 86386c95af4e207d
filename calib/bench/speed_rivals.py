"""References for the speed: the raster library's warp of one ready image, and a conventional processing chain.

The ready image has the size of the assembled film, in an oblique stereographic projection about the frame's middle, as
a plain georeferenced picture; it is warped onto the grid of our map. GDAL's defaults are used (coordinates approximated
to an eighth of a pixel, cubic kernel), except for two settings: threads and no-data.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
import tifffile
from affine import Affine
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.shutil import copy as copy_raster
from rasterio.warp import reproject
from scipy.ndimage import map_coordinates
from skimage.transform import AffineTransform
from skimage.transform import warp as skimage_warp

from calib.bench.speed_input import PITCH_SAMPLES, SpeedInput
from calib.ground.grid import MapGrid, pixel_to_map, to_ground
from calib.moon import RADIUS_KM
from calib.products.tiles import TILE, corner_transform
from calib.run.rasters.film import grid_of
from calib.run.rasters.map import MapMaker

Picture = NDArray[np.float32]
CROP = 2048


@dataclass(frozen=True, slots=True, eq=False)
class Ready:
    """A float picture in memory with its georeference, and a buffer for the warped one."""

    picture: Picture
    crs: str
    transform: Affine
    out: Picture
    out_crs: str
    out_transform: Affine


def ready_picture(made_of: SpeedInput, maker: MapMaker) -> Ready:
    """A picture as large as the film, of the same ground as the map, its outermost pixels NaN as on a real frame."""
    film, grid = grid_of(made_of.fits), maker.grid
    chance = np.random.default_rng(5)
    picture = chance.normal(0.1, 0.01, (film.rows, film.columns)).astype(np.float32)
    picture[[0, -1]] = np.nan
    picture[:, [0, -1]] = np.nan
    lon, lat = _middle(grid)
    crs = f"+proj=sterea +lon_0={lon!r} +lat_0={lat!r} +R={RADIUS_KM * 1000} +units=m +no_defs"
    size = grid.pixel_m * max(grid.rows / film.rows, grid.columns / film.columns)
    transform = Affine(size, 0, -size * film.columns / 2, 0, -size, size * film.rows / 2)
    out = np.empty(grid.shape, np.float32)
    return Ready(picture, crs, transform, out, grid.wkt, corner_transform(grid.center_transform))


def _middle(grid: MapGrid) -> tuple[float, float]:
    place = pixel_to_map(grid, np.array([(grid.rows - 1) / 2]), np.array([(grid.columns - 1) / 2]))
    ground = to_ground(grid, place)
    return float(ground.lon_deg[0]), float(ground.lat_deg[0])


def warp(ready: Ready, threads: int, *, nodata: bool) -> None:
    """The raster library's cubic warp; with `nodata`, NaN is no data on both sides."""
    missing = {"src_nodata": np.nan, "dst_nodata": np.nan} if nodata else {}
    reproject(
        ready.picture, ready.out, src_transform=ready.transform, src_crs=ready.crs, dst_transform=ready.out_transform,
        dst_crs=ready.out_crs, resampling=Resampling.cubic, num_threads=threads, **missing,
    )  # fmt: skip


def chain(made_of: SpeedInput, ready: Ready, threads: int, out: Path) -> None:
    """Read the strips, apply tables with numpy, join them, warp with no-data, write with the raster library's COG
    writer."""
    fits = made_of.fits
    gray = ready.picture.copy()
    for k, (strip, tone) in enumerate(zip(fits.frame.strips, fits.tone.strips, strict=True)):
        dn = tifffile.imread(strip.path)
        density = tone.density_of_dn[dn] - tone.column_density.astype(np.float32)
        part = np.power(np.float32(10), -density)[: gray.shape[0], :PITCH_SAMPLES]
        gray[: len(part), k * PITCH_SAMPLES : k * PITCH_SAMPLES + part.shape[1]] = part
    joined = Ready(gray, ready.crs, ready.transform, ready.out, ready.out_crs, ready.out_transform)
    warp(joined, threads, nodata=True)
    rows, columns = ready.out.shape
    profile = {
        "driver": "GTiff", "height": rows, "width": columns, "count": 1, "dtype": "float32", "nodata": np.nan,
        "crs": ready.out_crs, "transform": ready.out_transform, "tiled": True, "blockxsize": TILE, "blockysize": TILE,
    }  # fmt: skip
    plain = out.with_suffix(".plain.tif")
    with rasterio.open(plain, "w", **profile) as file:
        file.write(ready.out, 1)
    copy_raster(
        plain, out, driver="COG", compress="ZSTD", level=1, predictor="YES", num_threads=threads, blocksize=TILE
    )
    plain.unlink()


def spline_warp(ready: Ready) -> int:
    """Run SciPy's cubic spline on a crop, with coordinates given; returns the number of pixels."""
    n = min(CROP, *ready.picture.shape)
    row, column = np.mgrid[:n, :n] * 0.97 + 0.3
    map_coordinates(np.nan_to_num(ready.picture[:n, :n]), [row, column], order=3, mode="nearest")
    return n * n


def affine_warp(ready: Ready) -> int:
    """Run scikit-image's cubic warp of the same crop by an affine map; returns the number of pixels."""
    n = min(CROP, *ready.picture.shape)
    moved = AffineTransform(scale=0.97, translation=(0.3, 0.3))
    skimage_warp(np.nan_to_num(ready.picture[:n, :n]), moved, order=3, mode="edge")
    return n * n
