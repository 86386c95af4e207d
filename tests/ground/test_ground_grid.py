"""The map grid: snapping, defaults, the antimeridian, the poles, the limb, and what is refused."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.coordinates import FilmPoints, GroundPoints
from calib.errors import InputError
from calib.frame.description import MapRequest, Scan
from calib.ground.dem import read_terrain
from calib.ground.grid import choose_grid, map_to_pixel, pixel_to_map, to_ground, to_map
from calib.ground.region import format_edge, visible_region
from calib.ground.sphere import emission_deg, moon_to_ground
from calib.ground.view import film_to_ground
from calib.moon import RADIUS_KM

FRAME = Path("frame.toml")
SCAN = Scan(
    strips="s/*.tif", pitch_mm=2.664, first_center_mm=-9.3, first_line_mm=-7.75, line_mm=0.0085, sample_mm=0.009,
    reversed="none", tolerance_mm=0.4,
)  # fmt: skip
CIRCUMFERENCE = 2 * np.pi * 1737400


def test_pixel_is_the_geometric_mean_of_the_sample_distances(view):
    """Straight down from 88 km with f = 350 mm: a sample of 0.009 mm spans 2.26 m, a line of 0.0085 mm 2.14 m."""
    grid = choose_grid(view(), MapRequest(), SCAN, FRAME)
    assert grid.pixel_m == pytest.approx(1000 * 88 / 350 * np.sqrt(0.009 * 0.0085), rel=1e-4)


def test_an_oblique_frame_has_a_larger_pixel(view):
    """Tilted 40 deg on flat ground: along the tilt 1/cos2, across it 1/cos; the curved Moon adds a little more."""
    grid = choose_grid(view(tilt=40.0, altitude=20.0), MapRequest(), SCAN, FRAME)
    flat = 1000 * 20 / 350 * np.sqrt(0.009 * 0.0085) / np.cos(np.radians(40)) ** 1.5
    assert flat < grid.pixel_m < 1.05 * flat


def test_a_frame_that_sees_the_ground_beyond_80_deg_alone_has_the_pixel_of_what_it_sees_least_obliquely(view):
    """Its centre is sky, and the ground nearest to it the limb, at which a sample spans no end of ground: `calib check`
    broke off with a ValueError."""
    seen = view(altitude=150.0, tilt=67.5)
    region = visible_region(seen)
    steepest = emission_deg(np.concatenate([region.ring, region.inside]), seen.pose.position_km).min()
    assert 80 < steepest < 87
    assert emission_deg(region.center, seen.pose.position_km) == pytest.approx(steepest)
    assert 20 < choose_grid(seen, MapRequest(), SCAN, FRAME).pixel_m < 200


@pytest.mark.parametrize(
    ("lat", "code"), [(0, "30110"), (59.5, "30110"), (-59.5, "30110"), (61, "30130"), (-61, "30135"), (90, "30130")]
)
def test_projection_goes_by_latitude(view, lat, code):
    assert choose_grid(view(lat=lat), MapRequest(pixel_m=50.0), SCAN, FRAME).crs == f"IAU_2015:{code}"


def holds(grid, ground):
    """Whether all of some ground lies on a grid, and how many pixels are to spare on each side."""
    row, column = map_to_pixel(grid, to_map(grid, ground))
    assert row.min() >= -0.5 - 1e-6
    assert column.min() >= -0.5 - 1e-6
    assert row.max() <= grid.rows - 0.5 + 1e-6
    assert column.max() <= grid.columns - 0.5 + 1e-6
    return row.min() + 0.5, column.min() + 0.5, grid.rows - 0.5 - row.max(), grid.columns - 0.5 - column.max()


@settings(max_examples=12)
@given(st.floats(-180, 180), st.floats(-89, 89), st.floats(0, 50), st.floats(0, 360), st.floats(0, 360))
def test_default_bounds_hold_the_frame_and_hardly_more(view, lon, lat, tilt, azimuth, swing):
    """The whole edge of the format lies on the grid, within a pixel of its sides, anywhere on the Moon."""
    seen = view(lon=lon, lat=lat, tilt=tilt, azimuth=azimuth, swing=swing, altitude=60.0)
    grid = choose_grid(seen, MapRequest(pixel_m=20.0), SCAN, FRAME)
    spare = holds(grid, film_to_ground(seen, format_edge(seen.camera, 300)))
    if not visible_region(seen).poles:
        assert max(spare) < 1.1


def test_a_frame_across_the_antimeridian_is_one_piece(view):
    """Default projection: longitudes run on beyond 180, and both ways agree there."""
    seen = view(lon=179.98, lat=5.0)
    grid = choose_grid(seen, MapRequest(), SCAN, FRAME)
    xmin, _, xmax, _ = grid.bounds_m
    assert xmin < CIRCUMFERENCE / 2 < xmax
    assert xmax - xmin < 8000
    east = to_map(grid, GroundPoints(np.array([-179.95, 180.05, 540.05]), np.full(3, 5.0), np.zeros(3))).easting_m
    np.testing.assert_allclose(east, 180.05 * CIRCUMFERENCE / 360, atol=1e-4)
    back = to_ground(grid, pixel_to_map(grid, np.array([0.0]), np.array([grid.columns - 1.0])))
    assert -180 <= back.lon_deg[0] < -179.9


def test_a_pole_in_the_frame_is_an_ordinary_place(view):
    seen = view(lon=30.0, lat=89.98, altitude=100.0)
    region = visible_region(seen)
    assert region.poles == (1,)
    grid = choose_grid(seen, MapRequest(), SCAN, FRAME)
    assert grid.crs == "IAU_2015:30130"
    row, column = map_to_pixel(grid, to_map(grid, GroundPoints(np.zeros(1), np.full(1, 90.0), np.zeros(1))))
    assert 0 < row[0] < grid.rows
    assert 0 < column[0] < grid.columns


def test_a_pole_in_an_equirectangular_map_fills_it_from_side_to_side(view):
    seen = view(lon=30.0, lat=-89.98, altitude=100.0)
    grid = choose_grid(seen, MapRequest(crs="IAU_2015:30110", pixel_m=500.0), SCAN, FRAME)
    xmin, ymin, xmax, _ = grid.bounds_m
    assert xmax - xmin == pytest.approx(CIRCUMFERENCE, abs=1000)
    assert ymin == pytest.approx(-CIRCUMFERENCE / 4, abs=500)


def test_with_the_horizon_in_the_frame_the_map_ends_at_80_degrees(view):
    """Every place of the outline is inside the format and below 80 deg; the outline reaches 80 deg and the format."""
    seen = view(tilt=68.0, azimuth=300.0, altitude=100.0, focal_length_mm=30.0)
    region = visible_region(seen)
    assert region.horizon
    emission = emission_deg(region.ring, seen.pose.position_km)
    assert emission.max() == pytest.approx(80.0, abs=1e-6)
    assert np.count_nonzero(emission > 79.999) > 100
    assert np.count_nonzero(emission < 79) > 100
    grid = choose_grid(seen, MapRequest(pixel_m=100.0), SCAN, FRAME)
    holds(grid, moon_to_ground(region.ring))


def test_the_whole_disc_in_the_frame(view):
    """From 5000 km everything to 80 deg is shown: a ring all round, none of it the format's edge."""
    seen = view(altitude=5000.0, focal_length_mm=20.0, size_mm=(60.0, 60.0))
    region = visible_region(seen)
    assert region.horizon
    np.testing.assert_allclose(emission_deg(region.ring, seen.pose.position_km), 80.0, atol=1e-6)
    grid = choose_grid(seen, MapRequest(crs="+proj=ortho +lat_0=19 +lon_0=-77 +R=1737400", pixel_m=5000.0), SCAN, FRAME)
    arc = np.degrees(np.arcsin(np.sin(np.radians(80)) * RADIUS_KM / (RADIUS_KM + 5000)))
    width = 2 * 1737400 * np.sin(np.radians(80 - arc))
    assert grid.columns == pytest.approx(width / 5000, abs=2)


