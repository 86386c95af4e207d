"""The terrain: a digital elevation model in its own reference system, heights in metres above the sphere.

Between its nodes (pixel centres) the surface is bilinear. Nodes without data are filled smoothly from their neighbours,
so that holes make no cliffs; beyond the raster's edge the ground is the sphere. Warnings are given for both.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, GroundPoints
from calib.ground.projection import Projection, project


@dataclass(frozen=True, slots=True, eq=False)
class Terrain:
    """Heights of nodes (rows, columns) in km, with a projection and an affine transform to node indices.

    `to_node` (a, b, c, d, e, f): column = a x + b y + c, row = d x + e y + f, integers at nodes; `middle_east` is the
    easting of the raster's middle. `turn_columns` is the number of columns of a raster that covers all longitudes, 0
    for others; the raster is then padded with a copy of its last column before the first, and of its first after the
    last. `highest[k]` holds the highest node of every 2**k x 2**k block, to skip terrain below a ray. `node_km` is the
    spacing of the nodes on the ground at the raster's middle.
    """

    projection: Projection
    to_node: tuple[float, float, float, float, float, float]
    middle_east: float
    turn_columns: int
    height_km: NDArray[np.float32]
    highest: tuple[NDArray[np.float32], ...]
    lowest_km: float
    node_km: float
    warnings: tuple[str, ...]

    @property
    def highest_km(self) -> float:
        """The highest height, at least 0, the height of the sphere beyond the raster."""
        return max(float(self.highest[-1].max()), 0.0)


def heights_km(terrain: Terrain, lon_deg: Array, lat_deg: Array) -> Array:
    """Heights above the sphere; 0 beyond the raster, NaN where longitude or latitude is."""
    column, row = nodes_of(terrain, lon_deg, lat_deg)
    return node_heights_km(terrain, column, row)


def nodes_of(terrain: Terrain, lon_deg: Array, lat_deg: Array) -> tuple[Array, Array]:
    """Fractional node (column, row) of places."""
    place = project(terrain.projection, GroundPoints(lon_deg, lat_deg, np.zeros(1)), terrain.middle_east)
    a, b, c, d, e, f = terrain.to_node
    return a * place.easting_m + b * place.northing_m + c, d * place.easting_m + e * place.northing_m + f


def covers(terrain: Terrain, lon_deg: Array, lat_deg: Array) -> NDArray[np.bool_]:
    """Whether places lie on the raster."""
    column, row = nodes_of(terrain, lon_deg, lat_deg)
    rows, columns = terrain.height_km.shape
    return np.asarray((column >= -0.5) & (column <= columns - 0.5) & (row >= -0.5) & (row <= rows - 0.5))


def node_heights_km(terrain: Terrain, column: Array, row: Array) -> Array:
    """Bilinear heights at fractional nodes; the outermost half node is level, beyond it the height is 0."""
    rows, columns = terrain.height_km.shape
    known = np.isfinite(column) & np.isfinite(row)
    inside = known & (column >= -0.5) & (column <= columns - 0.5) & (row >= -0.5) & (row <= rows - 0.5)
    c = np.clip(np.where(inside, column, 0.0), 0, columns - 1)
    r = np.clip(np.where(inside, row, 0.0), 0, rows - 1)
    c0, r0 = np.minimum(c.astype(np.intp), columns - 2), np.minimum(r.astype(np.intp), rows - 2)
    u, v = c - c0, r - r0
    h = terrain.height_km
    upper = h[r0, c0] * (1 - u) + h[r0, c0 + 1] * u
    lower = h[r0 + 1, c0] * (1 - u) + h[r0 + 1, c0 + 1] * u
    return np.where(known, np.where(inside, upper * (1 - v) + lower * v, 0.0), np.nan)


def highest_blocks(height_km: NDArray[np.float32]) -> tuple[NDArray[np.float32], ...]:
    """The highest node of every 2**k x 2**k block, for k = 0 up to the level of a single block."""
    levels = [height_km]
    while levels[-1].size > 1:
        last = levels[-1]
        padded = np.pad(last, [(0, n % 2) for n in last.shape], constant_values=-np.inf)
        levels.append(
            np.maximum(
                np.maximum(padded[0::2, 0::2], padded[0::2, 1::2]), np.maximum(padded[1::2, 0::2], padded[1::2, 1::2])
            )
        )
    return tuple(levels)


def highest_within(terrain: Terrain, column: tuple[Array, Array], row: tuple[Array, Array]) -> Array:
    """Upper bound (N,) of heights between two columns and two rows (low, high; each (N,)), fast but not tight.

    Where a limit is NaN, the highest height of all.
    """
    known = np.isfinite(column[0] + column[1] + row[0] + row[1])
    c0, c1, r0, r1 = (np.where(known, bound, 0.0) for bound in (*column, *row))
    rows, columns = terrain.height_km.shape
    # nodes that determine the bilinear surface inside the raster; beyond it the ground is the sphere
    beyond = (c0 < -0.5) | (r0 < -0.5) | (c1 > columns - 0.5) | (r1 > rows - 0.5)
    outside = (c1 < -0.5) | (r1 < -0.5) | (c0 > columns - 0.5) | (r0 > rows - 0.5)
    first_c, last_c = (np.clip(f(c), 0, columns - 1).astype(np.intp) for f, c in ((np.floor, c0), (np.ceil, c1)))
    first_r, last_r = (np.clip(f(r), 0, rows - 1).astype(np.intp) for f, r in ((np.floor, r0), (np.ceil, r1)))
    level = np.ceil(np.log2(np.maximum(np.maximum(last_c - first_c, last_r - first_r), 1))).astype(np.intp)
    found = np.full(level.shape, -np.inf)
    for k in np.unique(level):
        at = level == k
        block = terrain.highest[min(int(k), len(terrain.highest) - 1)]
        for r in (first_r[at] >> k, last_r[at] >> k):
            for c in (first_c[at] >> k, last_c[at] >> k):
                found[at] = np.maximum(found[at], block[r, c])
    found = np.where(outside, 0.0, np.where(beyond, np.maximum(found, 0.0), found))
    return np.where(known, found, terrain.highest_km)
