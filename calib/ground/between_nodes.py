"""Estimates the error of heights interpolated between the nodes of an elevation model, and how far it shifts a map.

The model itself does not contain that error, so it is extrapolated: the model is interpolated from every second and
every fourth node only, compared with the nodes left out, and the decrease from one to the other is continued.
"""

import numpy as np

from calib.coordinates import Array, GroundPoints
from calib.ground.region import OBLIQUE_DEG, Region
from calib.ground.sphere import emission_deg, moon_to_ground
from calib.ground.terrain import Terrain, nodes_of
from calib.ground.view import View

FEWEST_NODES, MOST_NODES = 16, 1024  # along each side of the window used, which is centred on the places
# Least and largest factor by which the error decreases when the node spacing is halved: 1/4 for smooth ground;
# sqrt(1/2) for the roughest on the Moon (from memory), also used where the errors at two spacings tell nothing.
DECREASE = 0.25, 0.71


def terrain_shift_m(view: View, region: Region) -> float:
    """1-sigma of the map's shift by errors of heights between nodes, m; 0 over the sphere.

    It is the rms over the frame, with emission limited to `OBLIQUE_DEG`, beyond which maps are not used.
    """
    if view.terrain is None:
        return 0.0
    emission = np.radians(np.minimum(emission_deg(region.inside, view.pose.position_km), OBLIQUE_DEG))
    places = moon_to_ground(np.concatenate([region.ring, region.inside]))
    return 1e3 * height_sigma_km(view.terrain, places) * float(np.sqrt(np.mean(np.tan(emission) ** 2)))


def height_sigma_km(terrain: Terrain, places: GroundPoints) -> float:
    """1-sigma of the heights between the nodes, km: rms over the part of the raster around the places."""
    heights = _heights_around(terrain, places)
    errors = [_interpolation_error_km(heights, stride) for stride in (2, 4)]
    decrease = errors[0] / errors[1] if errors[1] > 0 else DECREASE[1]
    return errors[0] * float(np.clip(decrease, *DECREASE))


def _heights_around(terrain: Terrain, places: GroundPoints) -> Array:
    """Heights (rows, columns), km, of a window of nodes around the places."""
    column, row = nodes_of(terrain, places.lon_deg, places.lat_deg)
    spans = [_span(at, size) for at, size in zip((row, column), terrain.height_km.shape, strict=True)]
    return np.asarray(terrain.height_km[spans[0], spans[1]], np.float64)


def _span(at: Array, size: int) -> slice:
    """The window along an axis of `size` nodes, for places at fractional nodes `at`."""
    inside = np.clip(at[np.isfinite(at)], 0, size - 1)
    low, high = (inside.min(), inside.max()) if inside.size else (0.0, size - 1.0)
    half = np.clip((high - low) / 2, FEWEST_NODES / 2, MOST_NODES / 2)
    middle = (low + high) / 2
    return slice(max(int(middle - half), 0), min(int(middle + half) + 2, size))


def _interpolation_error_km(heights: Array, stride: int) -> float:
    """Rms difference of all nodes to the bilinear surface through every `stride`-th node; 0 if too few nodes."""
    rows, columns = ((n - 1) // stride * stride + 1 for n in heights.shape)
    if min(rows, columns) < 2:
        return 0.0
    surface = heights[:rows:stride, :columns:stride]
    for _ in range(2):
        surface = _interpolated_rows(surface, stride).T
    return float(np.sqrt(np.mean((heights[:rows, :columns] - surface) ** 2)))


def _interpolated_rows(rows: Array, stride: int) -> Array:
    """Rows with `stride` - 1 linearly interpolated rows between each two."""
    share = np.arange(stride)[:, None] / stride
    between = rows[:-1, None] * (1 - share) + rows[1:, None] * share
    return np.concatenate([between.reshape(-1, rows.shape[1]), rows[-1:]])
