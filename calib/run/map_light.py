"""What light does to a block of the map: exposure to reflectance, and reflectance to the standard geometry.

Both factors vary slowly, over the film and over the map, and are looked up in tables that are proven good to a few
parts in a hundred thousand; where a table does not hold (near the terminator, the limb, a lens that grows dark) each
pixel's factor is worked out by itself.
"""

import numpy as np

from calib.camera.interior import film_to_direction
from calib.coordinates import Array, FilmPoints
from calib.frame.description import Sun
from calib.frame.frame import Frame
from calib.ground.lattice import good_cells
from calib.ground.locate import Locator, Placed, block
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


def standard_ratio(standard: str, where: Locator, seen: Placed, rows: slice, columns: slice) -> Array:
    """What brings each pixel's reflectance to the standard geometry, as a factor; NaN where nothing is seen."""
    on = (seen.quality & np.uint16(OUTSIDE)) == 0
    ratio = np.full(on.shape, np.nan)
    open_ = on
    if seen.lattice is not None:
        at_nodes = to_standard(standard, *seen.lattice.nodes[2:])[np.newaxis]
        good = good_cells(at_nodes, RATIO_TOLERANCE * np.abs(at_nodes[:, 1::2, 1::2]))[0] & seen.lattice.good
        ratio = seen.lattice.interpolated(at_nodes, good)[0]
        if good.all():
            return ratio
        open_ = on & ~seen.lattice.cell_of_pixels(good)
    if open_.any():
        located = block(where, rows, columns)
        angles = (angle[open_] for angle in (located.incidence_deg, located.emission_deg, located.phase_deg))
        ratio[open_] = to_standard(standard, *angles)
    return ratio
