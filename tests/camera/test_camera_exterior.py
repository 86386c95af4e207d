"""Pointing in both forms: signs and directions from first principles, and against published angles."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from calib.camera.exterior import Pose, pose_of, quaternion_of, rotation_of, rotation_of_tilt, turn_between, turned
from calib.frame.pointing import PointingByPosition, PointingBySubPoint, Quaternion
from calib.moon import RADIUS_KM

ANGLE = st.floats(-360, 360)
EAST, NORTH, UP = np.eye(3)


def by_sub_point(lon=30.0, lat=20.0, tilt=0.0, azimuth=0.0, swing=180.0, altitude=60.0):
    return pose_of(
        PointingBySubPoint(
            sub_point_deg=(lon, lat), altitude_km=altitude, tilt_deg=tilt, tilt_azimuth_deg=azimuth, swing_deg=swing
        )
    )


def test_an_untilted_camera_with_azimuth_0_and_swing_180_has_north_up_and_east_right():
    x, y, z = rotation_of_tilt(0.0, 0.0, 180.0).T
    np.testing.assert_allclose([x, y, z], [EAST, -NORTH, -UP], atol=1e-15)


@given(st.floats(0.01, 89), ANGLE, ANGLE)
def test_the_optical_axis_and_the_nadir_point_follow_the_angles(tilt, azimuth, swing):
    """The axis is tilted towards the azimuth; the nadir point is imaged f tan(tilt) away, in the direction of swing."""
    m = rotation_of_tilt(tilt, azimuth, swing)
    axis = m[:, 2]
    assert axis @ -UP == pytest.approx(np.cos(np.radians(tilt)), abs=1e-14)
    assert axis @ NORTH == pytest.approx(np.sin(np.radians(tilt)) * np.cos(np.radians(azimuth)), abs=1e-14)
    assert axis @ EAST == pytest.approx(np.sin(np.radians(tilt)) * np.sin(np.radians(azimuth)), abs=1e-14)
    nadir = m.T @ -UP
    x, y = nadir[0] / nadir[2], nadir[1] / nadir[2]
    distance = np.tan(np.radians(tilt))
    # clockwise from image-up, with x to the right and y down: (sin s, -cos s)
    assert x == pytest.approx(distance * np.sin(np.radians(swing)), abs=1e-12 * (1 + distance))
    assert y == pytest.approx(-distance * np.cos(np.radians(swing)), abs=1e-12 * (1 + distance))


def test_published_tilt_swing_azimuth(published):
    """The same angles as omega, phi, kappa: M = R3(kappa) R2(phi) R1(omega), image y up and z backwards."""
    for row in published("tilt_swing_azimuth"):
        m = rotation_of_tilt(*(float(row[k]) for k in ("tilt_deg", "azimuth_deg", "swing_deg")))
        expected = Rotation.from_euler(
            "xyz", [-float(row[k]) for k in ("omega_deg", "phi_deg", "kappa_deg")], degrees=True
        ).as_matrix()
        found = (m * [1.0, -1.0, -1.0]).T
        # PHOTO-10 ff.: angles are printed to 1e-6 deg
        np.testing.assert_allclose(found, expected, atol=2.5e-8)


@given(st.floats(0, 180), ANGLE, ANGLE)
def test_rotation_is_right_handed_and_survives_as_a_quaternion(tilt, azimuth, swing):
    m = rotation_of_tilt(tilt, azimuth, swing)
    np.testing.assert_allclose(m.T @ m, np.eye(3), atol=1e-14)
    assert np.linalg.det(m) == pytest.approx(1.0, abs=1e-14)
    q = quaternion_of(m)
    assert q[0] >= 0
    np.testing.assert_allclose(rotation_of(q), m, atol=1e-14)
    # scipy keeps the scalar last
    np.testing.assert_allclose(Rotation.from_quat(np.roll(q, -1)).as_matrix(), m, atol=1e-14)


def test_the_limit_of_a_small_tilt_is_no_tilt():
    """The rotation is continuous at tilt 0 for all azimuths and swings."""
    np.testing.assert_allclose(rotation_of_tilt(1e-7, 77.0, 33.0), rotation_of_tilt(0.0, 77.0, 33.0), atol=2e-9)


@pytest.mark.parametrize("lat", [-90.0, -30.0, 0.0, 89.9, 90.0])
def test_position_stands_above_the_sub_point(lat):
    pose = by_sub_point(lon=-140.0, lat=lat, altitude=88.0, tilt=0.0)
    assert np.linalg.norm(pose.position_km) == pytest.approx(RADIUS_KM + 88.0, abs=1e-9)
    up = pose.position_km / np.linalg.norm(pose.position_km)
    np.testing.assert_allclose(pose.rotation[:, 2], -up, atol=1e-14)
    assert np.degrees(np.arcsin(up[2])) == pytest.approx(lat, abs=1e-6)


def test_both_forms_give_the_same_pose():
    pose = by_sub_point(tilt=14.0, azimuth=200.0, swing=201.0)
    w, x, y, z = quaternion_of(pose.rotation)
    other = pose_of(
        PointingByPosition(
            position_km=tuple(map(float, pose.position_km)),
            camera_to_moon=Quaternion(w=float(w), x=float(x), y=float(y), z=float(z)),
            sigma_position_km=0.3, sigma_attitude_deg=0.05,
        )
    )  # fmt: skip
    np.testing.assert_allclose(other.rotation, pose.rotation, atol=1e-14)
    np.testing.assert_allclose(other.position_km, pose.position_km)
    assert (other.sigma_position_km, other.sigma_attitude_deg) == (0.3, 0.05)


@given(st.tuples(*[st.floats(-1.7, 1.7)] * 3))
def test_turn_between_inverts_turned(turn):
    start = rotation_of_tilt(20.0, 10.0, 40.0)
    np.testing.assert_allclose(turn_between(start, turned(start, np.array(turn))), turn, atol=1e-12)


def test_to_camera_undoes_to_moon():
    pose = Pose(np.zeros(3), rotation_of_tilt(20.0, 10.0, 40.0))
    v = np.random.default_rng(0).normal(size=(4, 5, 3))
    np.testing.assert_allclose(pose.to_camera(pose.to_moon(v)), v, atol=1e-15)
    np.testing.assert_allclose(pose.to_moon(v), v @ pose.rotation.T, atol=1e-15)
