"""Renders frame and modern map on one lattice: a stereographic projection about the frame's middle, conformal there.

A pixel of level L is 2**L times the base pixel, which is the coarser of the two pictures' own pixels on the ground. The
frame is interpolated once, straight from raw samples, as for every map; the modern map is averaged over lattice pixels.
"""

from dataclasses import dataclass, replace
from math import ceil, floor, sqrt

import numpy as np
from numpy.typing import NDArray

from calib.camera.exterior import Pose
from calib.coordinates import Array, GroundPoints, MapPoints
from calib.frame.description import MapRequest
from calib.ground.dem import view_over
from calib.ground.grid import region_bounds
from calib.ground.projection import Projection, project, read_projection, unproject
from calib.ground.region import Region
from calib.ground.sphere import moon_to_ground
from calib.ground.view import View, ground_to_film, on_ground
from calib.light.functions import DEFAULT_MODEL
from calib.run.fitting.fit import FrameFits
from calib.run.rasters.map import MapMaker, map_block, map_maker
from calib.run.tie.modern_map import ModernMap, pixel_sides_m, sample, to_pixel

COARSE_STEP = 16  # lattice pixels between the places that are projected exactly
TILE = 256


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """Square pixels of the working projection; all renderings of a level share one grid of (row, column)."""

    projection: Projection
    base_m: float

    def pixel_m(self, level: int) -> float:
        """Side of a pixel of a level."""
        return float(self.base_m * 2**level)


@dataclass(frozen=True, slots=True)
class Box:
    """Rows and columns [first, stop) of a lattice level; counted southwards and eastwards from its origin."""

    first_row: int
    first_column: int
    rows: int
    columns: int


def lattice_about(region: Region, modern: ModernMap, sample_m: float) -> Lattice:
    """The working lattice of a frame whose samples span `sample_m` on the ground, and a map."""
    center = moon_to_ground(region.center)
    text = (
        f"+proj=stere +lat_0={float(center.lat_deg):.6f} +lon_0={float(center.lon_deg):.6f} "
        "+R=1737400 +units=m +no_defs"
    )
    tall, broad = pixel_sides_m(modern, center)
    projection = read_projection(text)
    if not isinstance(projection, Projection):
        raise ValueError(f"{text}: {projection}")
    return Lattice(projection, max(sample_m, sqrt(tall * broad)))


def view_with(fits: FrameFits, pose: Pose) -> View:
    """The frame's camera at a pose, over its terrain."""
    return view_over(fits.frame.camera, pose, fits.frame.dem, fits.frame.path)


def box_around(lattice: Lattice, level: int, region: Region, margin_m: float) -> Box:
    """The pixels of a level that a region covers, and a margin around it."""
    bounds = region_bounds(lattice.projection, region)
    if bounds is None:
        raise ValueError("a stereographic map shows every frame")
    p = lattice.pixel_m(level)
    west, south, east, north = (edge + sign * margin_m for edge, sign in zip(bounds, (-1, -1, 1, 1), strict=True))
    top, left = floor(-north / p), floor(west / p)
    return Box(top, left, ceil(-south / p) - top, ceil(east / p) - left)


def ground_at(lattice: Lattice, level: int, row: Array, column: Array) -> GroundPoints:
    """Places on the sphere of fractional lattice pixels, the integer being the centre."""
    p = lattice.pixel_m(level)
    return unproject(lattice.projection, MapPoints((column + 0.5) * p, -(row + 0.5) * p))


def pixel_of(lattice: Lattice, level: int, ground: GroundPoints) -> tuple[Array, Array]:
    """Fractional lattice (row, column) of places on the ground."""
    p, place = lattice.pixel_m(level), project(lattice.projection, ground)
    return -place.northing_m / p - 0.5, place.easting_m / p - 0.5


def pixel_mm(view: View, lattice: Lattice, level: int) -> float:
    """Film millimetres (geometric mean) of a lattice pixel at the middle of the ground that the frame shows."""
    row, column = np.zeros(3), np.zeros(3)  # the projection's own middle
    row[1], column[2] = 1.0, 1.0
    ground = ground_at(lattice, level, row, column)
    film = ground_to_film(view, on_ground(view, ground.lon_deg, ground.lat_deg))
    x, y = film.x_mm, film.y_mm
    return float(sqrt(abs((x[1] - x[0]) * (y[2] - y[0]) - (x[2] - x[0]) * (y[1] - y[0]))))


def frame_maker(fits: FrameFits, pose: Pose, lattice: Lattice, level: int, box: Box) -> MapMaker:
    """A map maker that renders the frame with a pose on a box of a lattice level."""
    p = lattice.pixel_m(level)
    bounds = (
        box.first_column * p, -(box.first_row + box.rows) * p, (box.first_column + box.columns) * p, -box.first_row * p
    )  # fmt: skip
    request = MapRequest(crs=lattice.projection.name, pixel_m=p, bounds=bounds)
    asked = replace(fits, frame=replace(fits.frame, map=request), pose=pose)
    return map_maker(asked, DEFAULT_MODEL)


def frame_picture(maker: MapMaker, box: Box, part: Box) -> NDArray[np.float32]:
    """The frame's reflectance on a part of the maker's box; NaN where the frame shows nothing."""
    out = np.full((part.rows, part.columns), np.nan, np.float32)
    top, left = part.first_row - box.first_row, part.first_column - box.first_column
    for row in range(0, part.rows, TILE):
        for column in range(0, part.columns, TILE):
            rows = slice(max(top + row, 0), min(top + min(row + TILE, part.rows), box.rows))
            columns = slice(max(left + column, 0), min(left + min(column + TILE, part.columns), box.columns))
            if rows.stop > rows.start and columns.stop > columns.start:
                made = map_block(maker, rows, columns)
                out[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left] = made.reflectance
    return out


def modern_picture(modern: ModernMap, lattice: Lattice, level: int, part: Box) -> NDArray[np.float64]:
    """The modern map on a part of a lattice level; NaN where it shows nothing.

    Places on the map are exact every `COARSE_STEP` pixels and interpolated between. Over so short a distance two
    projections of one sphere differ from a bilinear law by far less than a hundredth of a pixel.
    """
    row, column = (
        part.first_row + COARSE_STEP * np.arange(ceil(part.rows / COARSE_STEP) + 1, dtype=np.float64),
        part.first_column + COARSE_STEP * np.arange(ceil(part.columns / COARSE_STEP) + 1, dtype=np.float64),
    )
    r, c = np.meshgrid(row, column, indexing="ij")
    nodes = to_pixel(modern, ground_at(lattice, level, r, c))
    at_row, at_column = (_bilinear(node, part.rows, part.columns) for node in nodes)
    middle = np.array(part.first_row + part.rows / 2), np.array(part.first_column + part.columns / 2)
    tall, broad = pixel_sides_m(modern, ground_at(lattice, level, *middle))
    pixel_m = lattice.pixel_m(level)
    return sample(modern, at_row, at_column, (pixel_m / tall, pixel_m / broad))


def _bilinear(nodes: Array, rows: int, columns: int) -> Array:
    """Bilinear interpolation (rows, columns) between nodes `COARSE_STEP` pixels apart."""
    r, c = np.arange(rows) / COARSE_STEP, np.arange(columns) / COARSE_STEP
    i, j = r.astype(np.intp), c.astype(np.intp)
    v, u = (r - i)[:, np.newaxis], c - j
    upper = nodes[i][:, j] * (1 - u) + nodes[i][:, j + 1] * u
    return np.asarray(upper * (1 - v) + (nodes[i + 1][:, j] * (1 - u) + nodes[i + 1][:, j + 1] * u) * v)
