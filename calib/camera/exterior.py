"""Exterior orientation: position and attitude of the camera, from either form of pointing.

A rotation converts camera axes (X right, Y down, Z to the ground) into Moon axes: ``v_moon = R v_camera``; its columns
are the camera's axes in the Moon frame. Quaternions are (w, x, y, z), scalar first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.coordinates import Array
from calib.frame.pointing import PointingByPosition, PointingBySubPoint
from calib.moon import RADIUS_KM


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Motion of a camera: velocity (3,) in the Moon frame, km/s, and turn rate (3,) about its own axes, rad/s."""

    velocity_km_s: Array
    turn_rad_s: Array


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """Position (3,) in the Moon frame (km) and rotation (3, 3) at the mid time; 1-sigma per axis if known.

    `sigma_position_km` holds for each of the three coordinates, `sigma_attitude_deg` for the turn about each axis.
    `motion` matters only with a shutter slit, which exposes parts of the film at different times: see `camera.shutter`.
    """

    position_km: Array
    rotation: Array
    sigma_position_km: float | None = None
    sigma_attitude_deg: float | None = None
    motion: Motion | None = None

    def to_camera(self, vectors: Array) -> Array:
        """Directions (..., 3) from Moon axes into camera axes."""
        return _turn(self.rotation.T, vectors)

    def to_moon(self, vectors: Array) -> Array:
        """Directions (..., 3) from camera axes into Moon axes."""
        return _turn(self.rotation, vectors)


def pose_of(pointing: PointingByPosition | PointingBySubPoint) -> Pose:
    """The pose for a described pointing in either form."""
    if isinstance(pointing, PointingByPosition):
        q = pointing.camera_to_moon
        position = np.array(pointing.position_km, np.float64)
        rotation = rotation_of(np.array([q.w, q.x, q.y, q.z], np.float64))
    else:
        lon_deg, lat_deg = pointing.sub_point_deg
        down = -_local_axes(lon_deg, lat_deg)[2]
        position = -(RADIUS_KM + pointing.altitude_km) * down
        local = rotation_of_tilt(pointing.tilt_deg, pointing.tilt_azimuth_deg, pointing.swing_deg)
        rotation = _local_axes(lon_deg, lat_deg).T @ local
    motion = None
    if pointing.motion is not None:
        motion = Motion(np.array(pointing.motion.velocity_km_s), np.radians(pointing.motion.turn_deg_s))
    return Pose(position, rotation, pointing.sigma_position_km, pointing.sigma_attitude_deg, motion)


def rotation_of_tilt(tilt_deg: float, azimuth_deg: float, swing_deg: float) -> Array:
    """Rotation (3, 3) from camera axes to local (east, north, up).

    The axis leaves the downward vertical by `tilt_deg` towards `azimuth_deg`, clockwise from north. `swing_deg` is
    measured clockwise in the image from image-up (-Y) to the direction of the nadir point; without tilt it is
    measured to the direction opposite the azimuth, the limit for small tilts, so that azimuth 0 with swing 180 puts
    north up. (The angles of Wolf & Dewitt, Elements of Photogrammetry, appendix on rotation, with y and z reversed.)
    """
    tilt, azimuth, swing = np.radians([tilt_deg, azimuth_deg, swing_deg])
    toward = np.array([np.sin(azimuth), np.cos(azimuth), 0.0])
    down = np.array([0.0, 0.0, -1.0])
    z = np.cos(tilt) * down + np.sin(tilt) * toward
    to_nadir = np.sin(tilt) * down - np.cos(tilt) * toward
    clockwise = np.cross(z, to_nadir)  # to_nadir turned by 90 degrees clockwise in the image
    x = np.sin(swing) * to_nadir + np.cos(swing) * clockwise
    y = -np.cos(swing) * to_nadir + np.sin(swing) * clockwise
    return np.stack([x, y, z], axis=1)


def rotation_of(quaternion: Array) -> Array:
    """Rotation (3, 3) of a quaternion (w, x, y, z), which is normalized first."""
    w, x, y, z = quaternion / np.linalg.norm(quaternion)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )


def quaternion_of(rotation: Array) -> Array:
    """Unit quaternion (w, x, y, z) of a rotation, w not negative.

    It is taken from the row of ``4 q qT`` with the largest diagonal element, which is never small.
    """
    m = np.asarray(rotation, np.float64)
    trace = np.trace(m)
    outer = np.empty((4, 4))
    outer[0, 0] = 1 + trace
    outer[1:, 1:] = m + m.T + (1 - trace) * np.eye(3)
    outer[0, 1:] = outer[1:, 0] = [m[2, 1] - m[1, 2], m[0, 2] - m[2, 0], m[1, 0] - m[0, 1]]
    row = outer[int(np.argmax(np.diag(outer)))]
    quaternion = row / np.linalg.norm(row)
    return quaternion if quaternion[0] >= 0 else -quaternion


def turned(rotation: Array, turn_rad: Array) -> Array:
    """The rotation after a further turn about the camera's own axes: ``R exp([w]x)``, w (3,) in radians."""
    angle = float(np.linalg.norm(turn_rad))
    half = np.sinc(angle / (2 * np.pi)) / 2  # sin(angle / 2) / angle
    return rotation @ rotation_of(np.array([np.cos(angle / 2), *(half * turn_rad)]))


def moved(pose: Pose, change: Array) -> Pose:
    """The pose after a change (6,): of its position (km), then a turn about the camera's axes (rad); sigmas unknown."""
    position, rotation = pose.position_km + change[:3], turned(pose.rotation, change[3:])
    return replace(pose, position_km=position, rotation=rotation, sigma_position_km=None, sigma_attitude_deg=None)


def turn_between(first: Array, second: Array) -> Array:
    """The turn (3,) in radians about the camera's axes from the first rotation to the second."""
    q = quaternion_of(first.T @ second)
    length = float(np.linalg.norm(q[1:]))
    return 2.0 * (np.arctan2(length, q[0]) / length if length > 0 else 1.0) * q[1:]


def _local_axes(lon_deg: float, lat_deg: float) -> Array:
    """Unit vectors east, north, up as rows (3, 3); at a pole, their limits along the meridian `lon_deg`."""
    lon, lat = np.radians([lon_deg, lat_deg])
    return np.array(
        [
            [-np.sin(lon), np.cos(lon), 0.0],
            [-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)],
            [np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)],
        ]
    )


def _turn(m: Array, v: Array) -> Array:
    """``m v`` over the last axis, written out because results of a matrix product may depend on the array's size."""
    a, b, c = v[..., 0], v[..., 1], v[..., 2]
    return np.stack([row[0] * a + row[1] * b + row[2] * c for row in m], axis=-1)
