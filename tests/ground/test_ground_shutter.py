"""Film and ground under a slit over a moving camera: both ways, over terrain, block by block, turned as a whole."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from legal_views import LEGAL
from scipy.spatial.transform import Rotation

from calib.camera.exterior import Motion, Pose
from calib.camera.interior import within_format
from calib.camera.shutter import seconds_at
from calib.coordinates import FilmPoints
from calib.errors import InputError
from calib.frame.camera import ShutterSlit
from calib.frame.description import MapRequest, Scan
from calib.ground.dem import read_terrain, view_over
from calib.ground.grid import choose_grid
from calib.ground.locate import block, block_ground, locator
from calib.ground.occlusion import occluded
from calib.ground.sphere import ground_to_moon, unit, up
from calib.ground.terrain import heights_km
from calib.ground.view import View, before_horizon, film_to_ground, film_to_moon, ground_to_film
from calib.light.geometry import angle_between, sun_direction
from calib.moon import SubsolarPoint
from calib.quality import OUTSIDE

FRAME = Path("frame.toml")
SUN = SubsolarPoint(-30.0, 1.3, 1.0)
SCAN = Scan(
    strips="s/*.tif", pitch_mm=2.664, first_center_mm=-9.3, first_line_mm=-7.75, line_mm=0.0085, sample_mm=0.009,
    reversed="none", tolerance_mm=0.4,
)  # fmt: skip


def under_slit(seen, travel="+y", speed_mm_s=300.0, north_km_s=1.6, east_km_s=0.0, turn_deg=(0.4, -0.2, 0.1)):
    """The view with a slit, its camera flying level over the ground."""
    camera = seen.camera.model_copy(update={"shutter_slit": ShutterSlit(travel=travel, speed_mm_s=speed_mm_s)})
    zenith = unit(seen.pose.position_km)
    east = unit(np.cross([0.0, 0.0, 1.0], zenith) + 1e-12 * np.array([1.0, 2.0, 0.0]))
    velocity = north_km_s * np.cross(zenith, east) + east_km_s * east
    return View(camera, replace(seen.pose, motion=Motion(velocity, np.radians(turn_deg))), seen.terrain)


MOVING = {
    "travel": st.sampled_from(["+x", "-x", "+y", "-y"]), "speed_mm_s": st.floats(200, 3000),
    "north_km_s": st.floats(-1.7, 1.7), "east_km_s": st.floats(-1.7, 1.7),
    "turn_deg": st.tuples(*[st.floats(-2, 2)] * 3),
}  # fmt: skip


@settings(max_examples=80)
@given(st.fixed_dictionaries(LEGAL), st.fixed_dictionaries(MOVING), st.floats(-10, 10), st.floats(-6, 6))
def test_ground_to_film_to_ground_closes_to_a_millimetre(view, keys, moving, x_mm, y_mm):
    """Any legal camera, pose, distortion and slit; as without one, a view nearly level resolves less."""
    seen = under_slit(view(**keys), **moving)
    film = FilmPoints(np.array([x_mm]), np.array([y_mm]))
    place = film_to_moon(seen, film)
    if not np.isfinite(place).all():
        return
    again = ground_to_film(seen, film_to_ground(seen, film))
    assert abs(again.x_mm[0] - x_mm) < 1e-8
    assert abs(again.y_mm[0] - y_mm) < 1e-8
    slant = 1 / np.cos(np.radians(angle_between(unit(place), unit(seen.pose.position_km - place))[0]))
    assert np.linalg.norm(film_to_moon(seen, again) - place) < 1e-6 * max(1.0, slant / 20)


@settings(max_examples=40)
@given(
    st.fixed_dictionaries(LEGAL), st.fixed_dictionaries(MOVING), st.tuples(*[st.floats(-3, 3)] * 3),
    st.floats(-10, 10), st.floats(-6, 6),
)  # fmt: skip
def test_turning_moon_camera_and_sun_together_changes_nothing(view, keys, moving, turn, x_mm, y_mm):
    """A film place, exposed at its own time, shows the turned ground; the light's angles stay what they were."""
    seen = under_slit(view(**keys), **moving)
    film = FilmPoints(np.array([x_mm]), np.array([y_mm]))
    place = film_to_moon(seen, film)
    if not np.isfinite(place).all():
        return
    m = Rotation.from_rotvec(turn).as_matrix()
    motion = Motion(m @ seen.pose.motion.velocity_km_s, seen.pose.motion.turn_rad_s)
    turned = View(seen.camera, Pose(m @ seen.pose.position_km, m @ seen.pose.rotation, motion=motion))
    again = film_to_moon(turned, film)
    slant = 1 / np.cos(np.radians(angle_between(unit(place), unit(seen.pose.position_km - place))[0]))
    assert np.linalg.norm(again - place @ m.T) < 1e-6 * max(1.0, slant / 20)
    sun = sun_direction(SUN)
    assert angle_between(unit(again), m @ sun)[0] == pytest.approx(angle_between(unit(place), sun)[0], abs=1e-6)


