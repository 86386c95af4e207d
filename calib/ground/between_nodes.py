"""What the ground does between the nodes of an elevation model, and by how much that moves a map.

Nothing in the model says it, but the model at half and at a quarter of its resolution does: how far every second and
every fourth node alone miss those between, and how that falls from one to the other.
"""

import numpy as np

from calib.coordinates import Array, GroundPoints
from calib.ground.region import OBLIQUE_DEG, Region
from calib.ground.sphere import emission_deg, moon_to_ground
from calib.ground.terrain import Terrain, nodes_of
from calib.ground.view import View

FEWEST_NODES, MOST_NODES = 16, 1024  # a side: of more those in the middle are asked
# By how much the misses fall when nodes lie twice as near: smooth ground to a quarter; the roughest that the Moon shows
# as a square root (from memory), and where nodes are too far apart to see it fall no more is known.
FALLS = 0.25, 0.71


def terrain_shift_m(view: View, region: Region) -> float:
    """1-sigma by which what is unknown of the heights moves the map of what a frame shows, m: rms over the frame as far
    as it is not too oblique for a map; 0 over the sphere."""
    if view.terrain is None:
        return 0.0
    emission = np.radians(np.minimum(emission_deg(region.inside, view.pose.position_km), OBLIQUE_DEG))
    places = moon_to_ground(np.concatenate([region.ring, region.inside]))
    return 1e3 * height_sigma_km(view.terrain, places) * float(np.sqrt(np.mean(np.tan(emission) ** 2)))


def height_sigma_km(terrain: Terrain, places: GroundPoints) -> float:
    """1-sigma of the heights between the nodes, rms over the part of the raster in which the places lie."""
    heights = _around(terrain, places)
    misses = [_missed_km(heights, stride) for stride in (2, 4)]
    falls = misses[0] / misses[1] if misses[1] > 0 else FALLS[1]
    return misses[0] * float(np.clip(falls, *FALLS))


def _around(terrain: Terrain, places: GroundPoints) -> Array:
    """The nodes about the places, enough of them to tell anything."""
    column, row = nodes_of(terrain, places.lon_deg, places.lat_deg)
    spans = [_span(at, size) for at, size in zip((row, column), terrain.height_km.shape, strict=True)]
    return np.asarray(terrain.height_km[spans[0], spans[1]], np.float64)


def _span(at: Array, size: int) -> slice:
    """Those of so many nodes of an axis that are asked, for fractional nodes."""
    inside = np.clip(at[np.isfinite(at)], 0, size - 1)
    low, high = (inside.min(), inside.max()) if inside.size else (0.0, size - 1.0)
    half = np.clip((high - low) / 2, FEWEST_NODES / 2, MOST_NODES / 2)
    middle = (low + high) / 2
    return slice(max(int(middle - half), 0), min(int(middle + half) + 2, size))


def _missed_km(heights: Array, stride: int) -> float:
    """How far the bilinear surface on every `stride`-th node misses all nodes within it, rms; 0 where that is none."""
    rows, columns = ((n - 1) // stride * stride + 1 for n in heights.shape)
    if min(rows, columns) < 2:
        return 0.0
    surface = heights[:rows:stride, :columns:stride]
    for _ in range(2):
        surface = _filled_in(surface, stride).T
    return float(np.sqrt(np.mean((heights[:rows, :columns] - surface) ** 2)))


def _filled_in(rows: Array, stride: int) -> Array:
    """Rows with `stride` - 1 straight ones between each two."""
    share = np.arange(stride)[:, None] / stride
    between = rows[:-1, None] * (1 - share) + rows[1:, None] * share
    return np.concatenate([between.reshape(-1, rows.shape[1]), rows[-1:]])
