"""Intersects rays with terrain: finds where each ray first meets the ground.

A ray is split into segments. A segment above the highest ground under it is free; any other is halved, down to a
millimetre. For segments shorter than a node that highest ground is exact, because a bilinear surface is highest at a
corner. So no peak is missed, however narrow, that exceeds the ray by more than its flank rises in a millimetre.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.ground.sphere import dot, moon_to_ground
from calib.ground.terrain import Terrain, highest_within, node_heights_km, nodes_of
from calib.moon import RADIUS_KM

FINEST_KM = 1e-6  # length below which segments are not halved further
MEETING_KM = 1e-8  # accuracy of the intersection along the ray
SKIN_KM = 1e-6  # by which the shell searched exceeds the terrain's heights
SEGMENTS = 16  # of each ray at the start


@dataclass(frozen=True, slots=True, eq=False)
class _Rays:
    """Rays (N, 3), with the distances `along` (N,) to their point nearest to the Moon's centre and the square `least2`
    of its distance from the centre, km."""

    terrain: Terrain
    origin_km: Array
    directions: Array
    along: Array
    least2: Array

    def place(self, ray: NDArray[np.intp], s: Array) -> tuple[Array, Array, Array]:
        """Fractional node column and row under the rays at distances `s`, and the height above the ground, km."""
        position = self.origin_km[ray] + s[:, np.newaxis] * self.directions[ray]
        ground = moon_to_ground(position)
        column, row = nodes_of(self.terrain, ground.lon_deg, ground.lat_deg)
        return column, row, ground.height_km - node_heights_km(self.terrain, column, row)

    def lowest(self, ray: NDArray[np.intp], s0: Array, s1: Array) -> Array:
        """Least height above the sphere between two distances."""
        nearest = np.clip(self.along[ray], s0, s1)
        return np.sqrt(self.least2[ray] + (nearest - self.along[ray]) ** 2) - RADIUS_KM


def ray_to_terrain(terrain: Terrain, origin_km: Array, directions: Array) -> Array:
    """First intersection (..., 3), km, of rays along unit vectors (..., 3) with the ground; NaN if none.

    The origin is common (3,) or one for each ray (..., 3).
    """
    flat = directions.reshape(-1, 3)
    origin = np.broadcast_to(origin_km, directions.shape).reshape(-1, 3)
    along = -dot(flat, origin)
    nearest = origin + along[:, np.newaxis] * flat
    rays = _Rays(terrain, origin, flat, along, dot(nearest, nearest))
    enter, leave = _shell(rays)
    bracket = _bracket(rays, enter, leave)
    met = np.flatnonzero(np.isfinite(bracket).all(axis=0))
    s = np.full(along.shape, np.nan)
    s[met] = _bisected(rays, met, bracket[0, met], bracket[1, met])
    return (origin + s[:, np.newaxis] * flat).reshape(directions.shape)


def _shell(rays: _Rays) -> tuple[Array, Array]:
    """Distances between which a ray is within reach of the terrain; NaN if it never is."""
    top = RADIUS_KM + rays.terrain.highest_km + SKIN_KM
    bottom = RADIUS_KM + rays.terrain.lowest_km - SKIN_KM
    with np.errstate(invalid="ignore"):
        half_top, half_bottom = np.sqrt(top**2 - rays.least2), np.sqrt(bottom**2 - rays.least2)
    enter = np.maximum(rays.along - half_top, 0.0)
    leave = np.where(np.isfinite(half_bottom), rays.along - half_bottom, rays.along + half_top)
    reached = leave > enter
    return np.where(reached, enter, np.nan), np.where(reached, leave, np.nan)


def _bracket(rays: _Rays, enter: Array, leave: Array) -> Array:
    """Two distances (2, N) between which each ray first goes below the ground; NaN where it never does."""
    found = np.full((2, enter.size), np.nan)
    blocked = np.full(enter.size, np.inf)
    near = np.flatnonzero(np.isfinite(enter))
    cut = np.linspace(0, 1, SEGMENTS + 1)
    edges = enter[near, np.newaxis] + (leave - enter)[near, np.newaxis] * cut
    at_edge = np.stack(rays.place(np.repeat(near, SEGMENTS + 1), edges.ravel())).reshape(3, near.size, SEGMENTS + 1)
    ray = np.repeat(near, SEGMENTS)
    s0, s1 = edges[:, :-1].ravel(), edges[:, 1:].ravel()
    place0, place1 = at_edge[..., :-1].reshape(3, -1), at_edge[..., 1:].reshape(3, -1)
    while ray.size:
        middle = (s0 + s1) / 2
        between = np.stack(rays.place(ray, middle))
        column, row, gap = np.stack([place0, between, place1], axis=1)
        for s, under in ((s0, gap[0] <= 0), (middle, gap[1] <= 0), (s1, gap[2] <= 0)):
            np.minimum.at(blocked, ray[under], s[under])
        fine = s1 - s0 <= FINEST_KM
        crossing = fine & (gap[0] > 0) & ((gap[2] <= 0) | (gap[1] <= 0))
        for k in np.flatnonzero(crossing):
            if not found[0, ray[k]] <= s0[k]:
                found[:, ray[k]] = s0[k], (middle if gap[1, k] <= 0 else s1)[k]
        keep = ~fine & (s0 < blocked[ray]) & (rays.lowest(ray, s0, s1) <= _highest_under(rays.terrain, column, row))
        ray, s0, middle, s1 = ray[keep], s0[keep], middle[keep], s1[keep]
        place0, between, place1 = place0[:, keep], between[:, keep], place1[:, keep]
        ray, s0, s1 = np.r_[ray, ray], np.r_[s0, middle], np.r_[middle, s1]
        place0, place1 = np.hstack([place0, between]), np.hstack([between, place1])
    return found


def _highest_under(terrain: Terrain, column: Array, row: Array) -> Array:
    """Highest ground under segments given by their nodes (3, N) at start, middle, end; allows for a curved track."""
    bend_c, bend_r = (2 * np.abs(x[1] - (x[0] + x[2]) / 2) for x in (column, row))
    columns = (column.min(axis=0) - bend_c, column.max(axis=0) + bend_c)
    rows = (row.min(axis=0) - bend_r, row.max(axis=0) + bend_r)
    highest = highest_within(terrain, columns, rows)
    short = (columns[1] - columns[0] <= 1) & (rows[1] - rows[0] <= 1)
    highest[short] = _highest_in_box(terrain, [c[short] for c in columns], [r[short] for r in rows])
    return highest


def _highest_in_box(terrain: Terrain, columns: list[Array], rows: list[Array]) -> Array:
    """Exact highest ground in boxes no larger than a node: at their corners, or where a line of nodes crosses them.

    The raster's edge, half a node outside the last node, is such a line too, as beyond it the ground is the sphere.
    """
    highest = _highest_at(terrain, columns, rows)
    crossed = np.flatnonzero(
        np.any([f(low) < high for low, high in (columns, rows) for f in (np.ceil, _next_half)], axis=0)
    )
    sides = [[bound[crossed] for bound in side] for side in (columns, rows)]
    lines = [[*side, *(np.clip(f(side[0]), *side) for f in (np.ceil, _next_half))] for side in sides]
    highest[crossed] = _highest_at(terrain, *lines)
    return highest


def _highest_at(terrain: Terrain, columns: list[Array], rows: list[Array]) -> Array:
    """Highest ground at all intersections of the columns and rows."""
    return np.asarray(np.max([node_heights_km(terrain, c, r) for c in columns for r in rows], axis=0))


def _next_half(at: Array) -> Array:
    return np.ceil(at - 0.5) + 0.5


def _bisected(rays: _Rays, ray: NDArray[np.intp], above: Array, under: Array) -> Array:
    """Distances of the intersections, by bisection of the brackets."""
    while ray.size and (under - above).max() > MEETING_KM:
        middle = (above + under) / 2
        clear = rays.place(ray, middle)[2] > 0
        above, under = np.where(clear, middle, above), np.where(clear, under, middle)
    return (above + under) / 2
