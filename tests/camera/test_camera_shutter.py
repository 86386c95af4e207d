"""A slit in a moving camera: each film place equals that of a camera standing still at its time."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation

from calib.camera.adjustment import Control
from calib.camera.collinearity import film_at, moon_to_film, sensitivity
from calib.camera.exterior import Motion, Pose, moved, pose_of, turn_between, turned
from calib.camera.interior import direction_to_film
from calib.camera.resection import resect
from calib.camera.shutter import camera_km, rays_of, seconds_at, turned_on
from calib.coordinates import FilmPoints
from calib.frame.camera import Camera, Distortion, ShutterSlit
from calib.frame.pointing import PointingBySubPoint

LENS = Distortion(k1=2e-6, p1=1e-5, p2=-2e-5)
TRAVELS = st.sampled_from(["+x", "-x", "+y", "-y"])


def camera(travel=None, speed_mm_s=600.0, focal_length_mm=150.0, distortion=LENS):
    slit = None if travel is None else ShutterSlit(travel=travel, speed_mm_s=speed_mm_s)
    return Camera(
        focal_length_mm=focal_length_mm, principal_point_mm=(0.012, -0.034), distortion=distortion,
        format_mm=(60.0, 55.0), f_number=5.6, transmittance=0.8, shutter_slit=slit,
    )  # fmt: skip


def orbit(tilt=20.0, swing=150.0, altitude=90.0, velocity=(0.9, 1.2, -0.3), turn_deg=(0.8, -0.5, 0.3)):
    pointing = PointingBySubPoint(
        sub_point_deg=(-40.0, 12.0), altitude_km=altitude, tilt_deg=tilt, tilt_azimuth_deg=70.0, swing_deg=swing
    )
    still = pose_of(pointing)
    motion = None if velocity is None else Motion(np.array(velocity), np.radians(turn_deg))
    return Pose(still.position_km, still.rotation, motion=motion)


def places(pose, n, random):
    """Places (n, 3) about 95 km before the camera, over a field of some 60 mm by 50 mm at f = 150 mm."""
    ahead = np.c_[random.uniform(-0.18, 0.18, n), random.uniform(-0.16, 0.16, n), np.ones(n)]
    return pose.position_km + pose.to_moon(ahead * random.uniform(94, 97, n)[:, None])


@pytest.mark.parametrize(
    ("travel", "first"), [("+x", (-30.0, 0.0)), ("-x", (30.0, 0.0)), ("+y", (0.0, -27.5)), ("-y", (0.0, 27.5))]
)
def test_the_edge_that_the_slit_leaves_is_exposed_first(travel, first):
    """Half the format at 600 mm/s before the mid time; the centre at it; the other axis does not count."""
    half = max(np.abs(first))
    film = FilmPoints(np.array([first[0], 0.0, -first[0]]), np.array([first[1], 0.0, -first[1]]))
    np.testing.assert_allclose(seconds_at(camera(travel), film), np.array([-half, 0.0, half]) / 600.0, atol=1e-15)
    position = camera_km(camera(travel), orbit(), film)
    np.testing.assert_allclose(position[2] - position[0], 2 * half / 600.0 * np.array([0.9, 1.2, -0.3]), atol=1e-12)


@pytest.mark.parametrize(("travel", "velocity"), [(None, None), ("+y", None), (None, (0.9, 1.2, -0.3))])
def test_without_slit_or_motion_nothing_changes(travel, velocity):
    """Bit by bit what a single pose gives."""
    cam, pose = camera(travel), orbit(velocity=velocity)
    place = places(pose, 50, np.random.default_rng(1))
    found = moon_to_film(cam, pose, place)
    still = direction_to_film(cam, pose.to_camera(place - pose.position_km))
    np.testing.assert_array_equal(found.x_mm, still.x_mm)
    np.testing.assert_array_equal(found.y_mm, still.y_mm)
    np.testing.assert_array_equal(sensitivity(cam, pose, place), sensitivity(camera(), orbit(velocity=None), place))
    assert camera_km(cam, pose, found) is pose.position_km
    assert rays_of(cam, pose, found)[0] is pose.position_km


@settings(max_examples=60)
@given(
    TRAVELS, st.floats(150, 5000), st.floats(0, 50), st.tuples(*[st.floats(-1.7, 1.7)] * 3),
    st.tuples(*[st.floats(-3, 3)] * 3), st.integers(0, 10**6),
)  # fmt: skip
def test_each_place_is_seen_from_the_pose_of_its_time(travel, speed, tilt, velocity, turn_deg, seed):
    """Against a camera standing still at P + v t, turned by w t: the same film place to 1e-9 mm, and the same ray."""
    cam, pose = camera(travel, speed), orbit(tilt, velocity=velocity, turn_deg=turn_deg)
    place = places(pose, 4, np.random.default_rng(seed))
    film = moon_to_film(cam, pose, place)
    assert np.isfinite(film.x_mm).all()
    origin, rays = rays_of(cam, pose, film)
    for k, t in enumerate(seconds_at(cam, film)):
        there = Pose(pose.position_km + t * np.array(velocity), turned(pose.rotation, t * np.radians(turn_deg)))
        still = moon_to_film(camera(), there, place[k])
        assert abs(still.x_mm - film.x_mm[k]) < 1e-9
        assert abs(still.y_mm - film.y_mm[k]) < 1e-9
        away = place[k] - there.position_km
        np.testing.assert_allclose(origin[k], there.position_km, atol=1e-10)
        np.testing.assert_allclose(rays[k], away / np.linalg.norm(away), atol=1e-10)


def test_the_time_is_the_root_that_a_general_solver_finds():
    """scipy's Brent on (place of the slit) - (place of the image), an image as fast as a third of the slit."""
    cam, pose = camera("-x", 60.0), orbit(velocity=(5.0, 8.0, -3.0), turn_deg=(0.0, 6.0, 0.0))
    place = places(pose, 6, np.random.default_rng(4))
    found = seconds_at(cam, moon_to_film(cam, pose, place))
    for one, t in zip(place, found, strict=True):

        def gap(s, one=one):
            return float(seconds_at(cam, film_at(cam, pose, one, np.array(s)))) - s

        assert t == pytest.approx(brentq(gap, -2, 2, xtol=1e-14), abs=1e-11)
    spread = np.ptp(seconds_at(cam, moon_to_film(camera(), orbit(velocity=None), place)) - found)
    assert spread > 0.01  # of a second: the motion is no small correction here


