"""The simulator's camera against an outside library, and its own inverse."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import astronomy
import cv2
import numpy as np
import pyproj
import pytest
import rasterio
from calib_demo.attitude import pose_from_sub_point, quaternion_of, rotation_of
from calib_demo.catalogue import NAMES, scenario
from calib_demo.control import blunder_ids, write_control
from calib_demo.readout import draw_sweep
from calib_demo.scenario import Pointing
from calib_demo.terrain import write_terrain
from calib_demo.truth import Truth
from calib_demo.view import RADIUS_KM, View, film_of_point, point_of, undistort
from hypothesis import given
from hypothesis import strategies as st

DEGREES = st.floats(-180.0, 180.0)


def film_grid(truth: Truth, n: int = 9) -> tuple[np.ndarray, np.ndarray]:
    half_x, half_y = (0.49 * side for side in truth.layout.format_mm)
    x, y = np.meshgrid(np.linspace(-half_x, half_x, n), np.linspace(-half_y, half_y, n))
    return x, y


@pytest.mark.parametrize("name", NAMES)
def test_film_to_ground_and_back(name: str, described: Callable[[str], Truth]) -> None:
    truth = described(name)
    x, y = film_grid(truth)
    lon, lat, hit = truth.ground_of_film(x, y)
    back_x, back_y = truth.film_of_ground(lon, lat)
    assert hit.all() == (name != "limb")
    # A degree in double precision resolves about 3e-14 of the Moon; terrain heights are iterated to 0.1 mm.
    assert np.nanmax(np.hypot(back_x - x, back_y - y)) < (1e-6 if name == "polar-terrain" else 1e-9)


def test_projection_and_distortion_agree_with_opencv(described: Callable[[str], Truth]) -> None:
    view = described("oblique50").view
    f, (k1, k2, k3, p1, p2) = view.focal_length_mm, view.distortion
    truth = described("oblique50")
    lon, lat, _ = truth.ground_of_film(*film_grid(truth))
    points = point_of(lon, lat).reshape(-1, 3)
    matrix = np.array([[f, 0, view.principal_point_mm[0]], [0, f, view.principal_point_mm[1]], [0, 0, 1]])
    # OpenCV distorts in units of the focal length, in the order k1 k2 p1 p2 k3.
    terms = np.array([k1 * f**2, k2 * f**4, p1 * f, p2 * f, k3 * f**6])
    turn, _ = cv2.Rodrigues(view.rotation.T)
    expected, _ = cv2.projectPoints(points, turn, -view.rotation.T @ view.position_km, matrix, terms)
    x, y, before = film_of_point(view, points)
    assert before.all()
    assert np.abs(np.stack([x, y], axis=1) - expected[:, 0]).max() < 1e-8


@given(st.floats(-30, 30), st.floats(-30, 30), st.floats(-1e-5, 1e-5), st.floats(-1e-5, 1e-5))
def test_undistort_inverts_distort(x: float, y: float, k1: float, p1: float) -> None:
    view = View(450.0, (0.0, 0.0), (k1, 0.0, 0.0, p1, -p1), np.zeros(3), np.eye(3))
    u, v = undistort(view, np.array(x), np.array(y))
    back_x, back_y, _ = film_of_point(view, np.array([float(u), float(v), 450.0]))
    assert abs(back_x - x) < 1e-11
    assert abs(back_y - y) < 1e-11


@given(DEGREES, st.floats(-85, 85), st.floats(1, 60), DEGREES, DEGREES)
def test_tilt_azimuth_and_swing_mean_what_the_contract_says(
    lon: float, lat: float, tilt: float, azimuth: float, swing: float
) -> None:
    pointing = Pointing("sub_point", (lon, lat), 80.0, tilt, azimuth, swing)
    position, rotation = pose_from_sub_point(pointing)
    assert np.allclose(rotation.T @ rotation, np.eye(3), atol=1e-14)
    assert np.linalg.det(rotation) > 0
    up = point_of(lon, lat) / RADIUS_KM
    assert np.degrees(np.arccos(np.clip(-rotation[:, 2] @ up, -1, 1))) == pytest.approx(tilt, abs=1e-6)
    ahead = point_of(
        lon + 1e-4 * np.sin(np.radians(azimuth)) / np.cos(np.radians(lat)), lat + 1e-4 * np.cos(np.radians(azimuth))
    )
    toward = ahead - RADIUS_KM * up
    along = rotation[:, 2] - (rotation[:, 2] @ up) * up
    assert toward @ along / np.linalg.norm(toward) / np.linalg.norm(along) == pytest.approx(1.0, abs=1e-4)
    # The nadir point lies f tan(tilt) from the principal point, clockwise from image-up by the swing.
    x, y, _ = film_of_point(View(100.0, (0.0, 0.0), (0.0,) * 5, position, rotation), RADIUS_KM * up)
    expected = 100.0 * np.tan(np.radians(tilt)) * np.array([np.sin(np.radians(swing)), -np.cos(np.radians(swing))])
    assert np.allclose([float(x), float(y)], expected, atol=1e-8)


def test_an_untilted_camera_with_swing_180_has_north_up_and_east_right(described: Callable[[str], Truth]) -> None:
    truth = described("nadir")
    x, y = truth.film_of_ground(np.array([-150.0, -150.0, -149.99]), np.array([8.0, 8.01, 8.0]))
    assert y[1] < y[0]
    assert x[2] > x[0]


@given(st.lists(st.floats(-1, 1), min_size=4, max_size=4).filter(lambda q: np.linalg.norm(q) > 0.1))
def test_quaternion_of_a_rotation(parts: list[float]) -> None:
    rotation = rotation_of(np.array(parts))
    assert np.allclose(rotation_of(quaternion_of(rotation)), rotation, atol=1e-12)


def test_terrain_shifts_the_picture_by_several_samples(described: Callable[[str], Truth]) -> None:
    truth = described("polar-terrain")
    lon, lat, _ = truth.ground_of_film(*film_grid(truth))
    x, y = truth.film_of_ground(lon, lat)
    flat_x, flat_y = truth.film_of_ground(lon, lat, np.zeros_like(lon))
    assert np.hypot(flat_x - x, flat_y - y).max() > 5 * truth.scenario.scan.sample_mm


def test_the_written_terrain_holds_the_heights_at_its_pixel_centres(
    described: Callable[[str], Truth], tmp_path: Path
) -> None:
    terrain = described("polar-terrain").view.terrain
    write_terrain(terrain, tmp_path / "dem.tif")
    with rasterio.open(tmp_path / "dem.tif") as file:
        to_ground = pyproj.Transformer.from_crs("IAU_2015:30130", "IAU_2015:30100", always_xy=True)
        lon, lat = to_ground.transform(*file.xy([10, 200], [30, 77]))
        written = file.read(1)[[10, 200], [30, 77]]
    assert np.allclose(terrain.height_m(np.array(lon), np.array(lat)), written, atol=1e-3)


def test_a_point_behind_the_horizon_is_not_on_the_film(described: Callable[[str], Truth]) -> None:
    truth = described("limb")
    lon, lat = truth.scenario.pointing.sub_point_deg
    x, y = truth.film_of_ground(np.array([lon + 180.0, lon - 40.0]), np.array([-lat, lat]))
    assert np.isnan(x).all()
    assert np.isnan(y).all()


def test_film_places_of_a_reversed_strip_run_upwards(described: Callable[[str], Truth]) -> None:
    truth = described("wander")
    _, first = truth.film_of(0, np.array([0.0, 10.5]), np.array([5.0, 5.0]))
    x, second = truth.film_of(1, np.array([0.0, 10.5]), np.array([5.0, 6.0]))
    assert first[1] > first[0]
    assert second[1] < second[0]
    assert x[1] > x[0]


def test_control_points_are_measured_rightly_but_for_the_blunder(
    described: Callable[[str], Truth], tmp_path: Path
) -> None:
    truth = described("control")
    write_control(truth, tmp_path / "control.csv")
    names = [line.split(",")[0] for line in (tmp_path / "control.csv").read_text().splitlines()[1:]]
    lon, lat, height_m, x, y, sigma = np.loadtxt(
        tmp_path / "control.csv", delimiter=",", skiprows=1, usecols=range(1, 7), unpack=True
    )
    true_x, true_y = truth.film_of_ground(lon, lat, 1e-3 * height_m)
    off = np.hypot(x - true_x, y - true_y) / sigma
    assert tuple(name for name, far in zip(names, off, strict=True) if far > 10.0) == blunder_ids(truth)
    assert 0.5 < np.median(off) < 2.5
    assert np.linalg.norm(truth.stated_position_km - truth.view.position_km) > 0.05


@pytest.mark.parametrize("name", NAMES)
def test_the_sun_stands_where_an_almanac_puts_it(name: str) -> None:
    asked = scenario(name)
    lon, lat, distance_au = almanac(asked.mid_time)
    # The almanac's Moon rotates by the same published series; its theory of the Moon is good to some arc seconds.
    assert (asked.sun.subsolar_deg[0] - lon + 180) % 360 - 180 == pytest.approx(0.0, abs=0.01)
    assert asked.sun.subsolar_deg[1] == pytest.approx(lat, abs=0.01)
    assert asked.sun.distance_au == pytest.approx(distance_au, abs=2e-5)


def almanac(mid_time: str) -> tuple[float, float, float]:
    """Sub-solar longitude, latitude (degrees) and the Moon's distance from the Sun (au) by astronomy-engine."""
    time = astronomy.Time.Parse(mid_time)
    moon, axis = astronomy.HelioVector(astronomy.Body.Moon, time), astronomy.RotationAxis(astronomy.Body.Moon, time)
    to_sun = -np.array([moon.x, moon.y, moon.z])
    pole = np.array([axis.north.x, axis.north.y, axis.north.z])
    node = np.cross([0.0, 0.0, 1.0], pole)
    node /= np.linalg.norm(node)
    angle = np.arctan2(to_sun @ np.cross(pole, node), to_sun @ node)
    distance = float(np.linalg.norm(to_sun))
    return float(np.degrees(angle)) - axis.spin, float(np.degrees(np.arcsin(to_sun @ pole / distance))), distance


def test_jitter_moves_lines_across_and_nothing_else() -> None:
    whole = scenario("wander")
    still = replace(whole, sweep=replace(whole.sweep, jitter_samples=0.0))
    with_it, without = (draw_sweep(each, 2, 2000, (1.0, -8.0)) for each in (whole, still))
    assert all(np.array_equal(with_it[i], without[i]) for i in (0, 2, 3))
    jitter = (with_it[1] - without[1]) / whole.scan.sample_mm
    assert jitter.std() == pytest.approx(whole.sweep.jitter_samples, rel=0.05)
    assert abs(np.corrcoef(jitter[1:], jitter[:-1])[0, 1]) < 0.1
