"""A place in the Moon frame -> the film, and how the film place answers to a small change of the pose."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.camera.exterior import Pose
from calib.camera.interior import direction_to_film, lens_jacobian
from calib.coordinates import Array, FilmPoints

if TYPE_CHECKING:
    from calib.frame.description import Camera


def moon_to_film(camera: Camera, pose: Pose, position_km: Array) -> FilmPoints:
    """Film places of positions (..., 3), whether or not something stands in between; NaN where there is no image."""
    return direction_to_film(camera, pose.to_camera(position_km - pose.position_km))


def sensitivity(camera: Camera, pose: Pose, position_km: Array) -> Array:
    """Derivatives (N, 2, 6) of the film place (x, y in mm) of positions (N, 3) by the pose.

    Order of the six: the camera's position along the Moon's x, y, z (km), then a turn about the camera's own X, Y, Z
    (radians; see `exterior.turned`).
    """
    v = pose.to_camera(position_km - pose.position_km)
    x, y, depth = v[:, 0], v[:, 1], v[:, 2]
    by_vector = np.zeros((len(v), 2, 3))
    by_vector[:, 0, 0] = by_vector[:, 1, 1] = camera.focal_length_mm / depth
    by_vector[:, 0, 2] = -camera.focal_length_mm * x / depth**2
    by_vector[:, 1, 2] = -camera.focal_length_mm * y / depth**2
    lens = lens_jacobian(camera.distortion, camera.focal_length_mm * x / depth, camera.focal_length_mm * y / depth)
    by_place = np.stack([np.stack([lens.xx, lens.xy], -1), np.stack([lens.xy, lens.yy], -1)], axis=-2)
    by_pose = np.zeros((len(v), 3, 6))
    by_pose[:, :, :3] = -pose.rotation.T
    by_pose[:, :, 3:] = _cross_matrix(v)
    return by_place @ by_vector @ by_pose


def _cross_matrix(v: Array) -> Array:
    """[v]x, (N, 3, 3): a turn w of the camera moves a vector seen from it by v x w."""
    x, y, z = np.moveaxis(v, -1, 0)
    zero = np.zeros_like(x)
    rows = [[zero, -z, y], [z, zero, -x], [-y, x, zero]]
    return np.stack([np.stack(row, -1) for row in rows], axis=-2)