@given(st.tuples(*[st.floats(-2, 2)] * 3), st.floats(-3, 3))
def test_a_continuing_turn_equals_that_of_a_general_library(turn, seconds):
    vectors = np.array([[0.1, -0.2, 1.0], [3.0, 2.0, 1.0]])
    found = turned_on(Motion(np.zeros(3), np.array(turn)), vectors, np.full(2, seconds))
    np.testing.assert_allclose(found, Rotation.from_rotvec(np.array(turn) * seconds).apply(vectors), atol=1e-13)


def test_result_does_not_depend_on_how_many_places_are_asked_for():
    cam, pose = camera("+y", 100.0), orbit()
    place = places(pose, 101, np.random.default_rng(5))
    together = moon_to_film(cam, pose, place.reshape(101, 1, 3))
    assert together.x_mm.shape == (101, 1)
    for k in (0, 7, 100):
        alone = moon_to_film(cam, pose, place[k])
        assert alone.x_mm.shape == ()
        assert (alone.x_mm, alone.y_mm) == (together.x_mm[k, 0], together.y_mm[k, 0])


def test_places_behind_the_camera_and_images_that_the_slit_never_meets():
    """NaN for what has no image, and for an image that keeps pace with the slit."""
    pose = orbit(velocity=(0.0, 0.0, 0.0), turn_deg=(0.0, 0.0, 0.0))
    behind = pose.position_km - pose.to_moon(np.array([[0.0, 0.0, 90.0]]))
    assert np.isnan(moon_to_film(camera("+y"), pose, behind).y_mm).all()
    # f = 150 mm at 90 km: 1.2 km/s along the camera's own Y moves the image at -2 mm/s; the slit follows at 2 mm/s
    along = pose.to_moon(np.array([0.0, 1.2, 0.0]))
    racing = Pose(pose.position_km, pose.rotation, motion=Motion(along, np.zeros(3)))
    ahead = pose.position_km + pose.to_moon(np.array([[0.0, 9.0, 90.0]]))
    plain = camera("-y", 2.0, distortion=Distortion())
    assert np.isnan(moon_to_film(plain, racing, ahead).y_mm).all()
    assert np.isfinite(moon_to_film(camera("-y", 4.1, distortion=Distortion()), racing, ahead).y_mm).all()


