"""Film coordinates and quality bits of a block of the map, without the angles of each pixel: enough for most of a map.

The nodes of the locator's lattice often show that a block lies completely inside the format and that neither night nor
oblique view sets a bit in it. Only otherwise are pixels examined one by one.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array, FilmPoints
from calib.ground.locate import OBLIQUE_DEG, Located, Locator, block, nodes_about
from calib.lattice import NodeValues, between
from calib.quality import OUTSIDE

NEAR_MM = 1e-9  # places farther inside the format than this are inside despite rounding errors


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Film coordinates of a block of the map, and its quality bits as in `Located`.

    `lattice` holds film x, y in mm and incidence, emission, phase at its nodes; None over terrain. `is_whole`: the
    nodes show that every pixel is imaged. `located` is the block computed pixel by pixel, where that was necessary.
    """

    quality: NDArray[np.uint16]
    lattice: NodeValues | None
    is_whole: bool
    located: Located | None

    def pixels(self) -> FilmPoints:
        """Film coordinates of all pixels, (rows, columns), NaN where a pixel is not imaged."""
        if self.located is not None:
            return self.located.film
        if self.lattice is None:
            raise ValueError("a block without a lattice has the places of its pixels")
        x, y = self.lattice.interpolated(self.lattice.nodes[:2], self.lattice.good)
        x[self.quality != 0] = y[self.quality != 0] = np.nan
        return FilmPoints(x, y)

    def film_at(self, row: Array, column: Array) -> FilmPoints:
        """Film coordinates (N, M) of rows (N,) and columns (M,) relative to the block's first pixel, also outside the
        format; NaN where the lattice has no value.
        """
        if self.lattice is None:
            return FilmPoints(*np.full((2, row.size, column.size), np.nan))
        return FilmPoints(*self.lattice.at(self.lattice.nodes[:2], row, column))


def placed(where: Locator, rows: slice, columns: slice) -> Placed:
    """Locate a block as `block` does, but compute the angles of pixels only where a quality bit depends on them, and
    film coordinates only where the nodes do not show that the block is inside the format.
    """
    if where.view.terrain is not None:
        located = block(where, rows, columns)
        return Placed(located.quality, None, False, located)
    nodes = nodes_about(where, rows, columns)
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
    """Set the bit `outside` of pixels whose film place is not `within_format` or unknown. Pixels between two places
    that are inside are skipped."""
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
