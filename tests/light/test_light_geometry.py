"""Angles between ground, Sun and camera: laws that hold whatever way the axes lie."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.light.geometry import angle_between, photometric_angles, sun_direction
from calib.moon import SubsolarPoint

SEED = st.integers(0, 2**32 - 1)


def directions(seed: int, count: int) -> NDArray[np.float64]:
    vectors = np.random.default_rng(seed).normal(size=(count, 3))
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


@settings(deadline=None)
@given(SEED)
def test_turning_everything_together_changes_no_angle(seed: int) -> None:
    normal, sun, camera = directions(seed, 60).reshape(3, 20, 3)
    turn = Rotation.random(rng=np.random.default_rng(seed)).as_matrix()
    before = photometric_angles(normal, sun, camera)
    after = photometric_angles(normal @ turn.T, sun @ turn.T, camera @ turn.T)
    for name in ("incidence_deg", "emission_deg", "phase_deg"):
        np.testing.assert_allclose(getattr(after, name), getattr(before, name), rtol=0, atol=1e-12)


@settings(deadline=None)
@given(SEED)
def test_the_angles_are_sides_of_a_triangle(seed: int) -> None:
    """|i - e| <= g <= i + e, and i + e + g <= 360; exchanging Sun and camera exchanges i and e."""
    normal, sun, camera = directions(seed, 60).reshape(3, 20, 3)
    angles = photometric_angles(normal, sun, camera)
    i, e, g = angles.incidence_deg, angles.emission_deg, angles.phase_deg
    assert (np.abs(i - e) <= g + 1e-12).all()
    assert (g <= np.minimum(i + e, 360.0 - i - e) + 1e-12).all()
    exchanged = photometric_angles(normal, camera, sun)
    np.testing.assert_array_equal(exchanged.incidence_deg, e)
    np.testing.assert_array_equal(exchanged.phase_deg, g)


@pytest.mark.parametrize("angle", [0.0, 1e-9, 1e-4, 30.0, 90.0, 179.9999, 180.0])
def test_small_and_flat_angles_keep_their_digits(angle: float) -> None:
    """The opposition surge is a matter of small phases: the arc cosine would make 1e-9 deg a zero."""
    a = np.array([1.0, 0.0, 0.0])
    b = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle)), 0.0])
    assert angle_between(a, b) == pytest.approx(angle, rel=1e-9, abs=1e-13)


def test_the_sun_stands_in_the_zenith_of_its_point_and_on_the_horizon_90_deg_away() -> None:
    sun = SubsolarPoint(lon_deg=-120.0, lat_deg=1.5, distance_au=1.0)
    lon, lat = np.radians([-120.0, -30.0, -120.0]), np.radians([1.5, 0.0, -88.5])
    normal = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)
    np.testing.assert_allclose(angle_between(normal, sun_direction(sun)), [0.0, 90.0, 90.0], atol=1e-12)
