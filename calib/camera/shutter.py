"""A focal-plane shutter over a moving camera: each line of the film has its own time, place and attitude.

The slit runs over the film as measured, at an even speed, and stands over the middle of the format at the mid time: a
place at c mm along its travel is exposed at ``t = c / speed``. By then a camera with velocity v and turn rate w has
moved to ``P + v t`` and turned by w t about its own axes, ``R exp([w t]x)``. Without a slit, or without a motion, all
of the film is seen from the pose of the mid time.
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
    """Whether different places of the film are seen from different poses."""
    return camera.shutter_slit is not None and pose.motion is not None


def seconds_per_mm(camera: Camera) -> tuple[float, float]:
    """How much later the film is exposed for each mm in x and in y; both 0 without a slit."""
    slit = camera.shutter_slit
    if slit is None:
        return 0.0, 0.0
    rate = (1.0 if slit.travel[0] == "+" else -1.0) / slit.speed_mm_s
    return (rate, 0.0) if slit.travel[1] == "x" else (0.0, rate)


def seconds_at(camera: Camera, film: FilmPoints) -> Array:
    """When film places are exposed, in seconds after the mid time."""
    by_x, by_y = seconds_per_mm(camera)
    return np.asarray(by_x * film.x_mm if by_x else by_y * film.y_mm)


def camera_km(camera: Camera, pose: Pose, film: FilmPoints) -> Array:
    """Where the camera stood when it exposed film places: (..., 3), or (3,) for all where it does not move."""
    if pose.motion is None or camera.shutter_slit is None:
        return pose.position_km
    return position_at(pose, seconds_at(camera, film))


def rays_of(camera: Camera, pose: Pose, film: FilmPoints) -> tuple[Array, Array]:
    """Rays that met film places: where they end, see `camera_km`, and unit vectors (..., 3), both in the Moon frame."""
    directions = film_to_direction(camera, film)
    if is_moving(camera, pose):
        seconds = seconds_at(camera, film)
        return position_at(pose, seconds), pose.to_moon(turned_on(pose.motion, directions, seconds))
    return pose.position_km, pose.to_moon(directions)


def position_at(pose: Pose, seconds: Array) -> Array:
    """Camera positions (..., 3) at times (...) after the mid time."""
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