def test_a_frame_that_sees_only_the_limb_still_has_a_map(view):
    """Nothing below 80 deg: then what there is, to the horizon."""
    seen = view(tilt=71.0, altitude=100.0, focal_length_mm=2000.0)
    region = visible_region(seen)
    assert region.horizon
    assert emission_deg(region.ring, seen.pose.position_km).min() > 80


def test_asked_bounds_are_kept_or_snapped_outward(view):
    """Whole multiples stay, whatever their rounding; others grow to the next multiple, never shrink."""
    grid = choose_grid(
        view(), MapRequest(crs="IAU_2015:30110", pixel_m=0.1, bounds=(0.3, -0.7, 30.2, 1.1)), SCAN, FRAME
    )
    assert (grid.left, grid.top, grid.columns, grid.rows) == (3, 11, 299, 18)
    grid = choose_grid(view(), MapRequest(pixel_m=3.0, bounds=(-10.0, 20.0, 11.0, 30.5)), SCAN, FRAME)
    np.testing.assert_allclose(grid.bounds_m, (-12.0, 18.0, 12.0, 33.0))


@settings(max_examples=12)
@given(st.floats(0.05, 3000), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.floats(0.01, 400), st.floats(0.01, 400))
def test_edges_stand_at_whole_multiples_and_hold_what_was_asked(view, pixel, x, y, wide, high):
    bounds = (x, y, x + wide * pixel, y + high * pixel)
    grid = choose_grid(view(), MapRequest(pixel_m=pixel, bounds=bounds), SCAN, FRAME)
    for edge, asked, sign in zip(grid.bounds_m, bounds, (1, 1, -1, -1), strict=True):
        assert abs(edge / pixel - round(edge / pixel)) < 1e-6
        assert -2e-6 * pixel - 1e-9 < sign * (asked - edge) < 1.001 * pixel
    a, b, c, d, e, f = grid.center_transform
    np.testing.assert_allclose((c - a / 2, f - e / 2), (grid.bounds_m[0], grid.bounds_m[3]), atol=1e-6)
    assert (a, b, d, e) == (pixel, 0.0, 0.0, -pixel)
    row, column = map_to_pixel(grid, pixel_to_map(grid, np.array([2.25]), np.array([7.5])))
    np.testing.assert_allclose((row[0], column[0]), (2.25, 7.5), atol=1e-6)


