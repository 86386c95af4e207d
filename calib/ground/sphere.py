"""The Moon as a sphere: conversion of longitude, latitude, height to positions and back; intersection with rays."""

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, GroundPoints
from calib.light.geometry import angle_between
from calib.moon import RADIUS_KM


def ground_to_moon(ground: GroundPoints) -> Array:
    """Positions (..., 3) in the Moon frame, km."""
    radius = RADIUS_KM + np.asarray(ground.height_km, np.float64)
    return up(ground.lon_deg, ground.lat_deg) * radius[..., np.newaxis]


def moon_to_ground(position_km: Array) -> GroundPoints:
    """Longitude in (-180, 180], planetocentric latitude, and height above the sphere of positions (..., 3)."""
    x, y, z = np.moveaxis(np.asarray(position_km, np.float64), -1, 0)
    across = np.hypot(x, y)
    return GroundPoints(
        lon_deg=np.degrees(np.arctan2(y, x)),
        lat_deg=np.degrees(np.arctan2(z, across)),
        height_km=np.hypot(across, z) - RADIUS_KM,
    )


def up(lon_deg: Array, lat_deg: Array) -> Array:
    """Unit vectors (..., 3) to the zenith."""
    lon, lat = np.broadcast_arrays(np.radians(lon_deg), np.radians(lat_deg))
    return np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)


def east_north(lon_deg: Array, lat_deg: Array) -> tuple[Array, Array]:
    """Unit vectors (..., 3) to the east and to the north; at a pole those of the meridian `lon_deg`."""
    lon, lat = np.broadcast_arrays(np.radians(lon_deg), np.radians(lat_deg))
    east = np.stack([-np.sin(lon), np.cos(lon), np.zeros_like(lon)], axis=-1)
    north = np.stack([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)], axis=-1)
    return east, north


def ray_to_sphere(
    origin_km: Array, directions: Array, radius_km: float | Array = RADIUS_KM
) -> tuple[Array, NDArray[np.bool_]]:
    """First intersection of rays from an origin (3,) or (..., 3) outside the sphere along unit vectors (..., 3).

    Returns points, NaN where the ray misses the sphere or leads away, and a mask of hits. The half chord is computed
    from (R - q)(R + q), with q the ray's least distance from the centre, which keeps all digits near the limb.
    """
    along = -dot(directions, origin_km)
    nearest = origin_km + along[..., np.newaxis] * directions
    least = np.sqrt(dot(nearest, nearest))
    square = (radius_km - least) * (radius_km + least)
    hit = (square >= 0) & (along > 0) & (dot(origin_km, origin_km) > np.square(radius_km))
    half_chord = np.sqrt(np.where(hit, square, np.nan))
    return nearest - half_chord[..., np.newaxis] * directions, hit


def arc_deg(emission_deg: float, distance_km: float) -> float:
    """Angle at the Moon's centre between the sub-camera point and ground seen at an emission angle, degrees."""
    return emission_deg - float(np.degrees(np.arcsin(np.sin(np.radians(emission_deg)) * RADIUS_KM / distance_km)))


def emission_deg(position_km: Array, camera_km: Array) -> Array:
    """Angle between the zenith at positions (..., 3) and the direction to the camera (3,)."""
    return angle_between(unit(position_km), unit(camera_km - position_km))


def unit(vectors: Array) -> Array:
    """Vectors (..., 3) scaled to length 1."""
    return vectors / np.sqrt(dot(vectors, vectors))[..., np.newaxis]


def dot(a: Array, b: Array) -> Array:
    """Scalar product over the last axis (3), written out so that results never depend on the array's size."""
    return a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1] + a[..., 2] * b[..., 2]
