"""Chooses the map grid: square pixels with edges at whole multiples of the pixel, so that neighbouring maps align."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import numpy as np

from calib.camera.collinearity import moon_to_film
from calib.camera.shutter import rays_of
from calib.coordinates import Array, FilmPoints, GroundPoints, MapPoints
from calib.errors import InputError
from calib.ground.projection import Projection, project, read_projection, unproject
from calib.ground.region import Region, visible_region
from calib.ground.sphere import moon_to_ground, ray_to_sphere
from calib.ground.view import View

if TYPE_CHECKING:
    from calib.frame.description import MapRequest

MOST_PIXELS = 4e9  # of a map, 16 GB per raster of float32; a request for more has the pixel in a wrong unit
MOST_SIDE = 2**31 - 1
ON_EDGE = 1e-6  # pixels; a bound this close to a pixel edge is taken to be on it
POLAR_LATITUDE_DEG = 60.0  # of the frame's centre; polewards of it the map is polar stereographic, by the contract
EQUATORIAL, NORTH_POLAR, SOUTH_POLAR = "IAU_2015:30110", "IAU_2015:30130", "IAU_2015:30135"


class Sampling(Protocol):
    """Size of a sample on the film; `frame.description.Scan` has these attributes."""

    @property
    def sample_mm(self) -> float: ...
    @property
    def line_mm(self) -> float: ...


@dataclass(frozen=True, slots=True)
class MapGrid:
    """Square pixels in a map projection, rows from north to south and columns from west to east.

    `left` and `top` are the western and northern edges in whole pixels: easting = left * pixel_m.
    """

    projection: Projection
    pixel_m: float
    left: int
    top: int
    rows: int
    columns: int

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.rows, self.columns

    @property
    def crs(self) -> str:
        """The projection as it was named."""
        return self.projection.name

    @property
    def wkt(self) -> str:
        """The projection's definition in well-known text."""
        return self.projection.wkt

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """Outer pixel edges (xmin, ymin, xmax, ymax)."""
        edges = (self.left, self.top - self.rows, self.left + self.columns, self.top)
        xmin, ymin, xmax, ymax = (edge * self.pixel_m for edge in edges)
        return xmin, ymin, xmax, ymax

    @property
    def center_transform(self) -> tuple[float, float, float, float, float, float]:
        """(a, b, c, d, e, f): easting = a column + b row + c, northing = d column + e row + f at pixel centres."""
        p = self.pixel_m
        return p, 0.0, (self.left + 0.5) * p, 0.0, -p, (self.top - 0.5) * p


def pixel_to_map(grid: MapGrid, row: Array, column: Array) -> MapPoints:
    """Map coordinates of fractional pixels; integers are pixel centres."""
    return MapPoints((grid.left + 0.5 + column) * grid.pixel_m, (grid.top - 0.5 - row) * grid.pixel_m)


def map_to_pixel(grid: MapGrid, places: MapPoints) -> tuple[Array, Array]:
    """Fractional (row, column) of map coordinates; integers are pixel centres."""
    return grid.top - 0.5 - places.northing_m / grid.pixel_m, places.easting_m / grid.pixel_m - grid.left - 0.5


def to_ground(grid: MapGrid, places: MapPoints) -> GroundPoints:
    """Places on the sphere (height 0) of map coordinates; NaN outside the projection."""
    return unproject(grid.projection, places)


def to_map(grid: MapGrid, ground: GroundPoints) -> MapPoints:
    """Map coordinates of places; across the antimeridian continued to lie nearest to the grid's middle."""
    return project(grid.projection, ground, (grid.left + grid.columns / 2) * grid.pixel_m)


def choose_grid(view: View, request: MapRequest, scan: Sampling, described_in: Path) -> MapGrid:
    """The requested grid, with defaults for what the request leaves open.

    Projection: the equirectangular IAU_2015:30110, or if the frame's centre lies polewards of 60 deg the polar
    stereographic 30130 or 30135. Pixel: geometric mean of the ground sample distances along both film axes at the
    frame's centre. Bounds: all ground that the frame shows, up to 80 deg emission if the horizon is in the frame.

    Raises:
        InputError: names map.crs, map.pixel_m, map.bounds, or pointing if the frame shows nothing of the Moon.
    """
    region = visible_region(view)
    if region is None:
        raise InputError(described_in, "pointing", "a frame that misses the Moon", "a frame that shows the Moon")
    name = request.crs or default_crs(region)
    projection = read_projection(name)
    if not isinstance(projection, Projection):
        raise InputError(described_in, "map.crs", f"{name} ({projection})", "a map projection of the Moon's sphere")
    if projection.is_geographic:
        raise InputError(described_in, "map.crs", f"{name} (degrees)", "a map projection in metres")
    pixel_m = request.pixel_m or sample_distance_m(view, scan, region.center)
    if request.bounds is not None:
        return _snapped(projection, pixel_m, _asked_bounds(projection, request.bounds, described_in), described_in)
    bounds = region_bounds(projection, region)
    if bounds is None:
        raise InputError(described_in, "map.crs", name, "a projection that can show the frame's ground")
    return _snapped(projection, pixel_m, bounds, described_in)


