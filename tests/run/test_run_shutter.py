"""A frame taken through a slit by a moving camera: the simulator's own geometry against the toolkit's, key by key."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from alone import ALONE
from calib_demo.catalogue import scenario
from calib_demo.kept import load_truth, save_truth
from calib_demo.make import make_frame
from calib_demo.scenario import GroundControl, Scenario, Scene

from calib.camera.adjustment import Control
from calib.camera.exterior import Pose, pose_of
from calib.camera.resection import resect
from calib.coordinates import FilmPoints, GroundPoints
from calib.frame.read import read_frame
from calib.frame.standalone import MappedImageDescription, read_alone
from calib.ground.dem import view_over
from calib.ground.sphere import ground_to_moon
from calib.ground.view import film_to_ground, ground_to_film
from calib.run.image.labelled import on_film
from calib.run.image.to_map import image_to_map


def shutter(form: str, travel: str, terrain: bool) -> Scenario:
    """The small frame, for which the slit takes 0.08 s: meanwhile the camera flies 130 m, as many samples."""
    small = scenario("small")
    lon, lat = np.radians(small.pointing.sub_point_deg)
    north = np.array([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)])
    east = np.array([-np.sin(lon), np.cos(lon), 0.0])
    velocity = tuple(float(v) for v in np.round(1.61 * (0.9 * north + 0.43 * east), 4))
    return replace(
        small,
        name=f"tern2-{form}",
        lens=replace(small.lens, slit=(travel, 40.0), distortion=(2e-6, 0.0, 0.0, 1e-5, -2e-5)),
        pointing=replace(small.pointing, form=form, velocity_km_s=velocity, turn_deg_s=(0.9, -0.4, 3.0)),
        scene=Scene(craters_per_mpx=0.0, terrain=terrain),
        control=GroundControl(points=12, sigma_mm=0.004, blunders=2),
    )


@pytest.fixture(scope="module", params=[("position", "+y", False), ("sub_point", "-x", True)], ids=str)
def taken(request, tmp_path_factory):  # type: ignore[no-untyped-def]
    folder = tmp_path_factory.mktemp("shutter")
    return folder, make_frame(shutter(*request.param), folder / "frame")


def test_the_written_package_has_the_geometry_it_was_made_with(taken) -> None:  # type: ignore[no-untyped-def]
    """Film to ground and ground to film to a millionth of a millimetre of film; without the motion samples off."""
    folder, truth = taken
    frame = read_frame(folder / "frame")
    assert not [line for line in frame.warnings if "shutter_slit" in line]
    view = view_over(frame.camera, pose_of(frame.pointing), frame.dem, frame.path)
    half_x, half_y = (0.49 * side for side in truth.layout.format_mm)
    x, y = (part.ravel() for part in np.meshgrid(np.linspace(-half_x, half_x, 7), np.linspace(-half_y, half_y, 9)))
    lon, lat, hit = truth.ground_of_film(x, y)
    assert hit.all()
    height = truth.height_km(lon, lat)
    film = ground_to_film(view, GroundPoints(lon, lat, height))
    # the simulator's terrain is a spline through the nodes, the toolkit's is bilinear: heights are given, not read
    assert np.hypot(film.x_mm - x, film.y_mm - y).max() < (1e-8 if frame.dem is None else 1e-6)
    if frame.dem is None:
        place = film_to_ground(view, FilmPoints(x, y))
        apart = ground_to_moon(place) - ground_to_moon(GroundPoints(lon, lat, height))
        assert np.linalg.norm(apart, axis=-1).max() < 1e-6
    still = replace(view, pose=Pose(view.pose.position_km, view.pose.rotation))
    off = ground_to_film(still, GroundPoints(lon, lat, height))
    assert np.hypot(off.x_mm - x, off.y_mm - y).max() > 20 * frame.scan.sample_mm


def test_control_of_the_package_finds_the_pose_of_the_mid_time(taken) -> None:  # type: ignore[no-untyped-def]
    """Two blunders in twelve are left out; a resection that knew no motion could not fit the rest."""
    folder, truth = taken
    frame = read_frame(folder / "frame")
    points, given = frame.control, replace(pose_of(frame.pointing), sigma_position_km=0.3, sigma_attitude_deg=0.05)
    assert points is not None
    place = ground_to_moon(GroundPoints(points.lon_deg, points.lat_deg, points.height_m / 1000))
    control = Control(points.ids, place, FilmPoints(points.x_mm, points.y_mm), points.sigma_mm)
    fit = resect(frame.camera, control, given)
    assert fit
    assert len(fit.rejected) == 2
    off_km = np.linalg.norm(fit.pose.position_km - truth.view.position_km)
    assert off_km < 4 * np.sqrt(np.trace(fit.covariance[:3, :3]))
    assert np.hypot(fit.residual_x_mm, fit.residual_y_mm)[fit.used].max() < 4.5 * 0.004
    still = resect(frame.camera, control, replace(given, motion=None))
    assert not still or still.variance_factor > 2 * fit.variance_factor


def test_a_kept_truth_keeps_its_motion(taken, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    _, truth = taken
    save_truth(truth, tmp_path / "truth.npz")
    kept = load_truth(tmp_path / "truth.npz")
    x, y = np.array([1.0, -1.5]), np.array([-2.0, 2.0])
    for found, expected in zip(kept.ground_of_film(x, y), truth.ground_of_film(x, y), strict=True):
        np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize(("travel", "shorter_m"), [("+y", 192.0), ("-y", -192.0), ("+x", 0.0)])
def test_a_plain_image_goes_to_the_map_line_by_line_of_time(tmp_path: Path, travel: str, shorter_m: float) -> None:
    """North up, flying north at 1.6 km/s; a slit that runs down sees its last line from 192 m farther north.

    Straight down f = 350 mm at 88 km, 12 mm of film span 12/350 x 88 km = 3017 m, a fraction of a metre more for the
    curved Moon. The image's values are its own lines: they tell how far north each of them lies.
    """
    path = tmp_path / "image.toml"
    path.write_text(ALONE.replace('"+y"', f'"{travel}"'))
    described, _ = read_alone(path, MappedImageDescription)
    line, _ = np.mgrid[0:600, 0:1000]
    made = image_to_map(on_film(line.astype(np.float32), 0.02), described, path, None)
    column = made.isel(x=made.sizes["x"] // 2)
    known = np.isfinite(column.values)
    slope, _ = np.polyfit(column.y.values[known], column.values[known], 1)
    assert 600 / -slope == pytest.approx(12 / 350 * 88e3 - shorter_m, abs=3.0)
