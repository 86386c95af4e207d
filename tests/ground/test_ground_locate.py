"""From map pixels to the film: exact against collinearity, the same in any blocks, the right bits."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import astuple, replace
from functools import partial
from pathlib import Path

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from legal_views import LEGAL
from scipy.spatial.transform import Rotation

from calib.camera.collinearity import moon_to_film
from calib.camera.exterior import Pose
from calib.camera.interior import within_format
from calib.coordinates import FilmPoints, GroundPoints
from calib.frame.camera import Distortion
from calib.frame.description import MapRequest, Scan
from calib.ground import locate
from calib.ground.block_places import placed
from calib.ground.dem import read_terrain
from calib.ground.grid import choose_grid, pixel_to_map, to_ground, to_map
from calib.ground.locate import block, block_ground, film_scale, locator
from calib.ground.sphere import emission_deg, ground_to_moon, unit, up
from calib.ground.terrain import heights_km
from calib.ground.view import View, before_horizon, film_to_ground, film_to_moon, ground_to_film, on_ground
from calib.lattice import lattice
from calib.light.geometry import angle_between, photometric_angles, sun_direction
from calib.moon import SubsolarPoint
from calib.quality import NIGHT, OBLIQUE, OUTSIDE

FRAME = Path("frame.toml")
SAMPLE_MM = 0.009
SCAN = Scan(
    strips="s/*.tif", pitch_mm=2.664, first_center_mm=-9.3, first_line_mm=-7.75, line_mm=0.0085, sample_mm=SAMPLE_MM,
    reversed="none", tolerance_mm=0.4,
)  # fmt: skip
SUN = SubsolarPoint(-30.0, 1.3, 1.0)
SHARE = 0.005  # of a sample: what is asked of the interpolation


def prepared(seen, request, sun=SUN):
    grid = choose_grid(seen, request, SCAN, FRAME)
    return grid, locator(grid, seen, sun, SHARE * SAMPLE_MM)


def whole(where):
    return block(where, slice(0, where.grid.rows), slice(0, where.grid.columns))


FRAMES = {
    "near nadir": ({"tilt": 3.0}, MapRequest(pixel_m=9.0)),
    "oblique 50 deg": ({"tilt": 50.0, "azimuth": 40.0, "swing": 77.0}, MapRequest(pixel_m=25.0)),
    "limb in view": ({"tilt": 66.0, "azimuth": 250.0, "focal_length_mm": 60.0}, MapRequest(pixel_m=600.0)),
    "pole": ({"lat": 89.9, "tilt": 20.0}, MapRequest(pixel_m=10.0)),
    "pole in an equirectangular map": (
        {"lat": 89.99, "altitude": 30.0},
        MapRequest(crs="IAU_2015:30110", pixel_m=8.0, bounds=(-4000.0, 2.727e6, 4000.0, 2.7295e6)),
    ),
    "antimeridian": ({"lon": 179.99, "tilt": 10.0}, MapRequest(pixel_m=8.0)),
    "strong lens, coarse pixel": (
        {"distortion": Distortion(k1=4e-5, p1=1e-4, p2=-2e-4), "focal_length_mm": 40.0}, MapRequest(pixel_m=90.0),
    ),
    "whole disc": (
        {"altitude": 4000.0, "focal_length_mm": 20.0, "size_mm": (30.0, 30.0)},
        MapRequest(crs="+proj=ortho +lat_0=10 +lon_0=-70 +R=1737400", pixel_m=8000.0),
    ),
    "sinusoidal": ({"tilt": 30.0}, MapRequest(crs="IAU_2015:30125", pixel_m=20.0)),
}  # fmt: skip


@pytest.mark.parametrize("name", FRAMES)
def test_interpolated_places_are_as_good_as_promised(view, name, monkeypatch):
    """Every pixel against PROJ and collinearity without any lattice; angles against vectors. Those that are worked out
    exactly come in many pieces."""
    monkeypatch.setattr(locate, "AT_ONCE", 1000)
    keys, request = FRAMES[name]
    seen = view(**keys)
    grid, where = prepared(seen, request)
    found = whole(where)
    ground = block_ground(where, slice(0, grid.rows), slice(0, grid.columns))
    film = ground_to_film(seen, ground)
    place = ground_to_moon(ground)
    visible = within_format(seen.camera, film) & before_horizon(seen, place)
    np.testing.assert_array_equal((found.quality & OUTSIDE) != 0, ~visible)
    assert visible.sum() > 1000
    off = np.hypot(found.film.x_mm - film.x_mm, found.film.y_mm - film.y_mm)[visible]
    assert off.max() <= SHARE * SAMPLE_MM
    zenith, sun = unit(place), sun_direction(SUN)
    to_camera = unit(seen.pose.position_km - place)
    for angle, a, b in (
        (found.incidence_deg, zenith, sun), (found.emission_deg, zenith, to_camera), (found.phase_deg, sun, to_camera),
    ):  # fmt: skip
        assert np.abs(angle - angle_between(a, b))[visible].max() < 0.005
    assert np.isnan(found.film.x_mm[~visible]).all()
    assert np.isnan(found.incidence_deg[~visible]).all()


def test_the_step_is_chosen_by_cells_of_the_lattice(view):
    """The cells that are tried are cells of the lattice that the blocks have, spread over the grid: as many of them are
    good as are where the whole lattice is made. Cells between those tried were once counted, and nothing showed it."""
    keys, request = FRAMES["limb in view"]
    grid = choose_grid(view(**keys), request, SCAN, FRAME)
    shares = []
    for tolerance_mm in 1e-4 * 4.0 ** np.arange(5):
        where = replace(locator(grid, view(**keys), SUN, tolerance_mm), step=16)
        whole_grid = lattice(
            partial(locate._exact, where), where.tolerance, 16, slice(0, grid.rows), slice(0, grid.columns)
        )
        r, c = (np.unique(np.linspace(0, n - 16, locate.TRIED).astype(int) // 16) for n in grid.shape)
        good, empty = whole_grid.good[np.ix_(r, c)], whole_grid.empty[np.ix_(r, c)]
        shares.append(good.sum() / (~empty).sum())
        assert locate._share_of_good(where) == shares[-1]
    assert any(0.1 < share < 0.9 for share in shares)


@pytest.mark.parametrize("terrain", [False, True])
def test_any_blocks_give_the_same_bytes(view, write_dem, terrain):
    """Odd blocks, single rows, one large block: the lattice stands at whole multiples, so nothing moves."""
    model = None
    if terrain:
        z = np.random.default_rng(0).normal(0, 100, (90, 90)).astype(np.float32)
        model = read_terrain(write_dem(z, (0.005, 0, -77.2, 0, -0.005, 19.4), "IAU_2015:30100"), FRAME)
    _, where = prepared(view(tilt=5.0, azimuth=33.0, swing=12.0, terrain=model), MapRequest(pixel_m=14.0))
    one = whole(where)
    rows, columns = where.grid.shape
    for high, wide in ((97, 101), (1, columns), (256, 64)):
        for r in range(0, rows, max(5 * high, 60)):
            for c in range(0, columns, 2 * wide):
                rs, cs = slice(r, min(r + high, rows)), slice(c, min(c + wide, columns))
                part = block(where, rs, cs)
                for of_part, of_one in (
                    (part.film.x_mm, one.film.x_mm), (part.film.y_mm, one.film.y_mm), (part.quality, one.quality),
                    (part.phase_deg, one.phase_deg), (part.emission_deg, one.emission_deg),
                ):  # fmt: skip
                    np.testing.assert_array_equal(of_part, of_one[rs, cs])


def test_over_terrain_every_pixel_has_its_own_height(view, write_dem):
    """Rough ground at the scale of the pixels: the film place is that of the bilinear height under each pixel."""
    z = np.random.default_rng(1).normal(0, 150, (200, 200)).astype(np.float32)
    terrain = read_terrain(write_dem(z, (0.001, 0, -77.1, 0, -0.001, 19.1), "IAU_2015:30100"), FRAME)
    seen = view(tilt=1.0, terrain=terrain)
    grid, where = prepared(seen, MapRequest(pixel_m=10.0))
    found = whole(where)
    flat = block_ground(where, slice(0, grid.rows), slice(0, grid.columns))
    ground = on_ground(seen, flat.lon_deg, flat.lat_deg)
    film = ground_to_film(seen, ground)
    known = np.isfinite(found.film.x_mm)
    assert known.mean() > 0.3
    assert np.hypot(found.film.x_mm - film.x_mm, found.film.y_mm - film.y_mm)[known].max() < SHARE * SAMPLE_MM
    assert np.ptp(ground.height_km[known]) > 0.3
    flat_film = ground_to_film(seen, flat)
    assert np.abs(film.x_mm - flat_film.x_mm)[known].max() > 5 * SAMPLE_MM  # the terrain matters here


def test_what_terrain_hides_is_outside(view, write_dem):
    """A wall seen at 60 deg: the ground behind it is not in the picture, over a width of height times tan(60)."""
    z = np.zeros((400, 400), np.float32)
    z[:, 200:203] = 2000.0
    terrain = read_terrain(write_dem(z, (100.0, 0, -2e4, 0, -100.0, 2e4), "IAU_2015:30110"), FRAME)
    seen = view(lon=-4.0, lat=0.0, altitude=70.0, tilt=56.5, azimuth=90.0, focal_length_mm=60.0, terrain=terrain)
    grid, where = prepared(seen, MapRequest(crs="IAU_2015:30110", pixel_m=50.0, bounds=(-1e4, -1000.0, 1e4, 1000.0)))
    found = whole(where)
    assert np.all((found.quality[found.hidden] & OUTSIDE) != 0)
    middle = found.hidden[grid.rows // 2]
    hidden_m = 50.0 * np.flatnonzero(middle) - 1e4
    assert hidden_m.min() == pytest.approx(250, abs=110)  # the wall's lee side
    emission = emission_deg(up(np.array(0.01), np.array(0.0)) * 1737.4, seen.pose.position_km)
    assert hidden_m.max() - 250 == pytest.approx(2000 * np.tan(np.radians(emission)), rel=0.07)
    assert np.all(np.diff(hidden_m) == 50)


def test_night_and_oblique_are_marked(view):
    seen = view(lon=0.0, lat=0.0, tilt=60.0, azimuth=90.0, altitude=100.0, focal_length_mm=40.0)
    terminator_at = 7.0
    _, where = prepared(seen, MapRequest(pixel_m=800.0, crs="IAU_2015:30110", bounds=(0.0, -1e5, 6e5, 1e5)),
                        SubsolarPoint(terminator_at - 90.0, 0.0, 1.0))  # fmt: skip
    found = whole(where)
    ground = block_ground(where, slice(0, where.grid.rows), slice(0, where.grid.columns))
    on = (found.quality & OUTSIDE) == 0
    np.testing.assert_array_equal((found.quality & NIGHT)[on] != 0, (ground.lon_deg > terminator_at)[on])
    emission = emission_deg(ground_to_moon(ground), seen.pose.position_km)
    np.testing.assert_array_equal((found.quality & OBLIQUE)[on] != 0, (emission > 80.0)[on])
    assert (found.quality & OBLIQUE).any()
    assert (found.quality[~on] == OUTSIDE).all()


def test_scale_tells_film_per_pixel(view):
    """Straight down from 88 km, f = 350 mm, a 10 m pixel spans 0.0398 mm; north up, so y falls with northing."""
    grid, where = prepared(view(swing=180.0, distortion=Distortion()), MapRequest(pixel_m=10.0, crs="IAU_2015:30110"))
    scale = film_scale(where, grid.rows / 2, grid.columns / 2)
    size = 0.01 * 350 / 88
    assert scale.x_by_column == pytest.approx(size * np.cos(np.radians(19)), rel=2e-3)
    assert scale.y_by_row == pytest.approx(size, rel=2e-3)
    assert abs(scale.x_by_row) + abs(scale.y_by_column) < 0.01 * size
    assert film_scale(where, -1e7, 0.0) is None


@pytest.mark.parametrize("at", [(slice(0, 90), slice(30, 200)), (slice(130, 131), slice(257, 300))])
def test_a_block_s_nodes_are_the_same_whether_the_whole_grid_s_are_kept_or_not(view, monkeypatch, at):
    """A grid of too many nodes makes those of each block by itself; what a map pixel spans is told by either."""
    request = MapRequest(pixel_m=20.0, crs="IAU_2015:30110")
    _, kept = prepared(view(swing=160.0), request)
    monkeypatch.setattr(locate, "MOST_NODES", 0)
    grid, alone = prepared(view(swing=160.0), request)
    assert kept.whole is not None
    assert alone.whole is None
    one, other = (placed(where, *at) for where in (kept, alone))
    np.testing.assert_allclose(one.lattice.nodes, other.lattice.nodes, rtol=1e-13)
    np.testing.assert_array_equal(one.lattice.good, other.lattice.good)
    np.testing.assert_array_equal(one.quality, other.quality)
    assert (one.lattice.offset, one.lattice.shape) == (other.lattice.offset, other.lattice.shape)
    middle = grid.rows / 2, grid.columns / 2
    of_kept, of_alone = (astuple(film_scale(where, *middle)) for where in (kept, alone))
    assert of_kept == pytest.approx(of_alone, abs=1e-3 * max(of_alone))


@pytest.mark.parametrize(("tilt", "azimuth"), [(0.0, 0.0), (30.0, 50.0), (12.0, 200.0), (55.0, 310.0)])
def test_a_tilted_camera_is_a_tilted_perspective_projection(view, tilt, azimuth):
    """The film of a camera is PROJ's `tpers` map, which reproduces Snyder (1987), Appendix A, tilted perspective.

    On that map the nadir point is the origin and the scale is that of a focal length H cos(tilt); with swing 180 the
    image's up is the azimuth's direction.
    """
    altitude = 300.0
    seen = view(altitude=altitude, tilt=tilt, azimuth=azimuth, distortion=Distortion(), focal_length_mm=100.0)
    lon, lat = np.meshgrid(np.linspace(-80, -74, 7), np.linspace(16, 22, 7))
    crs = pyproj.CRS(f"+proj=tpers +h={1000 * altitude} +lat_0=19 +lon_0=-77 +tilt={tilt} +azi={azimuth} +R=1737400")
    x, y = pyproj.Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True).transform(lon, lat)
    film = ground_to_film(seen, GroundPoints(lon, lat, np.zeros(lon.shape)))
    size = 100.0 / (1000 * altitude * np.cos(np.radians(tilt)))  # film mm per map metre
    nadir_y = -0.034 + 100.0 * np.tan(np.radians(tilt))
    np.testing.assert_allclose(film.x_mm, 0.012 + size * x, atol=1e-7)
    np.testing.assert_allclose(film.y_mm, nadir_y - size * y, atol=1e-7)


def test_blocks_made_by_threads_at_once_are_the_same(view):
    """PROJ's and the kernel's state is not shared between threads."""
    _, where = prepared(view(tilt=30.0), MapRequest(pixel_m=14.0))
    rows, columns = where.grid.shape
    parts = [slice(r, min(r + 64, rows)) for r in range(0, rows, 64)]
    alone = [block(where, part, slice(0, columns)).film.x_mm for part in parts]
    with ThreadPoolExecutor(4) as pool:
        together = pool.map(lambda part: block(where, part, slice(0, columns)).film.x_mm, parts)
    for one, other in zip(alone, together, strict=True):
        np.testing.assert_array_equal(one, other)


@settings(max_examples=40)
@given(st.fixed_dictionaries(LEGAL), st.floats(-10, 10), st.floats(-6, 6))
def test_ground_to_film_to_ground_closes_to_a_millimetre(view, keys, x_mm, y_mm):
    """For any legal camera, pose and distortion; where the view is nearly level the film resolves less."""
    seen = view(**keys)
    ground = film_to_ground(seen, FilmPoints(np.array([x_mm]), np.array([y_mm])))
    if not np.isfinite(ground.lon_deg).all():
        return
    film = ground_to_film(seen, ground)
    assert abs(film.x_mm[0] - x_mm) < 1e-8
    assert abs(film.y_mm[0] - y_mm) < 1e-8
    again = film_to_ground(seen, film)
    slant = 1 / np.cos(np.radians(emission_deg(ground_to_moon(ground), seen.pose.position_km)[0]))
    assert np.linalg.norm(ground_to_moon(again) - ground_to_moon(ground)) < 1e-6 * max(1.0, slant / 20)


@settings(max_examples=20)
@given(st.fixed_dictionaries(LEGAL), st.tuples(*[st.floats(-3, 3)] * 3), st.floats(-10, 10), st.floats(-6, 6))
def test_turning_moon_camera_and_sun_together_changes_nothing(view, keys, turn, x_mm, y_mm):
    """The film place of a turned ground point and all three angles stay what they were."""
    seen = view(**keys)
    film = FilmPoints(np.array([x_mm]), np.array([y_mm]))
    place = ground_to_moon(film_to_ground(seen, film))
    if not np.isfinite(place).all():
        return
    m = Rotation.from_rotvec(turn).as_matrix()
    turned = View(seen.camera, Pose(m @ seen.pose.position_km, m @ seen.pose.rotation))
    again = moon_to_film(turned.camera, turned.pose, place @ m.T)
    assert abs(again.x_mm[0] - x_mm) < 1e-8
    assert abs(again.y_mm[0] - y_mm) < 1e-8
    there = film_to_moon(turned, film)
    before = photometric_angles(unit(place), sun_direction(SUN), unit(seen.pose.position_km - place))
    after = photometric_angles(unit(there), m @ sun_direction(SUN), unit(turned.pose.position_km - there))
    for name in ("incidence_deg", "emission_deg", "phase_deg"):
        assert getattr(after, name)[0] == pytest.approx(getattr(before, name)[0], abs=1e-6)


def test_a_map_place_of_a_film_place_is_found_again_through_the_block(view):
    """film -> ground -> map -> nearest pixel -> film: no further than half a pixel."""
    seen = view(tilt=25.0, azimuth=10.0)
    grid, where = prepared(seen, MapRequest(pixel_m=10.0))
    film = FilmPoints(np.array([-7.0, 0.0, 8.5]), np.array([3.0, 0.0, -4.5]))
    place = to_map(grid, film_to_ground(seen, film))
    column = np.round(place.easting_m / 10 - grid.left - 0.5).astype(int)
    row = np.round(grid.top - 0.5 - place.northing_m / 10).astype(int)
    found = whole(where)
    size = 0.01 * 350 / 88
    assert np.abs(found.film.x_mm[row, column] - film.x_mm).max() < size
    assert np.abs(found.film.y_mm[row, column] - film.y_mm).max() < size


def test_heights_of_the_model_are_those_of_the_ground(view, write_dem):
    terrain = read_terrain(
        write_dem(np.full((90, 180), 300.0, np.float32), (2, 0, -180, 0, -2, 90), "IAU_2015:30100"), FRAME
    )
    ground = film_to_ground(view(terrain=terrain), FilmPoints(np.zeros(1), np.zeros(1)))
    assert ground.height_km[0] == pytest.approx(0.3, abs=1e-7)
    assert isinstance(on_ground(view(), np.zeros(2), np.zeros(2)), GroundPoints)
    assert heights_km(terrain, np.zeros(1), np.zeros(1))[0] == pytest.approx(0.3, abs=1e-7)


@pytest.mark.parametrize("name", ["near nadir", "antimeridian"])
def test_places_of_nodes_are_as_good_as_those_of_pixels_and_go_on_about_the_block(view, name):
    """Rows and columns before, inside and behind a block, against collinearity; none is invented."""
    keys, request = FRAMES[name]
    _, where = prepared(view(**keys), request)
    middle = where.grid.rows // 2, where.grid.columns // 2
    rows, columns = slice(middle[0], middle[0] + 50), slice(middle[1], middle[1] + 81)
    row, column = np.arange(-8.0, 58.0, 8.0), np.arange(-18.0, 94.0, 8.0)
    film = placed(where, rows, columns).film_at(row, column)
    far = np.meshgrid(row + rows.start, column + columns.start, indexing="ij")
    true = ground_to_film(where.view, to_ground(where.grid, pixel_to_map(where.grid, *far)))
    off = np.hypot(film.x_mm - true.x_mm, film.y_mm - true.y_mm)
    known = np.isfinite(film.x_mm)
    assert known.any()
    beyond = placed(where, rows, columns).film_at(np.array([5000.0, -5000.0]), column)
    assert np.isnan(beyond.x_mm).all()
    assert off[known].max() <= SHARE * SAMPLE_MM


def test_over_terrain_no_node_has_a_place(view, write_dem):
    flat = write_dem(np.zeros((90, 90), np.float32), (0.005, 0, -77.2, 0, -0.005, 19.4), "IAU_2015:30100")
    model = read_terrain(flat, FRAME)
    _, where = prepared(view(terrain=model), MapRequest(pixel_m=14.0))
    film = placed(where, slice(0, 64), slice(0, 64)).film_at(np.arange(0.0, 64.0, 16.0), np.arange(0.0, 32.0, 16.0))
    assert film.x_mm.shape == (4, 2)
    assert np.isnan(film.x_mm).all()


def test_a_block_inside_the_format_is_whole_and_one_at_its_edge_is_not(view):
    """Whether places are made for its pixels or not, they are those of `block`, and so are the bits."""
    keys, request = FRAMES["near nadir"]
    _, where = prepared(view(**keys), request)
    middle = where.grid.rows // 2
    found = []
    for columns in (slice(where.grid.columns // 2, where.grid.columns // 2 + 81), slice(0, where.grid.columns)):
        at = slice(middle, middle + 50), columns
        seen, located = placed(where, *at), block(where, *at)
        assert np.array_equal(seen.quality, located.quality)
        assert np.array_equal(seen.pixels().x_mm, located.film.x_mm, equal_nan=True)
        assert np.array_equal(seen.pixels().y_mm, located.film.y_mm, equal_nan=True)
        found.append(seen.is_whole)
    assert found == [True, False]
