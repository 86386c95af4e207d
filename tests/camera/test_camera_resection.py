"""Resection: handbook examples, a general solver, the covariance against scatter, and outliers found by name."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from calib.camera.adjustment import Control
from calib.camera.collinearity import moon_to_film, sensitivity
from calib.camera.exterior import Pose, pose_of, rotation_of_tilt, turn_between, turned
from calib.camera.interior import film_to_direction
from calib.camera.resection import resect
from calib.coordinates import FilmPoints
from calib.errors import NotPossible
from calib.frame.camera import Camera, Distortion
from calib.frame.pointing import PointingBySubPoint
from calib.ground.sphere import ground_to_moon, moon_to_ground, ray_to_sphere

LENS = Distortion(k1=1e-6, p1=2e-6)


def camera(focal_length_mm=150.0, distortion=LENS, principal=(0.012, -0.034), size_mm=(60.0, 55.0)):
    return Camera(
        focal_length_mm=focal_length_mm, principal_point_mm=principal, distortion=distortion, format_mm=size_mm,
        f_number=5.6, transmittance=0.8,
    )  # fmt: skip


def handbook(published, example, focal_length_mm, height):
    """Fit an aerial example from a rough vertical start above the middle of its points; also its residuals."""
    rows = [row for row in published("space_resection") if row["example"] == example]
    x, y, *ground = (np.array([float(row[k]) for row in rows]) for k in ("x_mm", "y_mm", "X", "Y", "Z"))
    xyz = np.stack(ground, axis=-1)
    control = Control(tuple(row["id"] for row in rows), xyz, FilmPoints(x, -y), np.full(len(x), 0.01))
    swing = 180.0 if example == "wuhan" else 120.0
    start = Pose(np.array([*xyz.mean(axis=0)[:2], height]), rotation_of_tilt(0.0, 0.0, swing))
    fit = resect(camera(focal_length_mm, Distortion(), (0.0, 0.0), (230.0, 230.0)), control, start)
    assert fit
    m = (fit.pose.rotation * [1.0, -1.0, -1.0]).T  # image y up, z backwards
    omega, phi, kappa = np.arctan2(-m[2, 1], m[2, 2]), np.arcsin(m[2, 0]), np.arctan2(-m[1, 0], m[0, 0])
    return fit, np.array([omega, phi, kappa])


def test_four_point_handbook_example(published):
    fit, angles = handbook(published, "wolf", 152.916, 700.0)
    np.testing.assert_allclose(fit.pose.position_km, [1027.8571, 1044.1138, 648.1974], atol=1e-4)
    np.testing.assert_allclose(np.degrees(angles), [-0.410881, 1.210148, 102.800322], atol=1e-6)
    expected = -np.array([[0.000575, -0.002272], [-0.000136, 0.002352], [0.002061, 0.000346], [-0.002569, -0.000368]])
    np.testing.assert_allclose(np.c_[fit.residual_x_mm, -fit.residual_y_mm], expected, atol=1e-6)
    # sigma0 = 0.003328 mm against the 0.01 mm stated here
    assert np.sqrt(fit.variance_factor) * 0.01 == pytest.approx(0.003328, abs=1e-6)
    deviations = np.sqrt(np.diag(fit.covariance)) * 0.3328
    np.testing.assert_allclose(deviations[:3], [0.027, 0.027, 0.008], atol=6e-4)


def test_five_point_handbook_example(published):
    """Redundant: compared with scipy's solver on the textbook's own form of the equations, image y up."""
    fit, angles = handbook(published, "wolf5", 152.916, 700.0)
    rows = [row for row in published("space_resection") if row["example"] == "wolf5"]
    x, y, *ground = (np.array([float(row[k]) for row in rows]) for k in ("x_mm", "y_mm", "X", "Y", "Z"))

    def misfit(unknown):
        u, v, w = Rotation.from_euler("xyz", -unknown[:3]).as_matrix() @ (np.stack(ground) - unknown[3:, None])
        return np.concatenate([-152.916 * u / w - x, -152.916 * v / w - y])

    scale = [1, 1, 1, 600, 600, 600]
    other = least_squares(misfit, [0, 0, 1.8, 1027, 1044, 611], x_scale=scale, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    np.testing.assert_allclose(fit.pose.position_km, other.x[3:], atol=1e-4)
    np.testing.assert_allclose(angles, other.x[:3], atol=1e-8)


def test_textbook_example_with_relief(published):
    fit, angles = handbook(published, "wuhan", 153.24, 8000.0)
    np.testing.assert_allclose(fit.pose.position_km, [39795.452, 27476.462, 7572.686], atol=0.01)
    np.testing.assert_allclose(angles, [0.002113930, 0.003986923, -0.067586413], atol=1e-6)


def orbit(tilt=20.0, swing=150.0, sigma_position_km=None, sigma_attitude_deg=None, altitude=90.0):
    return pose_of(
        PointingBySubPoint(
            sub_point_deg=(-40.0, 12.0), altitude_km=altitude, tilt_deg=tilt, tilt_azimuth_deg=70.0, swing_deg=swing,
            sigma_position_km=sigma_position_km, sigma_attitude_deg=sigma_attitude_deg,
        )
    )  # fmt: skip


def points(cam, pose, n, random, relief_km=1.5, sigma_mm=0.004):
    """Control points imaged by a true pose: places over the format, at various heights, measured with scatter."""
    film = FilmPoints(random.uniform(-27, 27, n), random.uniform(-25, 25, n))
    # a place on each ray, near the ground: the resection knows no sphere, so any depth will do
    from_camera = np.c_[(film.x_mm - 0.012) / 150, (film.y_mm + 0.034) / 150, np.ones(n)]
    depth = random.uniform(95, 95 + relief_km, n)
    place = pose.position_km + pose.to_moon(from_camera * depth[:, None])
    exact = moon_to_film(cam, pose, place)
    measured = FilmPoints(exact.x_mm + random.normal(0, sigma_mm, n), exact.y_mm + random.normal(0, sigma_mm, n))
    return Control(tuple(f"p{i:02d}" for i in range(n)), place, measured, np.full(n, sigma_mm))


def moved(pose, random, km, deg):
    return Pose(
        pose.position_km + random.normal(0, km, 3), turned(pose.rotation, np.radians(random.normal(0, deg, 3))), km, deg
    )


def test_equals_a_vision_library():
    """cv2.solvePnP with its own Levenberg-Marquardt on the same points: both minimise the same sum."""
    random = np.random.default_rng(2)
    cam, truth = camera(distortion=Distortion(), principal=(0.0, 0.0)), orbit()
    control = points(cam, truth, 9, random)
    centre = control.position_km.mean(axis=0)  # a small frame of its own keeps the library's digits
    film = np.c_[control.film.x_mm, control.film.y_mm]
    matrix = np.diag([150.0, 150.0, 1.0])
    _, turn, shift = cv2.solvePnP(control.position_km - centre, film, matrix, None, flags=cv2.SOLVEPNP_ITERATIVE)
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 200, 1e-15)
    turn, shift = cv2.solvePnPRefineLM(control.position_km - centre, film, matrix, None, turn, shift, criteria)
    from_moon = Rotation.from_rotvec(turn[:, 0]).as_matrix()
    fit = resect(cam, control, Pose(truth.position_km + 0.1, truth.rotation))
    assert fit
    np.testing.assert_allclose(fit.pose.rotation, from_moon.T, atol=1e-8)
    np.testing.assert_allclose(fit.pose.position_km, centre - from_moon.T @ shift[:, 0], atol=1e-6)


@pytest.mark.parametrize("lens", [Distortion(), Distortion(k1=2e-6, k2=-1e-10, p1=1e-5, p2=-2e-5)])
def test_sensitivity_is_the_slope(lens):
    """Analytic derivatives against central differences, for all six unknowns."""
    cam, pose = camera(distortion=lens), orbit()
    place = points(cam, pose, 5, np.random.default_rng(3)).position_km
    found = sensitivity(cam, pose, place)
    for k in range(6):
        h = 1e-4 if k < 3 else 1e-6
        step = np.eye(6)[k] * h
        ends = [
            moon_to_film(cam, Pose(pose.position_km + sign * step[:3], turned(pose.rotation, sign * step[3:])), place)
            for sign in (1, -1)
        ]
        slope = np.c_[ends[0].x_mm - ends[1].x_mm, ends[0].y_mm - ends[1].y_mm] / (2 * h)
        np.testing.assert_allclose(found[:, :, k], slope, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("with_prior", [True, False])
def test_two_blunders_in_twelve_are_found_and_the_covariance_is_true(with_prior):
    """60 frames: every gross blunder named, hardly a good point lost, errors as large as the covariance says.

    The chi-square of the pose error (6 unknowns) averages 6; with 60 draws its mean scatters by 0.45.
    """
    random = np.random.default_rng(11)
    cam, truth = camera(), orbit()
    squares, lost = [], 0
    for _ in range(60):
        control = points(cam, truth, 12, random)
        bad = random.choice(12, 2, replace=False)
        shift = random.choice([-1, 1], (2, 2)) * random.uniform(0.05, 2.0, (2, 2))
        control.film.x_mm[bad] += shift[0]
        control.film.y_mm[bad] += shift[1]
        start = moved(truth, random, 0.3, 0.05)
        if not with_prior:
            start = Pose(start.position_km, start.rotation)
        fit = resect(cam, control, start)
        assert fit
        assert {control.ids[i] for i in bad} <= set(fit.rejected)
        lost += len(fit.rejected) - 2
        error = np.r_[fit.pose.position_km - truth.position_km, turn_between(truth.rotation, fit.pose.rotation)]
        squares.append(error @ np.linalg.solve(fit.covariance, error))
    assert lost <= 1
    assert 4.6 < np.mean(squares) < 7.4


def test_a_pointing_hundreds_of_samples_off_is_corrected():
    random = np.random.default_rng(5)
    cam, truth = camera(), orbit()
    control = points(cam, truth, 12, random)
    fit = resect(cam, control, moved(truth, random, 2.0, 0.8))
    assert fit
    assert not fit.rejected
    assert np.abs(fit.before_x_mm).max() > 1.0
    assert np.hypot(fit.residual_x_mm, fit.residual_y_mm).max() < 0.004 * 5
    assert fit.pose.sigma_attitude_deg < 0.1


def test_more_points_than_subsets_can_be_tried():
    """A matcher's hundred ties, a third of them false."""
    random = np.random.default_rng(6)
    cam, truth = camera(), orbit()
    control = points(cam, truth, 100, random)
    control.film.x_mm[::3] += random.uniform(0.1, 9, 34)
    control.film.y_mm[::3] += random.uniform(0.1, 9, 34)
    fit = resect(cam, control, moved(truth, random, 0.3, 0.05))
    assert fit
    assert set(control.ids[::3]) <= set(fit.rejected)
    assert len(fit.rejected) <= 35


