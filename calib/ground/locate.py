"""Map pixels -> film: for a block of the map grid, where each pixel lies on the film and how the light fell there.

What varies smoothly over the map is worked out exactly on a lattice of nodes at whole multiples of a step, whatever the
block, and interpolated bilinearly in between; a cell of the lattice is interpolated only if nodes at half the step show
that this is good enough, otherwise each of its pixels is worked out exactly. On the sphere the smooth quantities are
the film place and the angles themselves; over terrain they are the zenith and the place in the elevation model, and
height, collinearity and angles follow exactly for every pixel.
"""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from calib.camera.collinearity import moon_to_film
from calib.camera.interior import within_format
from calib.camera.shutter import camera_km
from calib.compiled import njit
from calib.coordinates import Array, FilmPoints, GroundPoints
from calib.ground.grid import MapGrid, pixel_to_map, to_ground
from calib.ground.hidden import hidden_pixels
from calib.ground.sphere import unit, up
from calib.ground.terrain import Terrain, node_heights_km, nodes_of
from calib.ground.view import View, seen_from
from calib.lattice import NodeValues, between, good_cells, lattice
from calib.light.geometry import photometric_angles, sun_direction
from calib.moon import RADIUS_KM, SubsolarPoint
from calib.quality import NIGHT, OBLIQUE, OUTSIDE

STEPS = (128, 64, 32, 16, 8)
TRIED = 12  # cells along each axis that are tried to choose the step
ENOUGH = 0.9  # of those cells must be good enough
ANGLE_DEG = 0.003  # tolerance of the angles; cells are interpolated at half the step it is tried at: to a quarter of it
GROUND_PIXELS = 0.002  # tolerance of the place on the ground, over terrain, in map pixels
NODE_SHARE = 0.005  # tolerance of the place in the elevation model, in its nodes
OBLIQUE_DEG = 80.0
AT_ONCE = 2**15  # pixels worked out exactly: each takes some fifty numbers on the way
MOST_NODES = 2**19  # of the whole grid's lattice that are kept: 21 MB
NEAR_MM = 1e-9  # what is farther inside the format than that is so whatever rounding does


@dataclass(frozen=True, slots=True, eq=False)
class Located:
    """A block of the map, every field (rows, columns): film places, angles, and quality bits OUTSIDE, NIGHT, OBLIQUE.

    Angles are those of the level ground: the normal is the zenith, also over terrain. Where the bit OUTSIDE stands
    (outside the format, off the Moon, beyond the horizon, `hidden` behind terrain), everything else is NaN.
    """

    film: FilmPoints
    incidence_deg: Array
    emission_deg: Array
    phase_deg: Array
    quality: NDArray[np.uint16]
    hidden: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Locator:
    """Everything that a block of the map needs to be located; make it by `locator`. `whole` is the lattice of the whole
    grid, from which blocks take theirs; None where it has too many nodes.
    """

    grid: MapGrid
    view: View
    sun: SubsolarPoint
    tolerance: Array  # (5,) of the interpolated quantities
    step: int
    whole: NodeValues | None = None

    @property
    def places(self) -> NodeValues | None:
        """That of the whole grid, where its nodes are film places: over terrain they are not."""
        return self.whole if self.view.terrain is None else None


@dataclass(frozen=True, slots=True)
class FilmScale:
    """Film millimetres per map pixel at a place: derivatives of x and y by column and by row."""

    x_by_column: float
    x_by_row: float
    y_by_column: float
    y_by_row: float


def locator(grid: MapGrid, view: View, sun: SubsolarPoint, film_tolerance_mm: float) -> Locator:
    """Prepare to locate blocks; film places over the sphere will be good to `film_tolerance_mm`.

    The step is the largest of `STEPS` at which nearly all of some cells spread over the grid interpolate well; it
    depends on the grid alone, so that every block finds the same nodes.
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
    return replace(made, whole=_lattice(made, slice(0, grid.rows), slice(0, grid.columns)))


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Where a block of the map lies on the film, and its quality bits as in `Located`.

    `lattice` holds film x, y in mm and incidence, emission, phase at its nodes; over terrain there is none. `is_whole`:
    whether nodes say that every pixel is seen. `located` is the whole block where it had to be worked out.
    """

    quality: NDArray[np.uint16]
    lattice: NodeValues | None
    is_whole: bool
    located: Located | None

    def pixels(self) -> FilmPoints:
        """Film places of all pixels, (rows, columns), NaN where nothing is seen."""
        if self.located is not None:
            return self.located.film
        if self.lattice is None:
            raise ValueError("a block without a lattice has the places of its pixels")
        x, y = self.lattice.interpolated(self.lattice.nodes[:2], self.lattice.good)
        x[self.quality != 0] = y[self.quality != 0] = np.nan
        return FilmPoints(x, y)

    def film_at(self, row: Array, column: Array) -> FilmPoints:
        """Film places of rows (N,) and columns (M,) about the block, counted from its first pixel, whether inside the
        format or not: (N, M), NaN where the lattice does not say.
        """
        if self.lattice is None:
            return FilmPoints(*np.full((2, row.size, column.size), np.nan))
        return FilmPoints(*self.lattice.at(self.lattice.nodes[:2], row, column))


