"""A frame's outline, and how well its corners are known."""

from dataclasses import replace

import numpy as np
import pytest

from calib.camera.exterior import Pose, turned
from calib.coordinates import FilmPoints
from calib.ground.footprint import footprint_ring, format_corners, place_ellipses, stated_covariance
from calib.ground.sphere import east_north, emission_deg, ground_to_moon, moon_to_ground
from calib.ground.view import View, film_to_ground, film_to_moon


def area_deg2(ring, lon, lat):
    """Signed area of a ring about a middle, counter-clockwise positive, longitude to scale."""
    x = ((ring.lon_deg - lon + 180) % 360 - 180) * np.cos(np.radians(lat))
    y = ring.lat_deg - lat
    return 0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))


def test_the_ring_goes_around_the_format_counter_clockwise(view):
    """Straight down from 88 km with f = 350 mm: 21 mm x 12 mm of film are 5.28 km x 3.02 km of ground."""
    ring = footprint_ring(view(swing=33.0))
    expected = (21 * 12) * (88 / 350) ** 2 / 30.3233504**2
    assert area_deg2(ring, -77.0, 19.0) == pytest.approx(expected, rel=1e-3)


def test_the_ring_has_the_corners(view):
    seen = view(tilt=20.0, swing=70.0)
    ring, corners = ground_to_moon(footprint_ring(seen)), film_to_moon(seen, format_corners(seen))
    for corner in corners:
        assert np.linalg.norm(ring - corner, axis=1).min() < 1e-6


def test_with_the_limb_in_the_frame_the_ring_ends_at_80_degrees(view):
    seen = view(tilt=68.0, azimuth=300.0, altitude=100.0, focal_length_mm=30.0)
    emission = emission_deg(ground_to_moon(footprint_ring(seen)), seen.pose.position_km)
    assert emission.max() == pytest.approx(80.0, abs=1e-6)
    assert np.all(np.isnan(film_to_moon(seen, format_corners(seen)))[:, 0].sum() >= 1)


def test_no_ring_of_a_frame_that_misses_the_moon(view):
    assert footprint_ring(view(tilt=120.0)) is None


def test_an_ellipse_is_the_scatter_of_the_place(view):
    """800 poses drawn from the stated sigmas: the scatter of the place is the ellipse; a draw scatters by 2.5 %."""
    seen = view(tilt=35.0, azimuth=120.0, swing=10.0, altitude=60.0)
    pose = replace(seen.pose, sigma_position_km=0.05, sigma_attitude_deg=0.1)
    film = FilmPoints(np.array([9.0]), np.array([-5.0]))
    (found,) = place_ellipses(View(seen.camera, pose), film, stated_covariance(pose))
    middle = film_to_moon(seen, film)[0]
    east, north = east_north(*(np.array(v) for v in (found.lon_deg, found.lat_deg)))
    random = np.random.default_rng(0)
    places = []
    for _ in range(800):
        other = Pose(
            pose.position_km + random.normal(0, 0.05, 3),
            turned(pose.rotation, np.radians(random.normal(0, 0.1, 3))),
        )
        places.append(film_to_moon(View(seen.camera, other), film)[0] - middle)
    local = 1000 * np.c_[np.array(places) @ east, np.array(places) @ north]
    value, axes = np.linalg.eigh(np.cov(local.T))
    assert found.semi_major_m == pytest.approx(np.sqrt(value[1]), rel=0.08)
    assert found.semi_minor_m == pytest.approx(np.sqrt(value[0]), rel=0.08)
    azimuth = np.degrees(np.arctan2(axes[0, 1], axes[1, 1])) % 180
    assert abs((found.azimuth_deg - azimuth + 90) % 180 - 90) < 8


def test_straight_down_the_ellipse_is_a_circle_of_known_size(view):
    """Below the camera: sqrt(sigma_position2 + (altitude sigma_attitude)2), in every direction."""
    seen = view(altitude=100.0)
    pose = replace(seen.pose, sigma_position_km=0.3, sigma_attitude_deg=0.05)
    film = FilmPoints(np.array([0.012]), np.array([-0.034]))
    (found,) = place_ellipses(View(seen.camera, pose), film, stated_covariance(pose))
    # seen from the Moon's centre the sub-point moves by R / (R + h) of the camera's way; the axis adds the rest
    expected = 1000 * np.hypot(0.3, 100 * np.radians(0.05))
    assert found.semi_major_m == pytest.approx(expected, rel=1e-3)
    assert found.semi_minor_m == pytest.approx(expected, rel=1e-3)
    place = film_to_ground(seen, film)
    assert (found.lon_deg, found.lat_deg) == pytest.approx((place.lon_deg[0], place.lat_deg[0]))


def test_what_is_not_known_has_no_ellipse(view):
    seen = view(tilt=68.0, azimuth=300.0, altitude=100.0, focal_length_mm=30.0)
    assert stated_covariance(seen.pose) is None
    assert stated_covariance(replace(seen.pose, sigma_position_km=0.3)) is None
    found = place_ellipses(seen, format_corners(seen), np.diag(np.full(6, 1e-8)))
    missed = np.isnan(moon_to_ground(film_to_moon(seen, format_corners(seen))).lon_deg)
    assert missed.any()
    assert [one is None for one in found] == list(missed)
