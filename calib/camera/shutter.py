"""A focal-plane shutter in a moving camera: each line of the film has its own time, position and attitude.

The slit moves over the film as measured, at constant speed, and is at the middle of the format at the mid time: a place
at c mm along its travel is exposed at ``t = c / speed``. At that time a camera with velocity v and turn rate w is at
``P + v t``, turned by w t about its own axes, ``R exp([w t]x)``. Without a slit, or without motion, the pose of the mid
time holds for all film.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.camera.exterior import Motion, Pose
from calib.camera.interior import film_to_direction
from calib.coordinates import Array, FilmPoints

if TYPE_CHECKING:
    from calib.frame.camera import Camera


def is_moving(camera: Camera, pose: Pose) -> bool:
    """Whether different places of the film are exposed at different poses."""
    return camera.shutter_slit is not None and pose.motion is not None


def seconds_per_mm(camera: Camera) -> tuple[float, float]:
    """Delay of the exposure per mm in x and in y, s/mm; both 0 without a slit."""
    slit = camera.shutter_slit
    if slit is None:
        return 0.0, 0.0
    rate = (1.0 if slit.travel[0] == "+" else -1.0) / slit.speed_mm_s
    return (rate, 0.0) if slit.travel[1] == "x" else (0.0, rate)


def seconds_at(camera: Camera, film: FilmPoints) -> Array:
    """Times of exposure of film places, in seconds after the mid time."""
    by_x, by_y = seconds_per_mm(camera)
    return np.asarray(by_x * film.x_mm if by_x else by_y * film.y_mm)


def camera_km(camera: Camera, pose: Pose, film: FilmPoints) -> Array:
    """Camera positions (..., 3) in km at the exposure of film places; (3,) for all if there is no motion or slit."""
    if pose.motion is None or camera.shutter_slit is None:
        return pose.position_km
    return position_at(pose, seconds_at(camera, film))


def rays_of(camera: Camera, pose: Pose, film: FilmPoints) -> tuple[Array, Array]:
    """Rays of film places in the Moon frame: camera positions as in `camera_km`, and unit vectors (..., 3)."""
    directions = film_to_direction(camera, film)
    if is_moving(camera, pose):
        seconds = seconds_at(camera, film)
        return position_at(pose, seconds), pose.to_moon(turned_on(pose.motion, directions, seconds))
    return pose.position_km, pose.to_moon(directions)


def position_at(pose: Pose, seconds: Array) -> Array:
    """Camera positions (..., 3) in km at times (...) in seconds after the mid time."""
    if pose.motion is None:
        return pose.position_km
    return np.asarray(pose.position_km + seconds[..., np.newaxis] * pose.motion.velocity_km_s)


def seen_at(pose: Pose, seconds: Array, position_km: Array) -> Array:
    """Vectors (..., 3) in camera axes from the camera to positions (..., 3) at times (...) after the mid time."""
    return turned_on(pose.motion, pose.to_camera(position_km - position_at(pose, seconds)), -seconds)


def turned_on(motion: Motion | None, vectors: Array, seconds: Array) -> Array:
    """``exp([w t]x) v`` for vectors (..., 3) in camera axes, by Rodrigues' formula."""
    rate = 0.0 if motion is None else float(np.linalg.norm(motion.turn_rad_s))
    if motion is None or rate == 0.0:
        return vectors
    x, y, z = motion.turn_rad_s / rate
    a, b, c = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    sine, versine = np.sin(rate * seconds), 2.0 * np.sin(rate * seconds / 2.0) ** 2
    along = x * a + y * b + z * c
    return np.stack(
        [
            a + sine * (y * c - z * b) + versine * (x * along - a),
            b + sine * (z * a - x * c) + versine * (y * along - b),
            c + sine * (x * b - y * a) + versine * (z * along - c),
        ],
        axis=-1,
    )