def test_neighbouring_frames_share_their_pixels(view):
    """Two frames with one pixel size: the grids differ by whole pixels."""
    one, other = (choose_grid(view(lon=lon), MapRequest(pixel_m=2.3), SCAN, FRAME) for lon in (-77.0, -76.9))
    row, column = map_to_pixel(one, pixel_to_map(other, np.array([0.0]), np.array([0.0])))
    assert row[0] == pytest.approx(round(row[0]), abs=1e-6)
    assert column[0] == pytest.approx(round(column[0]), abs=1e-6)
    assert hash(one) != hash(other)
    assert one == choose_grid(view(), MapRequest(pixel_m=2.3), SCAN, FRAME)


@pytest.mark.parametrize(
    ("request_", "expected"),
    [
        (MapRequest(crs="EPSG:3857"), r"frame.toml: map.crs: found EPSG:3857 \(a body of radii 6378137"),
        (MapRequest(crs="nonsense"), "map.crs: found nonsense .*PROJ cannot read.*map projection of the Moon"),
        (MapRequest(crs="IAU_2015:30100"), "map.crs: .*degrees.*in metres"),
        (MapRequest(crs="IAU_2015:30135", bounds=(0.0, 0.0, 1e3, 1e3), pixel_m=1e-4), "map.pixel_m: .*at most 4e"),
        (MapRequest(crs="IAU_2015:30110", bounds=(0.0, 1e7, 1e6, 2e7)), "map.bounds: .*part of the Moon"),
        (MapRequest(crs="+proj=ortho +lat_0=0 +lon_0=103 +R=1737400"), "map.crs: .*can show the frame"),
    ],
)
def test_what_cannot_be_mapped_is_one_line_that_names_the_key(view, request_, expected):
    with pytest.raises(InputError, match=expected) as caught:
        choose_grid(view(), request_, SCAN, FRAME)
    assert "\n" not in str(caught.value)


def test_a_camera_that_misses_the_moon(view):
    with pytest.raises(InputError, match=r"frame\.toml: pointing: found a frame that misses the Moon"):
        choose_grid(view(tilt=120.0), MapRequest(), SCAN, FRAME)


def test_over_terrain_the_pixel_goes_by_the_ground_that_is_seen(view, write_dem):
    """A plateau 8 km up is 8/88 nearer."""
    z = np.full((180, 360), 8000.0, np.float32)
    terrain = read_terrain(write_dem(z, (1, 0, -180, 0, -1, 90), "IAU_2015:30100"), FRAME)
    grid = choose_grid(view(terrain=terrain), MapRequest(), SCAN, FRAME)
    assert grid.pixel_m == pytest.approx(1000 * 80 / 350 * np.sqrt(0.009 * 0.0085), rel=1e-4)


def test_the_frame_centre_is_the_format_centre_not_the_principal_point(view):
    seen = view()
    middle = film_to_ground(seen, FilmPoints(np.zeros(1), np.zeros(1)))
    region = moon_to_ground(visible_region(seen).center)
    np.testing.assert_allclose((region.lon_deg, region.lat_deg), (middle.lon_deg[0], middle.lat_deg[0]), atol=1e-12)