@pytest.fixture(scope="module")
def hills(tmp_path_factory):
    """Hills as steep as 60 deg, some six kilometres apart, so that a view from the side hides some of the ground."""
    path = tmp_path_factory.mktemp("dem") / "dem.tif"
    y, x = np.mgrid[0:600, 0:600]
    z = 1500 * np.sin(x / 3.0) * np.cos(y / 4.0)
    with rasterio.open(
        path, "w", driver="GTiff", height=600, width=600, count=1, dtype="float32", crs="IAU_2015:30100",
        transform=Affine(0.01, 0, -80.0, 0, -0.01, 22.0),
    ) as file:  # fmt: skip
        file.write(z.astype(np.float32), 1)
    return read_terrain(path, FRAME)


@settings(max_examples=10)
@given(st.fixed_dictionaries(MOVING), st.floats(0, 40), st.floats(0, 360), st.integers(0, 10**6))
def test_over_terrain_the_ring_closes_too(view, hills, moving, tilt, azimuth, seed):
    seen = under_slit(view(tilt=tilt, azimuth=azimuth, altitude=60.0, terrain=hills), **moving)
    random = np.random.default_rng(seed)
    film = FilmPoints(random.uniform(-10, 10, 20), random.uniform(-6, 6, 20))
    ground = film_to_ground(seen, film)
    assert np.isfinite(ground.lon_deg).all()
    np.testing.assert_allclose(ground.height_km, heights_km(hills, ground.lon_deg, ground.lat_deg), atol=1e-6)
    again = film_to_ground(seen, ground_to_film(seen, ground))
    assert np.all(np.linalg.norm(ground_to_moon(ground) - ground_to_moon(again), axis=-1) < 1e-6)


