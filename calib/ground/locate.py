"""Locates map pixels on the film: film coordinates and photometric angles of each pixel of a block of the map grid.

Quantities that vary smoothly over the map are computed exactly on a lattice of nodes, at whole multiples of a step that
does not depend on the block, and interpolated bilinearly. A cell of the lattice is interpolated only if nodes at half
the step show that this is accurate enough; otherwise each of its pixels is computed exactly. On the sphere the smooth
quantities are the film coordinates and the angles themselves. Over terrain they are the zenith and the fractional node
of the elevation model; height, collinearity and angles are then computed exactly for every pixel.
"""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.camera.collinearity import moon_to_film
from calib.camera.interior import within_format
from calib.camera.shutter import camera_km
from calib.coordinates import Array, FilmPoints, GroundPoints
from calib.ground.grid import MapGrid, pixel_to_map, to_ground
from calib.ground.hidden import hidden_pixels
from calib.ground.sphere import unit, up
from calib.ground.terrain import Terrain, node_heights_km, nodes_of
from calib.ground.view import View, seen_from
from calib.lattice import NodeValues, good_cells, lattice
from calib.light.geometry import photometric_angles, sun_direction
from calib.moon import RADIUS_KM, SubsolarPoint
from calib.quality import NIGHT, OBLIQUE, OUTSIDE

STEPS = (128, 64, 32, 16, 8)  # candidate lattice steps, pixels
TRIED = 12  # cells along each axis that are tested to choose the step
ENOUGH = 0.9  # least share of those cells that must be accurate enough
ANGLE_DEG = 0.003  # tolerance of the angles, tested at twice the step that is interpolated: errors are a quarter of it
GROUND_PIXELS = 0.002  # tolerance of the place on the ground over terrain, in map pixels
NODE_SHARE = 0.005  # tolerance of the place in the elevation model, in its nodes
OBLIQUE_DEG = 80.0  # emission beyond which a pixel gets the bit OBLIQUE, by the contract
AT_ONCE = 2**15  # pixels computed exactly in one batch: each needs about fifty numbers of temporary memory
MOST_NODES = 2**19  # largest lattice of the whole grid that is kept: 21 MB


@dataclass(frozen=True, slots=True, eq=False)
class Located:
    """A block of the map, arrays (rows, columns): film coordinates, angles, and quality bits OUTSIDE, NIGHT, OBLIQUE.

    Angles are those of level ground: the normal is the zenith, also over terrain. Where the bit OUTSIDE is set (outside
    the format, off the Moon, beyond the horizon, or `hidden` by terrain), film coordinates and angles are NaN.
    """

    film: FilmPoints
    incidence_deg: Array
    emission_deg: Array
    phase_deg: Array
    quality: NDArray[np.uint16]
    hidden: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Locator:
    """All that is needed to locate blocks of the map; made by `locator`. `whole` is the lattice of the whole grid, of
    which blocks use a part; None if it would have too many nodes.
    """

    grid: MapGrid
    view: View
    sun: SubsolarPoint
    tolerance: Array  # (5,) of the interpolated quantities, in their own units
    step: int
    whole: NodeValues | None = None

    @property
    def places(self) -> NodeValues | None:
        """The lattice of the whole grid if its nodes hold film coordinates; None over terrain."""
        return self.whole if self.view.terrain is None else None


@dataclass(frozen=True, slots=True)
class FilmScale:
    """Derivatives of film x and y by map column and row at a place, mm per pixel."""

    x_by_column: float
    x_by_row: float
    y_by_column: float
    y_by_row: float


def locator(grid: MapGrid, view: View, sun: SubsolarPoint, film_tolerance_mm: float) -> Locator:
    """A locator whose film coordinates over the sphere are accurate to `film_tolerance_mm`.

    The step is the largest of `STEPS` at which nearly all of some cells spread over the grid can be interpolated. It
    depends only on the grid, so that all blocks use the same nodes.
    """
    if view.terrain is None:
        tolerance = np.array([film_tolerance_mm, film_tolerance_mm, ANGLE_DEG, ANGLE_DEG, ANGLE_DEG])
    else:
        pixels = GROUND_PIXELS * grid.pixel_m / (1000 * RADIUS_KM)
        tolerance = np.array([pixels, pixels, pixels, NODE_SHARE, NODE_SHARE])
    for step in STEPS:
        made = Locator(grid, view, sun, tolerance, step)
        if _share_of_good(made) >= ENOUGH:
            break
    if 4 * grid.rows * grid.columns > MOST_NODES * made.step**2:
        return made
    return replace(made, whole=nodes_about(made, slice(0, grid.rows), slice(0, grid.columns)))


def block(where: Locator, rows: slice, columns: slice) -> Located:
    """Locate the pixels with rows.start <= row < rows.stop and columns.start <= column < columns.stop."""
    smooth = _smooth_block(where, rows, columns)
    film, incidence, emission, phase = _film_and_angles(where, smooth)
    seen = within_format(where.view.camera, film)
    if where.view.terrain is None:
        hidden = np.zeros(seen.shape, bool)
        seen &= emission < 90.0
    else:
        hidden = seen & _hidden(where, where.view.terrain, rows, columns)
        seen &= ~hidden
    quality = np.where(seen, 0, OUTSIDE).astype(np.uint16)
    quality[seen & (incidence > 90.0)] |= np.uint16(NIGHT)
    quality[seen & (emission > OBLIQUE_DEG)] |= np.uint16(OBLIQUE)
    if not seen.all():
        for values in (film.x_mm, film.y_mm, incidence, emission, phase):
            values[~seen] = np.nan
    return Located(film, incidence, emission, phase, quality, hidden)


