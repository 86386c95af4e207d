"""What light does to a block of the map: exposure to reflectance, and reflectance to the standard geometry.

Both factors vary slowly, over the film and over the map, and are looked up in tables that are proven good to a few
parts in a hundred thousand; where a table does not hold (near the terminator, the limb, a lens that grows dark) each
pixel's factor is worked out by itself.
"""

import numpy as np
from numpy.typing import NDArray

from calib.camera.interior import film_to_direction
from calib.coordinates import Array, FilmPoints
from calib.frame.description import Sun
from calib.frame.frame import Frame
from calib.ground.locate import Locator, Placed, block
from calib.lattice import Lattice, good_cells
from calib.light.film_table import FilmTable, film_table
from calib.light.functions import to_standard
from calib.light.radiometry import reflectance_per_exposure
from calib.quality import OUTSIDE

RATIO_TOLERANCE = 2e-4  # relative, of a whole step; interpolating between half steps leaves a quarter of it


def reflectance_table(frame: Frame, sun: Sun) -> FilmTable:
    """Radiance factor per lux second over the film of a frame."""
    camera, shutter_s = frame.camera, frame.exposure.shutter_s

    def factor(film: FilmPoints) -> Array:
        cos_field = film_to_direction(camera, film)[..., 2]
        return reflectance_per_exposure(camera, shutter_s, sun.distance_au, sun.illuminance_lx_1au, film, cos_field)

    return film_table(factor, camera.format_mm)


def reflectance_factor(table: FilmTable, seen: Placed) -> Array:
    """Radiance factor per lux second of each pixel, (rows, columns)."""
    if seen.lattice is None:
        return table.at(seen.film).astype(np.float64)
    at_nodes = table.at(FilmPoints(*seen.lattice.nodes[:2])).astype(np.float64)
    factor, open_ = _smooth(at_nodes, seen, seen.lattice)
    if open_.any():
        factor[open_] = table.at(FilmPoints(seen.film.x_mm[open_], seen.film.y_mm[open_]))
    return factor


def standard_ratio(standard: str, where: Locator, seen: Placed, rows: slice, columns: slice) -> Array:
    """What brings each pixel's reflectance to the standard geometry, as a factor; NaN where nothing is seen."""
    open_ = (seen.quality & np.uint16(OUTSIDE)) == 0
    ratio = np.full(open_.shape, np.nan)
    if seen.lattice is not None:
        ratio, open_ = _smooth(to_standard(standard, *seen.lattice.nodes[2:]), seen, seen.lattice)
    if open_.any():
        located = block(where, rows, columns)
        angles = (angle[open_] for angle in (located.incidence_deg, located.emission_deg, located.phase_deg))
        ratio[open_] = to_standard(standard, *angles)
    return ratio


def _smooth(at_nodes: Array, seen: Placed, lattice: Lattice) -> tuple[Array, NDArray[np.bool_]]:
    """A factor between its values at the nodes, and the pixels seen where that is not good enough."""
    values = at_nodes[np.newaxis]
    good = good_cells(values, RATIO_TOLERANCE * np.abs(values[:, 1::2, 1::2]))[0] & lattice.good
    factor = lattice.interpolated(values, good)[0]
    if good.all():
        return factor, np.zeros(factor.shape, np.bool_)
    return factor, ((seen.quality & np.uint16(OUTSIDE)) == 0) & ~lattice.cell_of_pixels(good)