def test_stated_sigmas_that_are_too_small_reject_nobody_and_widen_the_covariance():
    random = np.random.default_rng(7)
    cam, truth = camera(), orbit()
    control = points(cam, truth, 16, random, sigma_mm=0.02)
    honest = resect(cam, control, orbit())
    proud = resect(cam, Control(control.ids, control.position_km, control.film, control.sigma_mm / 10), orbit())
    assert honest
    assert proud
    assert not proud.rejected
    np.testing.assert_allclose(proud.pose.position_km, honest.pose.position_km, atol=1e-7)
    assert proud.pose.sigma_position_km > 0.5 * honest.pose.sigma_position_km


def test_one_point_with_known_sigmas_refines_the_pose():
    random = np.random.default_rng(8)
    cam, truth = camera(), orbit()
    control = points(cam, truth, 1, random)
    fit = resect(cam, control, moved(truth, random, 0.3, 0.05))
    assert fit
    assert abs(fit.residual_x_mm[0]) < 0.004
    assert fit.pose.sigma_position_km == pytest.approx(0.3, rel=0.5)  # one point says little about the position


def test_impossible_fits_give_the_reason():
    random = np.random.default_rng(9)
    cam, truth = camera(), orbit()
    two = points(cam, truth, 2, random)
    fit = resect(cam, two, truth)
    assert isinstance(fit, NotPossible)
    assert "2 control points, at least 3" in fit.reason
    same = points(cam, truth, 1, random)
    film = FilmPoints(np.repeat(same.film.x_mm, 5), np.repeat(same.film.y_mm, 5))
    five = Control(tuple("abcde"), np.repeat(same.position_km, 5, 0), film, np.full(5, 0.004))
    fit = resect(cam, five, truth)
    assert isinstance(fit, NotPossible)
    assert "undetermined" in fit.reason
    noise = points(cam, truth, 8, random)
    noise.film.x_mm[:] = random.uniform(-27, 27, 8)
    noise.film.y_mm[:] = random.uniform(-25, 25, 8)
    fit = resect(cam, noise, Pose(truth.position_km, truth.rotation, 0.3, 0.05))
    assert isinstance(fit, NotPossible)
    assert "agree" in fit.reason
    behind = Pose(truth.position_km, turned(truth.rotation, np.array([np.pi, 0.0, 0.0])))
    fit = resect(cam, points(cam, truth, 6, random), behind)
    assert isinstance(fit, NotPossible)