def default_crs(region: Region) -> str:
    """The projection for the latitude of a frame's centre."""
    latitude = float(moon_to_ground(region.center).lat_deg)
    if abs(latitude) <= POLAR_LATITUDE_DEG:
        return EQUATORIAL
    return NORTH_POLAR if latitude > 0 else SOUTH_POLAR


def sample_distance_m(view: View, scan: Sampling, center_km: Array) -> float:
    """Geometric mean of the distances on level ground spanned by one sample and by one line at a place, m."""
    radius = float(np.linalg.norm(center_km))
    at = moon_to_film(view.camera, view.pose, center_km)
    half_x, half_y = scan.sample_mm / 2, scan.line_mm / 2
    ends = FilmPoints(at.x_mm + np.array([half_x, -half_x, 0.0, 0.0]), at.y_mm + np.array([0.0, 0.0, half_y, -half_y]))
    place, _ = ray_to_sphere(*rays_of(view.camera, view.pose, ends), radius)
    return 1000 * float(np.sqrt(np.linalg.norm(place[0] - place[1]) * np.linalg.norm(place[2] - place[3])))


def region_bounds(projection: Projection, region: Region) -> tuple[float, float, float, float] | None:
    """(xmin, ymin, xmax, ymax) of a region in a projection; None if the projection cannot show it.

    If a pole is in the region, a periodic projection is filled over a full turn.
    """
    middle = project(projection, moon_to_ground(region.center))
    ground = moon_to_ground(np.concatenate([region.ring, region.inside]))
    places = project(projection, ground, float(middle.easting_m))
    east, north = places.easting_m, places.northing_m
    if region.poles:
        latitude = 90.0 * np.array(region.poles)
        poles = project(projection, GroundPoints(np.zeros_like(latitude), latitude, np.zeros_like(latitude)))
        north = np.append(north, poles.northing_m)
        if projection.period:
            east = np.append(east, middle.easting_m + projection.period * np.array([-0.5, 0.5]))
    east, north = east[np.isfinite(east)], north[np.isfinite(north)]
    if not (east.size and north.size):
        return None
    return float(east.min()), float(north.min()), float(east.max()), float(north.max())


def _asked_bounds(
    projection: Projection, bounds: tuple[float, float, float, float], described_in: Path
) -> tuple[float, float, float, float]:
    xmin, ymin, xmax, ymax = bounds
    if not (xmin < xmax and ymin < ymax):
        raise InputError(described_in, "map.bounds", list(bounds), "[xmin, ymin, xmax, ymax], rising")
    x, y = np.meshgrid(np.linspace(xmin, xmax, 33), np.linspace(ymin, ymax, 33))
    if not np.isfinite(unproject(projection, MapPoints(x, y)).lat_deg).any():
        raise InputError(described_in, "map.bounds", list(bounds), f"a part of the Moon in {projection.name}")
    return bounds


def _snapped(
    projection: Projection, pixel_m: float, bounds: tuple[float, float, float, float], described_in: Path
) -> MapGrid:
    """The smallest grid of whole pixels that contains the bounds."""
    low_x, low_y = (floor(edge / pixel_m + ON_EDGE) for edge in bounds[:2])
    high_x, high_y = (ceil(edge / pixel_m - ON_EDGE) for edge in bounds[2:])
    rows, columns = max(high_y - low_y, 1), max(high_x - low_x, 1)
    if rows * columns > MOST_PIXELS or max(rows, columns) > MOST_SIDE:
        found = f"{pixel_m:.6g} m, which makes a map of {rows} x {columns} pixels"
        raise InputError(described_in, "map.pixel_m", found, f"a pixel that makes at most {MOST_PIXELS:.0e} pixels")
    return MapGrid(projection, pixel_m, low_x, low_y + rows, rows, columns)
