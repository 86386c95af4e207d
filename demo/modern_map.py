"""A modern picture of the ground that a simulated frame shows: on a map, seen from above, under a Sun of its own.

Relief and albedo are those of the frame's scene; they are lit anew, so that shading and shadows fall as the other Sun
makes them fall. Beyond the frame's format the ground goes on by mirror images of itself, lit as it lies there.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
import rasterio
from calib_demo.chance import stream
from calib_demo.illumination import FIELDS, Illumination, illuminate
from calib_demo.scene import GroundPicture, ground_of, shaded
from calib_demo.shadow import lit_share
from calib_demo.terrain import NORTH_POLAR
from calib_demo.truth import Truth
from calib_demo.view import point_of
from numpy.typing import NDArray
from rasterio.transform import Affine
from scipy import ndimage

Array = NDArray[np.float64]
Raster = NDArray[np.float32]

SOUTH_POLAR, EQUATORIAL = "IAU_2015:30135", "IAU_2015:30110"
POLAR_DEG = 60.0
AROUND = 64  # places along each side of the format that outline its ground
ROWS_AT_ONCE = 128


@dataclass(frozen=True, slots=True)
class ModernMap:
    """What is wanted of the map; the projection is chosen by latitude where `crs` is None, as is the Sun's distance.

    `margin` is how far the map reaches beyond the frame's ground, as a share of that ground's size.
    """

    subsolar_deg: tuple[float, float]
    pixel_m: float
    crs: str | None = None
    margin: float = 0.25
    noise: float = 0.004  # 1-sigma of a pixel, of the mean
    shadows: bool = False


def write_modern_map(truth: Truth, wanted: ModernMap, path: Path) -> None:
    """Write the map as a GeoTIFF of float32 radiance factor; NaN where the scene has no ground."""
    values, place, crs = modern_map(truth, wanted)
    rows, columns = values.shape
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32", crs=crs, transform=place,
        nodata=np.nan,
    ) as file:  # fmt: skip
        file.write(values, 1)


def modern_map(truth: Truth, wanted: ModernMap) -> tuple[Raster, Affine, str]:
    """The map's values (rows, columns), the transform of its corner origin, and its projection."""
    crs = wanted.crs or _default_crs(truth)
    to_map = pyproj.Transformer.from_crs(pyproj.CRS(crs).geodetic_crs, crs, always_xy=True)
    west, south, east, north = _bounds(truth, wanted, to_map)
    p = wanted.pixel_m
    columns, rows = max(round((east - west) / p), 1), max(round((north - south) / p), 1)
    place = Affine(p, 0.0, west, 0.0, -p, north)
    picture = _relit(truth, wanted)
    made = np.empty((rows, columns), np.float32)
    across = max(1, int(np.ceil(p / _pixel_m(truth))))
    for first in range(0, rows, ROWS_AT_ONCE):
        stop = min(first + ROWS_AT_ONCE, rows)
        made[first:stop] = _averaged(truth, picture, place, to_map, (first, stop, columns), across)
    noise = stream(truth.scenario.seed, "modern map").standard_normal(made.shape, dtype=np.float32)
    return made + np.float32(wanted.noise * np.nanmean(made)) * noise, place, crs


def _default_crs(truth: Truth) -> str:
    _, lat, hit = truth.ground_of_film(np.zeros(1), np.zeros(1))
    latitude = float(lat[0]) if hit[0] else truth.scenario.pointing.sub_point_deg[1]
    return EQUATORIAL if abs(latitude) <= POLAR_DEG else (NORTH_POLAR if latitude > 0 else SOUTH_POLAR)


def _outline(truth: Truth) -> tuple[Array, Array]:
    """Longitudes and latitudes of the ground around the format's edge."""
    half_x, half_y = (0.5 * side for side in truth.layout.format_mm)
    t, one = np.linspace(-1, 1, AROUND), np.ones(AROUND)
    x, y = half_x * np.concatenate([t, t, one, -one]), half_y * np.concatenate([one, -one, t, t])
    lon, lat, hit = truth.ground_of_film(x, y)
    return lon[hit], lat[hit]


