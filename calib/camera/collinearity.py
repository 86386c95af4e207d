"""Projects positions in the Moon frame onto the film, with derivatives with respect to the pose."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.camera.exterior import Motion, Pose
from calib.camera.interior import direction_to_film, lens_jacobian
from calib.camera.shutter import is_moving, position_at, seconds_at, seconds_per_mm, seen_at, turned_on
from calib.coordinates import Array, FilmPoints

if TYPE_CHECKING:
    from calib.frame.camera import Camera

SLIT_MM = 1e-9  # largest distance of a place from the slit at the time it is imaged
SECANT_STEPS = 30  # limit; the secant method normally needs a few
SLOPES = (-2.0, -0.25)  # bounds: a slope outside them is due to rounding of the times, see `ground.slit`


def moon_to_film(camera: Camera, pose: Pose, position_km: Array) -> FilmPoints:
    """Film places of positions (..., 3), without a test for occlusion; NaN where there is no image.

    For a moving camera with a slit, it is the place at which the slit stands when the position is imaged there.
    """
    if not is_moving(camera, pose):
        return direction_to_film(camera, pose.to_camera(position_km - pose.position_km))
    flat = np.reshape(position_km, (-1, 3))
    film = film_at(camera, pose, flat, _seconds_of(camera, pose, flat))
    shape = np.shape(position_km)[:-1]
    return FilmPoints(film.x_mm.reshape(shape), film.y_mm.reshape(shape))


def film_at(camera: Camera, pose: Pose, position_km: Array, seconds: Array) -> FilmPoints:
    """Film places of positions (..., 3) if all film were exposed at times (...) in seconds after the mid time."""
    return direction_to_film(camera, seen_at(pose, seconds, position_km))


def _seconds_of(camera: Camera, pose: Pose, position_km: Array) -> Array:
    """Times (N,), in seconds after the mid time, at which the slit meets the images of positions (N, 3); NaN if never.

    They are roots of (time of the slit at the image) - t, by the secant method. Each place is iterated on its own, so
    that no result depends on the number of places.
    """
    close = SLIT_MM * max(abs(rate) for rate in seconds_per_mm(camera))
    last, seconds = np.zeros(len(position_km)), np.zeros(len(position_km))
    off = seconds_at(camera, film_at(camera, pose, position_km, seconds))
    slope = np.full(seconds.shape, -1.0)  # d off / dt; the image moves far slower than the slit
    open_ = np.flatnonzero(np.isfinite(off))
    for _ in range(SECANT_STEPS):
        open_ = open_[np.abs(off[open_]) > 0.01 * close]
        if open_.size == 0:
            break
        last[open_], off_last = seconds[open_], off[open_]
        seconds[open_] = last[open_] - off_last / slope[open_]
        t = seconds[open_]
        off[open_] = seconds_at(camera, film_at(camera, pose, position_km[open_], t)) - t
        slope[open_] = np.clip((off[open_] - off_last) / (t - last[open_]), *SLOPES)
        open_ = open_[np.isfinite(off[open_])]
    return np.where(np.abs(off) <= close, seconds, np.nan)


def sensitivity(camera: Camera, pose: Pose, position_km: Array) -> Array:
    """Derivatives (N, 2, 6) of the film places (x, y in mm) of positions (N, 3) with respect to the pose.

    Order of the six: the camera's position along the Moon's x, y, z (km), then a turn about the camera's own X, Y, Z
    (radians; see `exterior.turned`).
    """
    if not is_moving(camera, pose):
        v = pose.to_camera(position_km - pose.position_km)
        return _by_vector(camera, v) @ _by_pose(pose, v)
    film = moon_to_film(camera, pose, position_km)
    seconds = seconds_at(camera, film)
    early = pose.to_camera(position_km - position_at(pose, seconds))
    v = turned_on(pose.motion, early, -seconds)
    by_vector, by_pose = _by_vector(camera, v), _by_pose(pose, early)
    turned_by_pose = turned_on(pose.motion, np.swapaxes(by_pose, 1, 2), -seconds[:, np.newaxis])
    by_unknown = by_vector @ np.swapaxes(turned_by_pose, 1, 2)
    by_time = by_vector @ _by_time(pose, pose.motion, v, seconds)[..., np.newaxis]
    rate = np.array(seconds_per_mm(camera))
    # the time depends on the place: t = rate . place, so dt = (rate . d place) / (1 - rate . velocity)
    share = np.einsum("k,nkj->nj", rate, by_unknown) / (1.0 - np.einsum("k,nkj->nj", rate, by_time))
    return np.asarray(by_unknown + by_time * share[:, np.newaxis, :])


def _by_vector(camera: Camera, v: Array) -> Array:
    """Derivatives (N, 2, 3) of the film place with respect to the vector (N, 3) from the camera, in camera axes."""
    x, y, depth = v[:, 0], v[:, 1], v[:, 2]
    by_vector = np.zeros((len(v), 2, 3))
    by_vector[:, 0, 0] = by_vector[:, 1, 1] = camera.focal_length_mm / depth
    by_vector[:, 0, 2] = -camera.focal_length_mm * x / depth**2
    by_vector[:, 1, 2] = -camera.focal_length_mm * y / depth**2
    lens = lens_jacobian(camera.distortion, camera.focal_length_mm * x / depth, camera.focal_length_mm * y / depth)
    by_place = np.stack([np.stack([lens.xx, lens.xy], -1), np.stack([lens.xy, lens.yy], -1)], axis=-2)
    return by_place @ by_vector


def _by_pose(pose: Pose, v: Array) -> Array:
    """Derivatives (N, 3, 6) of the vector with respect to the pose."""
    by_pose = np.zeros((len(v), 3, 6))
    by_pose[:, :, :3] = -pose.rotation.T
    by_pose[:, :, 3:] = _cross_matrix(v)
    return by_pose


def _by_time(pose: Pose, motion: Motion | None, v: Array, seconds: Array) -> Array:
    """Rate of change (N, 3) per second of the vector, due to the camera's velocity and turn rate."""
    if motion is None:
        return np.zeros_like(v)
    onward = turned_on(motion, np.broadcast_to(pose.to_camera(motion.velocity_km_s), v.shape), -seconds)
    return np.cross(v, motion.turn_rad_s) - onward


def _cross_matrix(v: Array) -> Array:
    """[v]x, (N, 3, 3): a turn w of the camera moves a vector seen from it by v x w."""
    x, y, z = np.moveaxis(v, -1, 0)
    zero = np.zeros_like(x)
    rows = [[zero, -z, y], [z, zero, -x], [-y, x, zero]]
    return np.stack([np.stack(row, -1) for row in rows], axis=-2)
