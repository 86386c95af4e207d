"""The sphere: coordinates both ways, and rays that meet it, graze it or pass it by."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.coordinates import GroundPoints
from calib.ground.sphere import (
    arc_deg,
    east_north,
    emission_deg,
    ground_to_moon,
    moon_to_ground,
    ray_to_sphere,
    up,
)
from calib.moon import RADIUS_KM


@given(st.floats(-180, 180), st.floats(-90, 90), st.floats(-10, 2000))
def test_ground_to_moon_and_back(lon, lat, height):
    place = ground_to_moon(GroundPoints(np.array(lon), np.array(lat), np.array(height)))
    back = moon_to_ground(place)
    again = ground_to_moon(back)
    np.testing.assert_allclose(again, place, atol=1e-9)  # a micrometre
    assert abs(back.height_km - height) < 1e-9


def test_known_places():
    place = ground_to_moon(
        GroundPoints(np.array([0.0, 90.0, 0.0]), np.array([0.0, 0.0, 90.0]), np.array([0.0, 1.0, -1.0]))
    )
    np.testing.assert_allclose(place, [[RADIUS_KM, 0, 0], [0, RADIUS_KM + 1, 0], [0, 0, RADIUS_KM - 1]], atol=1e-12)


@given(st.floats(-180, 180), st.floats(-90, 90))
def test_east_north_up_is_right_handed(lon, lat):
    east, north = east_north(np.array(lon), np.array(lat))
    np.testing.assert_allclose(np.cross(east, north), up(np.array(lon), np.array(lat)), atol=1e-15)


@given(st.floats(1.0, 5000.0), st.floats(0, 0.9999), st.floats(0, 360))
def test_a_ray_meets_the_sphere_on_the_near_side(altitude, share_of_limb, turn):
    """The meeting lies on the sphere, on the ray, and on the camera's side."""
    origin = np.array([0.0, 0.0, RADIUS_KM + altitude])
    off_nadir = share_of_limb * np.arcsin(RADIUS_KM / origin[2])
    t = np.radians(turn)
    ray = np.array([np.sin(off_nadir) * np.cos(t), np.sin(off_nadir) * np.sin(t), -np.cos(off_nadir)])
    place, hit = ray_to_sphere(origin, ray)
    assert hit
    assert np.linalg.norm(place) == pytest.approx(RADIUS_KM, abs=1e-8)
    assert np.linalg.norm(np.cross(place - origin, ray)) < 1e-8
    assert emission_deg(place, origin) < 90


def test_at_the_limb_a_millimetre_decides():
    """A ray that passes a millimetre above the limb misses, one a millimetre below hits near the horizon."""
    origin = np.array([RADIUS_KM + 100.0, 0.0, 0.0])
    limb = np.arcsin(RADIUS_KM / origin[0])
    for offset_km, expected in ((1e-6, False), (-1e-6, True)):
        angle = np.arcsin((RADIUS_KM + offset_km) / origin[0])
        place, hit = ray_to_sphere(origin, np.array([-np.cos(angle), np.sin(angle), 0.0]))
        assert bool(hit) is expected
        assert np.isfinite(place).all() == expected
    at_horizon = np.degrees(np.arctan2(np.cos(limb), np.sin(limb)))
    assert arc_deg(90.0, origin[0]) == pytest.approx(at_horizon, abs=1e-9)


def test_rays_away_from_the_moon_or_from_inside_it_meet_nothing():
    outward = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [np.nan, 0.0, 0.0]])
    place, hit = ray_to_sphere(np.array([2000.0, 0.0, 0.0]), outward)
    assert not hit.any()
    assert np.isnan(place).all()
    assert not ray_to_sphere(np.array([100.0, 0.0, 0.0]), outward[:1])[1].any()


def test_arc_of_an_emission_angle():
    """The place `arc_deg` away from the point below is seen under that emission angle."""
    for emission in (0.0, 10.0, 80.0, 89.0):
        arc = np.radians(arc_deg(emission, RADIUS_KM + 300.0))
        place = RADIUS_KM * np.array([np.cos(arc), np.sin(arc), 0.0])
        assert emission_deg(place, np.array([RADIUS_KM + 300.0, 0.0, 0.0])) == pytest.approx(emission, abs=1e-9)