def test_turning_moon_camera_and_points_together_changes_nothing():
    """No direction of the Moon frame is special: covariance and residuals turn with it."""
    random = np.random.default_rng(10)
    cam, truth = camera(), orbit()
    control = points(cam, truth, 7, random)
    start = moved(truth, random, 0.3, 0.05)
    turn = Rotation.from_rotvec([0.7, -1.9, 0.4]).as_matrix()
    fit = resect(cam, control, start)
    other = resect(
        cam,
        Control(control.ids, control.position_km @ turn.T, control.film, control.sigma_mm),
        Pose(turn @ start.position_km, turn @ start.rotation, 0.3, 0.05),
    )
    assert fit
    assert other
    np.testing.assert_allclose(other.pose.rotation, turn @ fit.pose.rotation, atol=1e-9)
    np.testing.assert_allclose(other.pose.position_km, turn @ fit.pose.position_km, atol=1e-6)
    np.testing.assert_allclose(other.residual_x_mm, fit.residual_x_mm, atol=1e-8)


def test_control_on_the_ground_of_the_moon():
    """Points given by longitude, latitude and height: the whole way from the control file's columns."""
    cam, truth = camera(focal_length_mm=500.0, size_mm=(18.0, 10.0)), orbit(tilt=3.0)
    random = np.random.default_rng(12)
    film = FilmPoints(random.uniform(-9, 9, 8), random.uniform(-5, 5, 8))
    place, hit = ray_to_sphere(truth.position_km, truth.to_moon(film_to_direction(cam, film)))
    assert hit.all()
    ground = moon_to_ground(place)
    control = Control(tuple("abcdefgh"), ground_to_moon(ground), film, np.full(8, 0.004))
    fit = resect(cam, control, moved(truth, random, 0.3, 0.05))
    assert fit
    assert np.abs(fit.residual_x_mm).max() < 1e-3


