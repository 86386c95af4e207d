"""The simulator's own camera: film millimetres <-> points of the Moon, with distortion, sphere and terrain."""

from dataclasses import dataclass

import numpy as np
from calib_demo.terrain import Terrain
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Array = NDArray[np.float64]

RADIUS_KM = 1737.4  # of the contract


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """A camera in its place. `rotation` (3, 3) takes camera axes to Moon axes.

    With a `slit` (direction, mm/s) each film place has its own time of exposure; meanwhile the camera moves with
    `velocity_km_s` and turns about its own axes by `turn_rad_s` per second.
    """

    focal_length_mm: float
    principal_point_mm: tuple[float, float]
    distortion: tuple[float, float, float, float, float]
    position_km: Array
    rotation: Array
    terrain: Terrain | None = None
    slit: tuple[str, float] | None = None
    velocity_km_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turn_rad_s: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def delay_s(self, x_mm: Array, y_mm: Array) -> Array:
        """Time from the middle of the exposure to the slit's passage over film places; only valid with a slit."""
        way, speed_mm_s = self.slit or ("+y", np.inf)
        along = np.asarray(x_mm if way.endswith("x") else y_mm, float)
        return (along if way.startswith("+") else -along) / speed_mm_s


def distort(view: View, x: Array, y: Array) -> tuple[Array, Array]:
    """Undistorted mm from the principal point -> distorted ones, by the contract's Brown-Conrady formula."""
    k1, k2, k3, p1, p2 = view.distortion
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return (
        x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
        y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
    )


def undistort(view: View, x: Array, y: Array) -> tuple[Array, Array]:
    """The inverse of `distort` by fixed-point iteration (a contraction, since distortion is a small correction)."""
    u, v = x, y
    for _ in range(60):
        du, dv = distort(view, u, v)
        step_u, step_v = x - du, y - dv
        u, v = u + step_u, v + step_v
        if max(np.abs(step_u).max(initial=0.0), np.abs(step_v).max(initial=0.0)) < 1e-13:
            break
    return u, v


def sight_of_film(view: View, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
    """Camera position, (3,) or (..., 3), and unit vectors (..., 3) in Moon axes through the film places."""
    x0, y0 = view.principal_point_mm
    u, v = undistort(view, np.asarray(x_mm, float) - x0, np.asarray(y_mm, float) - y0)
    rays = np.stack([u, v, np.full_like(u, view.focal_length_mm)], axis=-1)
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    if view.slit is None:
        return view.position_km, np.asarray(rays @ view.rotation.T)
    delay = np.broadcast_to(view.delay_s(x_mm, y_mm), rays.shape[:-1])
    origin = view.position_km + delay[..., None] * np.array(view.velocity_km_s)
    return origin, np.asarray(_turned(view, delay, rays) @ view.rotation.T)


def film_of_point(view: View, point_km: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Film mm (as measured) of points (..., 3) in Moon axes, and a mask of those in front of the camera.

    With a slit by iteration: each step images the point at the time when the slit passes its last film place.
    """
    if view.slit is None:
        return _project(view, (point_km - view.position_km) @ view.rotation)
    delay = np.zeros(point_km.shape[:-1])
    for _ in range(80):
        moved = point_km - view.position_km - delay[..., None] * np.array(view.velocity_km_s)
        x, y, before = _project(view, _turned(view, -delay, moved @ view.rotation))
        last, delay = delay, view.delay_s(x, y)
        if np.nanmax(np.abs(delay - last), initial=0.0) < 1e-15:
            break
    return x, y, before


def _project(view: View, seen: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Film mm of vectors (..., 3) in camera axes."""
    before = seen[..., 2] > 0.0
    depth = np.where(before, seen[..., 2], np.nan)
    x, y = distort(view, view.focal_length_mm * seen[..., 0] / depth, view.focal_length_mm * seen[..., 1] / depth)
    return x + view.principal_point_mm[0], y + view.principal_point_mm[1], before


def _turned(view: View, delay_s: Array, vectors: Array) -> Array:
    """``exp([w t]x) v``: vectors (..., 3) fixed to the camera at time t, in its axes at the middle of the frame.

    A negative delay gives the inverse, from those axes to those of the turned camera.
    """
    turns = np.where(np.isfinite(delay_s), delay_s, 0.0)[..., None] * np.array(view.turn_rad_s)
    return Rotation.from_rotvec(turns.reshape(-1, 3)).apply(vectors.reshape(-1, 3)).reshape(vectors.shape)


def meet_sphere(origin: Array, rays: Array, radius_km: Array | float) -> tuple[Array, NDArray[np.bool_]]:
    """First intersections (..., 3) of outside rays with a sphere, and a mask of hits (else the nearest approach)."""
    along = rays @ origin if origin.ndim == 1 else (rays * origin).sum(-1)
    inside = along * along - ((origin * origin).sum(-1) - np.asarray(radius_km) ** 2)
    hit = (inside >= 0.0) & (along < 0.0)
    distance = -along - np.sqrt(np.maximum(inside, 0.0))
    return origin + distance[..., None] * rays, hit


def meet_ground(view: View, origin: Array, rays: Array) -> tuple[Array, NDArray[np.bool_]]:
    """As `meet_sphere`, on the sphere plus terrain: the radius is iterated until the height repeats to 0.1 mm."""
    if view.terrain is None:
        return meet_sphere(origin, rays, RADIUS_KM)
    height_km = np.zeros(rays.shape[:-1])
    for _ in range(100):
        points, hit = meet_sphere(origin, rays, RADIUS_KM + height_km)
        lon, lat = lon_lat_of(points)
        found = 1e-3 * view.terrain.height_m(lon, lat)
        if np.abs(found - height_km).max() < 1e-7:
            break
        height_km = found
    return points, hit


def lon_lat_of(point_km: Array) -> tuple[Array, Array]:
    """Degrees east and north of points (..., 3)."""
    x, y, z = np.moveaxis(point_km, -1, 0)
    return np.degrees(np.arctan2(y, x)), np.degrees(np.arctan2(z, np.hypot(x, y)))


def point_of(lon_deg: Array | float, lat_deg: Array | float, height_km: Array | float = 0.0) -> Array:
    """Points (..., 3) in km of places on the Moon."""
    lon, lat, height = np.broadcast_arrays(np.radians(lon_deg), np.radians(lat_deg), height_km)
    unit = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)
    return np.asarray((RADIUS_KM + height)[..., None] * unit)