def placed(where: Locator, rows: slice, columns: slice) -> Placed:
    """The same as `block` without the angles of every pixel, which are worked out only where a bit depends on them, and
    without its film place where nodes say that it is inside the format.
    """
    if where.view.terrain is not None:
        located = block(where, rows, columns)
        return Placed(located.quality, None, False, located)
    nodes = _lattice(where, rows, columns)
    steep = (nodes.nodes[2] >= 90.0) | (nodes.nodes[3] >= OBLIQUE_DEG)
    if steep.any() or not (nodes.good | nodes.empty).all():
        located = block(where, rows, columns)
        return Placed(located.quality, nodes, False, located)
    width_mm, height_mm = where.view.camera.format_mm
    half_mm = width_mm / 2, height_mm / 2
    is_whole = bool(nodes.good.all() and (np.abs(nodes.nodes[:2]) < np.reshape(half_mm, (2, 1, 1)) - NEAR_MM).all())
    quality = np.zeros((rows.stop - rows.start, columns.stop - columns.start), np.uint16)
    if not is_whole:
        _cut_to_format((nodes.nodes, nodes.good, nodes.half, nodes.offset), half_mm, np.uint16(OUTSIDE), quality)
    return Placed(quality, nodes, is_whole, None)


@njit(cache=True, nogil=True)
def _cut_to_format(lattice, half_mm, outside, quality):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Give pixels whose place is not `within_format`, or that have none, their bit. Each is looked at only where it
    does not lie between two places that are inside."""
    (nodes, good, half, (offset_r, offset_c)), (half_x, half_y) = lattice, half_mm
    columns, most_x, most_y = quality.shape[1], half_x - NEAR_MM, half_y - NEAR_MM
    for i in range(quality.shape[0]):
        r = (i + offset_r) // half
        v = (i + offset_r - r * half) / half
        for c in range(offset_c // half, (columns - 1 + offset_c) // half + 1):
            x, x_end = between(nodes[0], r, c, v)
            y, y_end = between(nodes[1], r, c, v)
            known = good[r // 2, c // 2]
            if known and max(abs(x), abs(x_end)) < most_x and max(abs(y), abs(y_end)) < most_y:
                continue
            x_step, y_step, first = (x_end - x) / half, (y_end - y) / half, c * half - offset_c
            for j in range(max(first, 0), min(first + half, columns)):
                within = abs(x + (j - first) * x_step) <= half_x and abs(y + (j - first) * y_step) <= half_y
                if not (known and within):
                    quality[i, j] = outside


def block(where: Locator, rows: slice, columns: slice) -> Located:
    """Locate the pixels of rows.start <= row < rows.stop and the same of columns."""
    smooth = _smooth_block(where, rows, columns)
    film, incidence, emission, phase = _finished(where, smooth)
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
    """Film millimetres per pixel about a place of the grid, on level ground; None where that is not imaged."""
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
    """Longitude and latitude of the pixels of a block, exactly."""
    row, column = np.meshgrid(
        np.arange(rows.start, rows.stop, dtype=np.float64),
        np.arange(columns.start, columns.stop, dtype=np.float64),
        indexing="ij",
    )
    return to_ground(where.grid, pixel_to_map(where.grid, row, column))


def _lattice(where: Locator, rows: slice, columns: slice) -> NodeValues:
    """The lattice about a block."""
    inside = min(rows.start, columns.start) >= 0 and rows.stop <= where.grid.rows and columns.stop <= where.grid.columns
    if where.whole is not None and inside:
        return where.whole.part(rows, columns)
    return lattice(partial(_exact, where), where.tolerance, where.step, rows, columns)


def _exact(where: Locator, row: Array, column: Array) -> Array:
    """The five smooth quantities (5, ...) at pixels."""
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


def _finished(where: Locator, smooth: Array) -> tuple[FilmPoints, Array, Array, Array]:
    """Film place and the three angles from the interpolated quantities."""
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
    found = _lattice(where, rows, columns)
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
    """Share of good cells among some that are spread over the grid and have a value."""
    half = where.step // 2
    starts = [
        np.unique(np.linspace(0, max(n - where.step, 0), TRIED).astype(int) // where.step * where.step)
        for n in where.grid.shape
    ]
    row, column = ((first[:, None] + half * np.arange(4.0)).ravel() for first in starts)  # three are a cell's
    nodes = _exact(where, *np.meshgrid(row, column, indexing="ij"))
    good, empty = (of_cell[::2, ::2] for of_cell in good_cells(nodes, where.tolerance))
    tried = np.count_nonzero(~empty)
    return float(np.count_nonzero(good) / tried) if tried else 1.0
