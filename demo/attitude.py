"""Pointing: from sub-point, tilt, azimuth and swing to position and rotation; quaternions; what the package states."""

import numpy as np
from calib_demo.chance import stream
from calib_demo.scenario import Pointing, Scenario
from calib_demo.terrain import Terrain
from calib_demo.view import RADIUS_KM, View, point_of
from numpy.typing import NDArray

Array = NDArray[np.float64]


def pose_from_sub_point(pointing: Pointing) -> tuple[Array, Array]:
    """Position (3,) km and rotation (3, 3), camera to Moon.

    The axis Z leaves the nadir by the tilt towards the azimuth; in the image the nadir point lies in the direction
    ``sin(swing) X - cos(swing) Y``.
    """
    lon = np.radians(pointing.sub_point_deg[0])
    up = point_of(*pointing.sub_point_deg) / RADIUS_KM
    east = np.array([-np.sin(lon), np.cos(lon), 0.0])
    north = np.cross(up, east)
    tilt, azimuth, swing = np.radians([pointing.tilt_deg, pointing.tilt_azimuth_deg, pointing.swing_deg])
    ahead = np.cos(azimuth) * north + np.sin(azimuth) * east
    axis = np.sin(tilt) * ahead - np.cos(tilt) * up
    to_nadir = -np.cos(tilt) * ahead - np.sin(tilt) * up
    across = np.cross(axis, to_nadir)
    right = np.sin(swing) * to_nadir + np.cos(swing) * across
    down = -np.cos(swing) * to_nadir + np.sin(swing) * across
    return (RADIUS_KM + pointing.altitude_km) * up, np.stack([right, down, axis], axis=1)


def quaternion_of(rotation: Array) -> Array:
    """Unit quaternion (w, x, y, z), w >= 0, of a rotation: the dominant eigenvector of a symmetric 4 x 4 form."""
    (a, b, c), (d, e, f), (g, h, i) = rotation
    form = np.array(
        [
            [a + e + i, h - f, c - g, d - b],
            [h - f, a - e - i, b + d, c + g],
            [c - g, b + d, e - a - i, f + h],
            [d - b, c + g, f + h, i - a - e],
        ]
    )
    vector = np.linalg.eigh(form)[1][:, -1]
    return np.asarray(vector if vector[0] >= 0 else -vector)


def rotation_of(quaternion: Array) -> Array:
    """Rotation (3, 3) of a quaternion (w, x, y, z) of any length."""
    w, x, y, z = np.asarray(quaternion) / np.linalg.norm(quaternion)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
            [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
            [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
        ]
    )


def true_pose(pointing: Pointing) -> tuple[Array, Array]:
    """The pose the frame was taken with: where the package states it rightly, exactly what its rounded numbers say."""
    position, rotation = pose_from_sub_point(pointing)
    if pointing.form == "sub_point":
        return position, rotation
    return np.round(position, 6), rotation_of(np.round(quaternion_of(rotation), 12))


def stated_pose(pointing: Pointing, seed: int) -> tuple[Array, Array]:
    """Position and quaternion (4,) as the package states them: true, or off by draws of the stated sigmas."""
    position, rotation = pose_from_sub_point(pointing)
    if pointing.is_wrong:
        chance = stream(seed, "pointing")
        position = position + chance.normal(0.0, pointing.sigma_position_km or 0.0, 3)
        turn = np.radians(chance.normal(0.0, pointing.sigma_attitude_deg or 0.0, 3)) / 2.0
        rotation = rotation @ rotation_of(np.array([1.0, *turn]))
    return np.round(position, 6), np.round(quaternion_of(rotation), 12)


def moving_view(scenario: Scenario, position_km: Array, rotation: Array, terrain: Terrain | None) -> View:
    """The camera of a scenario at a place, with its shutter and its motion."""
    lens, pointing = scenario.lens, scenario.pointing
    return View(
        lens.focal_length_mm,
        lens.principal_point_mm,
        lens.distortion,
        position_km,
        rotation,
        terrain,
        lens.slit,
        pointing.velocity_km_s or (0.0, 0.0, 0.0),
        tuple(np.radians(pointing.turn_deg_s)),
    )