def _bounds(truth: Truth, wanted: ModernMap, to_map: pyproj.Transformer) -> tuple[float, float, float, float]:
    x, y = to_map.transform(*_outline(truth))
    margin = wanted.margin * max(np.ptp(x), np.ptp(y))
    return (float(x.min() - margin), float(y.min() - margin), float(x.max() + margin), float(y.max() + margin))


def _pixel_m(truth: Truth) -> float:
    """Ground size of a film sample at the frame's centre."""
    step = truth.scenario.scan.sample_mm
    lon, lat, _ = truth.ground_of_film(np.array([0.0, step, 0.0]), np.array([0.0, 0.0, step]))
    points = point_of(lon, lat)
    return 1e3 * float(np.sqrt(np.prod(np.linalg.norm(points[1:] - points[0], axis=1))))


def _relit(truth: Truth, wanted: ModernMap) -> GroundPicture:
    """The scene's ground under the other Sun, in film pixels; beyond the format, by the margin, mirrored."""
    scenario, old = truth.scenario, truth.film.picture
    shape = old.coefficients.shape
    around = int((wanted.margin + 0.05) * max(shape))
    x_mm: Array = old.x_mm + old.step_mm * np.arange(shape[1], dtype=np.float64)
    y_mm: Array = old.y_mm + old.step_mm * np.arange(shape[0], dtype=np.float64)
    sun = point_of(*wanted.subsolar_deg) / np.linalg.norm(point_of(*wanted.subsolar_deg))
    ground = ground_of(scenario, illuminate(truth.view, sun, x_mm, y_mm), shape)
    relief, log_albedo = (np.pad(layer, around, mode="symmetric") for layer in ground)
    x_mm = old.x_mm + old.step_mm * np.arange(-around, shape[1] + around, dtype=np.float64)
    y_mm = old.y_mm + old.step_mm * np.arange(-around, shape[0] + around, dtype=np.float64)
    light = _from_above(illuminate(truth.view, sun, x_mm, y_mm))
    reflectance = shaded(relief, log_albedo, light, scenario)
    if wanted.shadows:
        reflectance *= lit_share(relief, light)
    reflectance = ndimage.gaussian_filter(reflectance, 0.5)
    coefficients = ndimage.spline_filter(reflectance, order=3, output=np.float32, mode="mirror")
    return GroundPicture(coefficients, float(x_mm[0]), float(y_mm[0]), old.step_mm)


def _from_above(light: Illumination) -> Illumination:
    """The same light, the eye now standing over the ground's own normal."""
    fields = light.fields.copy()
    for name, value in (("eye", 1.0), ("eye_1", 0.0), ("eye_2", 0.0)):
        fields[..., FIELDS.index(name)] = value
    return Illumination(fields, light.stride)


def _averaged(
    truth: Truth, picture: GroundPicture, place: Affine, to_map: pyproj.Transformer, block: tuple[int, int, int],
    across: int,
) -> Raster:  # fmt: skip
    """Rows first to stop of the map: each pixel the mean of `across` x `across` places in it."""
    first, stop, columns = block
    row = first + (np.arange((stop - first) * across) + 0.5) / across
    column = (np.arange(columns * across) + 0.5) / across
    x, y = np.meshgrid(place.c + place.a * column, place.f + place.e * row)
    lon, lat = to_map.transform(x, y, direction="INVERSE")
    film_x, film_y = truth.film_of_ground(np.asarray(lon), np.asarray(lat))
    values = picture.at(np.where(np.isfinite(film_x), film_x, 1e9), np.where(np.isfinite(film_y), film_y, 1e9))
    return values.reshape(stop - first, across, columns, across).mean(axis=(1, 3)).astype(np.float32)