def film_scale(where: Locator, row: float, column: float) -> FilmScale | None:
    """Film scale at a place of the grid, on level ground; None where that has no image."""
    rows, columns = (at + np.array([-0.5, 0.0, 0.5]) for at in (row, column))
    nothing = np.full((2, 3, 3), np.nan)
    x, y = nothing if where.places is None else where.places.at(where.places.nodes[:2], rows, columns)
    if not np.isfinite(x + y).all():
        ground = to_ground(where.grid, pixel_to_map(where.grid, *np.meshgrid(rows, columns, indexing="ij")))
        film = moon_to_film(where.view.camera, where.view.pose, up(ground.lon_deg, ground.lat_deg) * RADIUS_KM)
        x, y = film.x_mm, film.y_mm
    if not np.isfinite(x + y).all():
        return None
    of_x, of_y = ((float(at[1, 2] - at[1, 0]), float(at[2, 1] - at[0, 1])) for at in (x, y))
    return FilmScale(*of_x, *of_y)


def block_ground(where: Locator, rows: slice, columns: slice) -> GroundPoints:
    """Exact longitude and latitude of the pixels of a block, (rows, columns)."""
    row, column = np.meshgrid(
        np.arange(rows.start, rows.stop, dtype=np.float64),
        np.arange(columns.start, columns.stop, dtype=np.float64),
        indexing="ij",
    )
    return to_ground(where.grid, pixel_to_map(where.grid, row, column))


def nodes_about(where: Locator, rows: slice, columns: slice) -> NodeValues:
    """The lattice of the smooth quantities around a block; a part of the whole grid's lattice if that is kept."""
    inside = min(rows.start, columns.start) >= 0 and rows.stop <= where.grid.rows and columns.stop <= where.grid.columns
    if where.whole is not None and inside:
        return where.whole.part(rows, columns)
    return lattice(partial(_exact, where), where.tolerance, where.step, rows, columns)


def _exact(where: Locator, row: Array, column: Array) -> Array:
    """The five smooth quantities (5, ...) at pixels, computed exactly: film x, y in mm and the three angles in degrees;
    over terrain the zenith's three components and the fractional column and row in the elevation model."""
    ground = to_ground(where.grid, pixel_to_map(where.grid, row, column))
    zenith = up(ground.lon_deg, ground.lat_deg)
    if where.view.terrain is not None:
        return np.concatenate(
            [np.moveaxis(zenith, -1, 0), np.stack(nodes_of(where.view.terrain, ground.lon_deg, ground.lat_deg))]
        )
    film = moon_to_film(where.view.camera, where.view.pose, zenith * RADIUS_KM)
    return np.stack([film.x_mm, film.y_mm, *_angles(where, zenith, zenith * RADIUS_KM, film)])


def _angles(where: Locator, zenith: Array, position_km: Array, film: FilmPoints) -> tuple[Array, Array, Array]:
    to_camera = unit(camera_km(where.view.camera, where.view.pose, film) - position_km)
    angles = photometric_angles(zenith, sun_direction(where.sun), to_camera)
    return angles.incidence_deg, angles.emission_deg, angles.phase_deg


def _film_and_angles(where: Locator, smooth: Array) -> tuple[FilmPoints, Array, Array, Array]:
    """Film coordinates and the three angles (degrees) from the smooth quantities."""
    if where.view.terrain is None:
        return FilmPoints(smooth[0], smooth[1]), smooth[2], smooth[3], smooth[4]
    zenith = unit(np.moveaxis(smooth[:3], 0, -1))
    height = node_heights_km(where.view.terrain, smooth[3], smooth[4])
    position = zenith * (RADIUS_KM + height)[..., np.newaxis]
    film = moon_to_film(where.view.camera, where.view.pose, position)
    return film, *_angles(where, zenith, position, film)


def _hidden(where: Locator, terrain: Terrain, rows: slice, columns: slice) -> NDArray[np.bool_]:
    def sights(row: Array, column: Array) -> tuple[Array, Array]:
        smooth = _exact(where, row, column)
        height = node_heights_km(terrain, smooth[3], smooth[4])
        place = np.moveaxis(smooth[:3], 0, -1) * (RADIUS_KM + height)[..., np.newaxis]
        return seen_from(where.view, place), place

    return hidden_pixels(terrain, sights, rows, columns, where.grid.pixel_m / 1000)


def _smooth_block(where: Locator, rows: slice, columns: slice) -> Array:
    """The smooth quantities (5, rows, columns) of a block."""
    found = nodes_about(where, rows, columns)
    out = found.interpolated(found.nodes, found.good)
    single = ~(found.good | found.empty)
    if single.any():
        alone = found.cell_of_pixels(single)
        row, column = np.nonzero(alone)
        for first in range(0, row.size, AT_ONCE):
            some = slice(first, first + AT_ONCE)
            place = rows.start + row[some].astype(np.float64), columns.start + column[some].astype(np.float64)
            out[:, row[some], column[some]] = _exact(where, *place)
    return out


def _share_of_good(where: Locator) -> float:
    """Share of cells accurate enough for interpolation, among cells that are spread over the grid and have values."""
    half = where.step // 2
    starts = [
        np.unique(np.linspace(0, max(n - where.step, 0), TRIED).astype(int) // where.step * where.step)
        for n in where.grid.shape
    ]
    row, column = ((first[:, None] + half * np.arange(4.0)).ravel() for first in starts)  # three belong to a cell
    nodes = _exact(where, *np.meshgrid(row, column, indexing="ij"))
    good, empty = (of_cell[::2, ::2] for of_cell in good_cells(nodes, where.tolerance))
    tried = np.count_nonzero(~empty)
    return float(np.count_nonzero(good) / tried) if tried else 1.0
