"""A polar terrain model: heights on a stereographic grid with bilinear interpolation."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from calib_demo.chance import fractal_field, stream
from numpy.typing import NDArray
from rasterio.transform import Affine
from scipy import ndimage

Array = NDArray[np.float64]

RADIUS_M = 1737400.0
NORTH_POLAR = "IAU_2015:30130"


@dataclass(frozen=True, slots=True, eq=False)
class Terrain:
    """`heights_m` (rows, columns), float32, first row northmost in the projection's y; centres `step_m` apart."""

    heights_m: NDArray[np.float32]
    west_m: float  # x of the centre of column 0
    top_m: float  # y of the centre of row 0
    step_m: float

    def height_m(self, lon_deg: Array, lat_deg: Array) -> Array:
        """Bilinear height, m; beyond the raster the height at its edge."""
        x, y = north_polar(lon_deg, lat_deg)
        rows, columns = (self.top_m - y) / self.step_m, (x - self.west_m) / self.step_m
        return np.asarray(ndimage.map_coordinates(self.heights_m, [rows, columns], float, order=1, mode="nearest"))


def north_polar(lon_deg: Array, lat_deg: Array) -> tuple[Array, Array]:
    """Stereographic metres about the north pole, scale 1 there, longitude 0 downwards (Snyder 1987, eq. 21-5, 21-6)."""
    rho = 2.0 * RADIUS_M * np.tan(np.radians(90.0 - np.asarray(lat_deg)) / 2.0)
    lon = np.radians(lon_deg)
    return rho * np.sin(lon), -rho * np.cos(lon)


def make_terrain(
    seed: int, place_deg: tuple[float, float], half_width_m: float, step_m: float, relief_m: float
) -> Terrain:
    """A smooth fractal terrain about a place (lon, lat), of standard deviation `relief_m`, with one old basin in it."""
    x, y = north_polar(*map(np.array, place_deg))
    n = int(2 * half_width_m / step_m) + 1
    west, top = round(float(x) - half_width_m, 1), round(float(y) + half_width_m, 1)
    heights = relief_m * fractal_field(stream(seed, "terrain"), (n, n), 2.2, n / 1.5).astype(np.float64)
    rows, columns = np.mgrid[:n, :n]
    away = np.hypot(rows - 0.42 * n, columns - 0.55 * n) / (0.22 * n)
    heights += relief_m * np.where(away < 1.0, 1.6 * (away**2 - 1.0) + 0.5, 0.5 * np.exp(-3.0 * (away - 1.0)))
    heights = ndimage.gaussian_filter(heights, 1.5)
    return Terrain(heights.astype(np.float32), west, top, step_m)


def write_terrain(terrain: Terrain, path: Path) -> None:
    """Write the heights as a GeoTIFF in the north polar stereographic projection (corner origin at this border)."""
    half = 0.5 * terrain.step_m
    place = Affine(terrain.step_m, 0.0, terrain.west_m - half, 0.0, -terrain.step_m, terrain.top_m + half)
    rows, columns = terrain.heights_m.shape
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=columns,
        height=rows,
        count=1,
        dtype="float32",
        crs=NORTH_POLAR,
        transform=place,
    ) as file:
        file.write(terrain.heights_m, 1)