def any_frame(random):
    """A camera and a pose as legal frames have them: short to long lens, nadir to oblique, low and high."""
    focal_mm = float(np.exp(random.uniform(np.log(80), np.log(900))))
    corner = np.hypot(30, 27.5)
    lens = Distortion(
        k1=random.uniform(-0.03, 0.03) / corner**2, k2=random.uniform(-0.01, 0.01) / corner**4,
        p1=random.uniform(-1, 1) * 1e-5, p2=random.uniform(-1, 1) * 1e-5,
    )  # fmt: skip
    pose = pose_of(
        PointingBySubPoint(
            sub_point_deg=(random.uniform(-180, 180), random.uniform(-90, 90)),
            altitude_km=float(np.exp(random.uniform(np.log(30), np.log(300)))), tilt_deg=random.uniform(0, 50),
            tilt_azimuth_deg=random.uniform(0, 360), swing_deg=random.uniform(0, 360),
        )
    )  # fmt: skip
    return camera(focal_mm, lens, principal=tuple(random.uniform(-0.5, 0.5, 2))), pose


def test_over_many_random_frames_errors_are_as_large_as_the_covariance_says_and_blunders_are_found():
    """40 different cameras and poses, 12 points on the Moon's sphere and 1 km above it, 2 of them blunders.

    The rms of the pose error in units of its own covariance is 1 where all is right; 1.2 at most is asked for.
    With 40 draws of 6 unknowns it scatters by 0.05.
    """
    random = np.random.default_rng(21)
    squares, planted, found, mistaken = [], 0, 0, 0
    while len(squares) < 40:
        cam, truth = any_frame(random)
        film = FilmPoints(random.uniform(-28, 28, 12), random.uniform(-26, 26, 12))
        rays = truth.to_moon(film_to_direction(cam, film))
        place, hit = ray_to_sphere(truth.position_km, rays, 1737.4 + random.uniform(-1, 1, 12))
        if not hit.all():
            continue
        measured = FilmPoints(film.x_mm + random.normal(0, 0.004, 12), film.y_mm + random.normal(0, 0.004, 12))
        bad = random.choice(12, 2, replace=False)
        angle, size = random.uniform(0, 2 * np.pi, 2), random.uniform(0.08, 2.0, 2)
        measured.x_mm[bad] += size * np.cos(angle)
        measured.y_mm[bad] += size * np.sin(angle)
        control = Control(tuple(f"p{i}" for i in range(12)), place, measured, np.full(12, 0.004))
        fit = resect(cam, control, moved(truth, random, 0.3, 0.05))
        assert fit
        planted += 2
        found += len({f"p{i}" for i in bad} & set(fit.rejected))
        mistaken += len(set(fit.rejected) - {f"p{i}" for i in bad})
        error = np.r_[fit.pose.position_km - truth.position_km, turn_between(truth.rotation, fit.pose.rotation)]
        squares.append(error @ np.linalg.solve(fit.covariance, error))
    assert found == planted
    assert mistaken <= 1
    assert 0.85 < np.sqrt(np.mean(squares) / 6) < 1.2