@pytest.mark.parametrize("over", ["sphere", "hills"])
def test_a_block_of_the_map_is_made_of_places_of_their_own_time(view, hills, over):
    """Every pixel against the camera where it stood when it saw it: film place, angles and what the ground hides."""
    terrain = hills if over == "hills" else None
    keys = {"tilt": 20.0} if terrain is None else {"tilt": 50.0, "lon": -78.9, "lat": 15.9}
    seen = under_slit(view(azimuth=30.0, terrain=terrain, **keys), speed_mm_s=25.0, turn_deg=(0.0, 0.0, 2.0))
    grid = choose_grid(seen, MapRequest(pixel_m=60.0), SCAN, FRAME)
    where = locator(grid, seen, SUN, 1e-4)
    all_rows, all_columns = slice(0, grid.rows), slice(0, grid.columns)
    found = block(where, all_rows, all_columns)
    ground = block_ground(where, all_rows, all_columns)
    zenith = up(ground.lon_deg, ground.lat_deg)
    height = 0.0 if terrain is None else heights_km(terrain, ground.lon_deg, ground.lat_deg)[..., np.newaxis]
    place = zenith * (1737.4 + height)
    film = ground_to_film(seen, replace(ground, height_km=np.broadcast_to(height, place.shape)[..., 0]))
    on = (found.quality & OUTSIDE) == 0
    assert on.sum() > 4000
    assert np.hypot(found.film.x_mm - film.x_mm, found.film.y_mm - film.y_mm)[on].max() < 1e-4
    stood = seen.pose.position_km + seconds_at(seen.camera, film)[..., np.newaxis] * seen.pose.motion.velocity_km_s
    assert np.ptp(stood[on], axis=0).max() > 0.2  # km; the angles see it
    to_camera = unit(stood - place)
    assert np.abs(found.emission_deg - angle_between(zenith, to_camera))[on].max() < 0.001
    assert np.abs(found.phase_deg - angle_between(sun_direction(SUN), to_camera))[on].max() < 0.001
    if terrain is None:
        return
    asked = within_format(seen.camera, film)
    hidden = occluded(terrain, stood[asked], place[asked])
    assert 500 < hidden.sum() < 0.8 * asked.sum()
    mistaken = np.count_nonzero(found.hidden[asked] != hidden)  # small patches between the nodes that are tried
    from_one_place = np.count_nonzero(occluded(terrain, seen.pose.position_km, place[asked]) != hidden)
    assert mistaken < 0.002 * asked.sum()
    assert mistaken < from_one_place / 3


def test_blocks_do_not_matter_under_a_slit_either(view):
    seen = under_slit(view(tilt=20.0), speed_mm_s=60.0)
    where = locator(choose_grid(seen, MapRequest(pixel_m=40.0), SCAN, FRAME), seen, SUN, 1e-4)
    one = block(where, slice(0, where.grid.rows), slice(0, where.grid.columns))
    part = block(where, slice(31, 70), slice(17, 111))
    for name in ("x_mm", "y_mm"):
        np.testing.assert_array_equal(getattr(part.film, name), getattr(one.film, name)[31:70, 17:111])
    np.testing.assert_array_equal(part.emission_deg, one.emission_deg[31:70, 17:111])


def test_places_behind_the_horizon_stay_out(view):
    """With the limb in the frame, what is mapped is before the horizon of the camera where it stood."""
    seen = under_slit(view(tilt=66.0, azimuth=250.0, focal_length_mm=60.0))
    grid = choose_grid(seen, MapRequest(pixel_m=900.0), SCAN, FRAME)
    found = block(locator(grid, seen, SUN, 1e-3), slice(0, grid.rows), slice(0, grid.columns))
    on = (found.quality & OUTSIDE) == 0
    ground = block_ground(locator(grid, seen, SUN, 1e-3), slice(0, grid.rows), slice(0, grid.columns))
    assert on.sum() > 1000
    assert found.emission_deg[on].max() < 90.0
    assert before_horizon(seen, ground_to_moon(ground))[on].mean() > 0.999


@pytest.mark.parametrize("travel", ["+y", "-x"])
def test_a_slit_that_the_image_keeps_up_with_is_refused(view, travel):
    """f = 350 mm, 88 km up, 1.6 km/s: the image moves at 6.4 mm/s along its flight and hardly across it."""
    along = {"north_km_s": 1.6} if travel == "+y" else {"north_km_s": 0.0, "east_km_s": 1.6}
    too_slow = under_slit(view(), travel, 12.0, turn_deg=(0, 0, 0), **along)
    with pytest.raises(
        InputError,
        match=r"frame\.toml: camera\.shutter_slit\.speed_mm_s: found 12 mm/s, where the image itself moves at "
        r"6\.[34]\d* mm/s along it, expected a slit at least twice as fast as the image$",
    ):
        view_over(too_slow.camera, too_slow.pose, None, FRAME)
    across = {"+y": "+x", "-x": "-y"}[travel]
    fine = under_slit(view(), across, 12.0, turn_deg=(0, 0, 0), **along)
    assert view_over(fine.camera, fine.pose, None, FRAME).pose is fine.pose