@pytest.mark.parametrize("travel", ["+x", "-y"])
def test_sensitivity_is_the_slope_also_under_a_slit(travel):
    """Analytic derivatives against central differences, with an image at up to a third of the slit's speed."""
    cam, pose = camera(travel, 60.0), orbit(velocity=(5.0, 8.0, -3.0), turn_deg=(2.0, 5.0, 40.0))
    place = places(pose, 5, np.random.default_rng(3))
    found = sensitivity(cam, pose, place)
    for k in range(6):
        h = 1e-4 if k < 3 else 1e-6
        late, early = (moon_to_film(cam, moved(pose, sign * h * np.eye(6)[k]), place) for sign in (1, -1))
        slope = np.c_[late.x_mm - early.x_mm, late.y_mm - early.y_mm] / (2 * h)
        np.testing.assert_allclose(found[:, :, k], slope, rtol=1e-6, atol=1e-6 if k < 3 else 1e-4)


def test_resection_under_a_slit_finds_the_pose_of_the_mid_time():
    """12 frames, two blunders in twelve: all found, errors as large as the covariance says to 12 %."""
    random = np.random.default_rng(6)
    cam, truth = camera("+y", 300.0), orbit()
    squares = []
    for _ in range(12):
        place = places(truth, 12, random)
        exact = moon_to_film(cam, truth, place)
        film = FilmPoints(exact.x_mm + random.normal(0, 0.004, 12), exact.y_mm + random.normal(0, 0.004, 12))
        film.x_mm[[2, 9]] += [0.2, -0.08]
        start = moved(truth, np.r_[random.normal(0, 0.3, 3), np.radians(random.normal(0, 0.05, 3))])
        fit = resect(cam, Control(tuple("abcdefghijkl"), place, film, np.full(12, 0.004)), start)
        assert fit
        assert {"c", "j"} <= set(fit.rejected)
        assert fit.pose.motion is truth.motion
        error = np.r_[fit.pose.position_km - truth.position_km, turn_between(truth.rotation, fit.pose.rotation)]
        squares.append(error @ np.linalg.solve(fit.covariance, error))
    assert 0.75 < np.sqrt(np.mean(squares) / 6) < 1.25


@settings(max_examples=30)
@given(TRAVELS, st.tuples(*[st.floats(-3, 3)] * 3), st.integers(0, 10**6))
def test_turning_moon_and_camera_with_its_motion_together_changes_nothing(travel, turn, seed):
    cam, pose = camera(travel, 200.0), orbit()
    place = places(pose, 3, np.random.default_rng(seed))
    film = moon_to_film(cam, pose, place)
    assume(np.isfinite(film.x_mm).all())
    m = Rotation.from_rotvec(turn).as_matrix()
    motion = Motion(m @ pose.motion.velocity_km_s, pose.motion.turn_rad_s)
    again = moon_to_film(cam, Pose(m @ pose.position_km, m @ pose.rotation, motion=motion), place @ m.T)
    np.testing.assert_allclose(again.x_mm, film.x_mm, atol=1e-8)
    np.testing.assert_allclose(again.y_mm, film.y_mm, atol=1e-8)