@settings(max_examples=12)
@given(st.integers(0, 10**6))
def test_pose_of_any_frame_equals_that_of_a_vision_library(seed):
    """cv2.solvePnP, refined to its end, with the lens's own distortion: the pose for points without errors."""
    random = np.random.default_rng(seed)
    cam, truth = any_frame(random)
    film = FilmPoints(random.uniform(-28, 28, 8), random.uniform(-26, 26, 8))
    depth = random.uniform(95, 115, (8, 1))
    place = truth.position_km + depth * truth.to_moon(film_to_direction(cam, film))
    centre = place.mean(axis=0)
    f, d = cam.focal_length_mm, cam.distortion
    matrix = np.array([[f, 0, cam.principal_point_mm[0]], [0, f, cam.principal_point_mm[1]], [0, 0, 1.0]])
    terms = np.array([d.k1 * f**2, d.k2 * f**4, d.p1 * f, d.p2 * f, d.k3 * f**6])
    start = moved(truth, random, 0.3, 0.05)
    turn = cv2.Rodrigues(start.rotation.T)[0]
    shift = (start.rotation.T @ (centre - start.position_km))[:, np.newaxis]
    seen = np.c_[film.x_mm, film.y_mm]
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 500, 1e-16)
    turn, shift = cv2.solvePnPRefineLM(place - centre, seen, matrix, terms, turn, shift, criteria)
    library = cv2.Rodrigues(turn)[0].T
    control = Control(tuple("abcdefgh"), place, film, np.full(8, 0.004))
    fit = resect(cam, control, Pose(start.position_km, start.rotation))
    assert fit
    assert np.abs(turn_between(library, fit.pose.rotation)).max() < 1e-6
    assert np.linalg.norm(fit.pose.position_km - (centre - library @ shift[:, 0])) < 1e-4
    assert np.linalg.norm(fit.pose.position_km - truth.position_km) < 1e-4
