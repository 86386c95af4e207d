"""Computes the frame's outline on the ground and the uncertainty of places in it."""

from dataclasses import dataclass

import numpy as np

from calib.camera.exterior import Pose, moved
from calib.camera.shutter import rays_of
from calib.coordinates import Array, FilmPoints, GroundPoints
from calib.ground.region import region_outlined
from calib.ground.sphere import dot, east_north, moon_to_ground, ray_to_sphere
from calib.ground.view import View, film_to_moon
from calib.remembered import once

PER_SIDE, AROUND = 24, 360  # places along each side of the format, and around a full circle of the limb
STEP_KM, STEP_RAD = 1e-3, 1e-7  # steps of numerical derivatives, small compared with any pose's uncertainty


@dataclass(frozen=True, slots=True)
class PlaceEllipse:
    """1-sigma error ellipse (39 % of errors lie inside) of a ground place due to the pose's uncertainty.

    `azimuth_deg` is that of the longer axis, clockwise from north, 0 to 180.
    """

    lon_deg: float
    lat_deg: float
    semi_major_m: float
    semi_minor_m: float
    azimuth_deg: float


@once
def footprint_ring(view: View) -> GroundPoints | None:
    """Outline (N,) of the ground that a frame shows, not closed; None if it shows nothing of the Moon.

    Counter-clockwise seen from above. Where the horizon is in the frame, the ring follows 80 deg emission.
    """
    region = region_outlined(view, PER_SIDE, AROUND)
    return None if region is None else moon_to_ground(region.ring[::-1])


def format_corners(view: View) -> FilmPoints:
    """The corners (4,) of the exposed area on the film: upper left, upper right, lower right, lower left."""
    half_x, half_y = view.camera.format_mm[0] / 2, view.camera.format_mm[1] / 2
    return FilmPoints(half_x * np.array([-1.0, 1.0, 1.0, -1.0]), half_y * np.array([-1.0, -1.0, 1.0, 1.0]))


def stated_covariance(pose: Pose) -> Array | None:
    """Covariance (6, 6) of position (km) and rotations about the camera's axes (rad) from a pose's stated sigmas.

    None unless both are known.
    """
    if pose.sigma_position_km is None or pose.sigma_attitude_deg is None:
        return None
    return np.diag(np.repeat([pose.sigma_position_km, np.radians(pose.sigma_attitude_deg)], 3) ** 2)


def place_ellipses(view: View, film: FilmPoints, covariance: Array) -> tuple[PlaceEllipse | None, ...]:
    """Error ellipses of the ground places of film places (N,), propagated to first order from the covariance (6, 6) of
    the pose.

    They are for level ground at the place's own height. None where the film place misses the Moon.
    """
    place = film_to_moon(view, film)
    ground = moon_to_ground(place)
    east, north = east_north(ground.lon_deg, ground.lat_deg)
    derivatives = _pose_derivatives(view, film, place)
    local = np.stack([np.sum(derivatives * axis[..., np.newaxis], axis=-2) for axis in (east, north)], axis=-2)
    covariance_m2 = local @ covariance @ np.swapaxes(local, -1, -2) * 1e6
    return tuple(
        _ellipse(float(lon), float(lat), one) if np.isfinite(one).all() else None
        for lon, lat, one in zip(ground.lon_deg, ground.lat_deg, covariance_m2, strict=True)
    )


def _pose_derivatives(view: View, film: FilmPoints, place: Array) -> Array:
    """Derivatives (N, 3, 6) of ground places with respect to the pose, km per km and km per radian."""
    radius = np.sqrt(dot(place, place))
    columns = []
    for k in range(6):
        step = np.eye(6)[k] * (STEP_KM if k < 3 else STEP_RAD)
        ends = []
        for sign in (1.0, -1.0):
            ends.append(ray_to_sphere(*rays_of(view.camera, moved(view.pose, sign * step), film), radius)[0])
        columns.append((ends[0] - ends[1]) / (2 * step[k]))
    return np.stack(columns, axis=-1)


def _ellipse(lon_deg: float, lat_deg: float, covariance_m2: Array) -> PlaceEllipse:
    value, axes = np.linalg.eigh(covariance_m2)
    minor, major = np.sqrt(np.maximum(value, 0.0))
    azimuth = float(np.degrees(np.arctan2(axes[0, 1], axes[1, 1]))) % 180.0
    return PlaceEllipse(lon_deg, lat_deg, float(major), float(minor), azimuth)
