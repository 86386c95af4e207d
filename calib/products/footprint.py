"""Converts a footprint on the Moon to GeoJSON polygons, cut at the antimeridian and closed along a pole."""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

Ring = NDArray[np.float64]


def geojson(lon_deg: NDArray[np.float64], lat_deg: NDArray[np.float64]) -> tuple[dict[str, Any], list[float]]:
    """GeoJSON geometry and bounding box (west, south, east, north) of the closed ring (N,) of ground points.

    Neighbouring points are joined the short way round. A ring across the antimeridian is cut there (RFC 7946, 3.1.9),
    and its bounding box has west > east (5.2). A ring around a pole is closed along the nearer pole.
    """
    ring = _unwrapped(np.asarray(lon_deg, float), np.asarray(lat_deg, float))
    turns = round((ring[-1, 0] - ring[0, 0]) / 360)
    if turns:
        pole = 90.0 if ring[:, 1].mean() > 0 else -90.0
        ring = np.vstack([ring, [[ring[-1, 0], pole], [ring[0, 0], pole]]])
    else:
        ring = ring[:-1]
    parts = [part for part in _cut_at_antimeridian(ring) if len(part) >= 3]
    rings = [_closed(part) for part in parts]
    shape: dict[str, Any] = {"type": "Polygon", "coordinates": [rings[0]]}
    if len(rings) > 1:
        shape = {"type": "MultiPolygon", "coordinates": [[one] for one in rings]}
    return shape, _bounding_box(parts, goes_round=bool(turns))


def _unwrapped(lon: NDArray[np.float64], lat: NDArray[np.float64]) -> Ring:
    """The closed ring (N + 1, 2) with continuous longitudes, the first within -180 to 180."""
    lon, lat = np.append(lon, lon[0]), np.append(lat, lat[0])
    steps = (np.diff(lon) + 180) % 360 - 180
    start = (lon[0] + 180) % 360 - 180
    return np.column_stack([start + np.concatenate([[0.0], np.cumsum(steps)]), lat])


def _cut_at_antimeridian(ring: Ring) -> Iterator[Ring]:
    """The parts of a ring of continuous longitudes, each shifted by whole turns to -180 to 180."""
    first = int(np.floor((ring[:, 0].min() + 180) / 360))
    last = int(np.ceil((ring[:, 0].max() + 180) / 360))
    for turn in range(first, last):
        west = 360.0 * turn - 180
        part = _clipped(_clipped(ring, west, keep_east=True), west + 360, keep_east=False)
        if len(part):
            yield part - [360.0 * turn, 0.0]


def _clipped(ring: Ring, lon: float, *, keep_east: bool) -> Ring:
    """The part of a ring east or west of a meridian (Sutherland-Hodgman clipping against one line)."""
    sign = 1 if keep_east else -1
    kept: list[NDArray[np.float64]] = []
    for here, following in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        inside, next_inside = sign * (here[0] - lon) >= 0, sign * (following[0] - lon) >= 0
        if inside:
            kept.append(here)
        if inside != next_inside:
            share = (lon - here[0]) / (following[0] - here[0])
            kept.append(np.array([lon, here[1] + share * (following[1] - here[1])]))
    return np.array(kept).reshape(-1, 2)


def _closed(part: Ring) -> list[list[float]]:
    """Coordinates of a closed ring, rounded to 1e-7 degrees (3 mm), counter-clockwise (exterior: RFC 7946, 3.1.6)."""
    x, y = part[:, 0], part[:, 1]
    is_clockwise = np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) < 0
    points = np.round(part[::-1] if is_clockwise else part, 7) + 0.0
    return [*points.tolist(), points[0].tolist()]


def _bounding_box(parts: list[Ring], *, goes_round: bool) -> list[float]:
    """West, south, east, north in degrees; `goes_round`: the footprint contains a pole."""
    points = np.vstack(parts)
    south, north = points[:, 1].min(), points[:, 1].max()
    west, east = points[:, 0].min(), points[:, 0].max()
    if len(parts) > 1 and not goes_round:
        middles = [part[:, 0].mean() for part in parts]
        west, east = parts[int(np.argmax(middles))][:, 0].min(), parts[int(np.argmin(middles))][:, 0].max()
    return [float(value) + 0.0 for value in np.round([west, south, east, north], 7)]
