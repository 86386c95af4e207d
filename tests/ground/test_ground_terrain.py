"""Elevation models: any reference system, holes, all round the Moon; rays that must not miss a peak; hidden ground."""

from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from calib.coordinates import FilmPoints, GroundPoints, MapPoints
from calib.errors import InputError
from calib.ground.dem import filled, read_terrain, view_over
from calib.ground.occlusion import occluded
from calib.ground.projection import read_projection, unproject
from calib.ground.rays import ray_to_terrain
from calib.ground.region import terrain_warnings, visible_region
from calib.ground.sphere import ground_to_moon, moon_to_ground, ray_to_sphere, unit, up
from calib.ground.terrain import heights_km
from calib.ground.view import View, film_to_ground, film_to_moon, ground_to_film
from calib.moon import RADIUS_KM

FRAME = Path("frame.toml")
LONLAT = "IAU_2015:30100"
POLAR = "IAU_2015:30130"


def rough(rows, columns, seed=0, size_m=800.0):
    """Hills a few nodes across with a little roughness, metres."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[0:rows, 0:columns]
    z = np.zeros((rows, columns))
    for _ in range(40):
        r, c, w = random.uniform(0, rows), random.uniform(0, columns), random.uniform(2, 8)
        z += random.uniform(-1, 1) * np.exp(-((y - r) ** 2 + (x - c) ** 2) / (2 * w**2))
    return (size_m * z + random.normal(0, 5, z.shape)).astype(np.float32)


def heights(terrain, lon, lat):
    return 1000 * heights_km(terrain, np.atleast_1d(np.asarray(lon, float)), np.atleast_1d(np.asarray(lat, float)))


def test_heights_are_bilinear_between_pixel_centres(write_dem):
    """Against scipy on a geographic raster; the raster's origin is a pixel corner, 0.005 deg from the first centre."""
    z = rough(40, 60)
    terrain = read_terrain(write_dem(z, (0.01, 0, -77.3, 0, -0.01, 19.2), LONLAT), FRAME)
    lon, lat = -77.3 + 0.01 * (np.arange(60) + 0.5), 19.2 - 0.01 * (np.arange(40) + 0.5)
    reference = RegularGridInterpolator((-lat, lon), z.astype(float))
    random = np.random.default_rng(1)
    at = random.uniform(lon[0], lon[-1], 300), random.uniform(lat[-1], lat[0], 300)
    np.testing.assert_allclose(heights(terrain, *at), reference(np.c_[-at[1], at[0]]), atol=1e-3)
    np.testing.assert_allclose(heights(terrain, lon[7], lat[5]), z[5, 7], atol=1e-3)


def test_a_projected_turned_raster(write_dem):
    """A polar stereographic raster with rows that run askew: the node is found through its own affine."""
    z = rough(50, 50)
    c, s = 100 * np.cos(0.4), 100 * np.sin(0.4)
    transform = (c, s, 20000.0, s, -c, -30000.0)
    terrain = read_terrain(write_dem(z, transform, POLAR), FRAME)
    x = transform[0] * 20.5 + transform[1] * 30.5 + transform[2]
    y = transform[3] * 20.5 + transform[4] * 30.5 + transform[5]
    place = unproject(read_projection(POLAR), MapPoints(np.array([x]), np.array([y])))
    np.testing.assert_allclose(heights(terrain, place.lon_deg, place.lat_deg), z[30, 20], atol=1e-2)
    assert terrain.node_km == pytest.approx(0.1, rel=0.01)


def test_integers_with_scale_offset_and_no_data(write_dem, tmp_path):
    z = np.full((8, 8), 100, np.int16)
    z[3, 3] = -32768
    path = write_dem(z, (0.1, 0, 0, 0, -0.1, 0.8), LONLAT, nodata=-32768)
    with rasterio.open(path, "r+") as file:
        file.scales, file.offsets = (0.5,), (7.0,)
    terrain = read_terrain(path, FRAME)
    np.testing.assert_allclose(heights(terrain, [0.35, 0.35], [0.45, 0.65]), [57.0, 57.0], atol=1e-4)
    assert "1 of 64 nodes carry no data" in terrain.warnings[0]


def test_holes_are_filled_from_their_rim():
    """A plane with a hole stays near the plane; nothing that is known changes."""
    y, x = np.mgrid[0:33, 0:47].astype(float)
    plane = 3 * x - 2 * y
    holed = plane.copy()
    holed[10:16, 20:27] = np.nan
    holed[0, 0] = np.nan
    full = filled(holed)
    known = np.isfinite(holed)
    np.testing.assert_array_equal(full[known], plane[known])
    assert np.abs(full - plane).max() < 12  # the hole spans 21 in x and 12 in y
    assert np.isfinite(full).all()


def test_beyond_the_raster_stands_the_sphere(write_dem):
    terrain = read_terrain(write_dem(np.full((4, 4), 500.0, np.float32), (0.1, 0, 10, 0, -0.1, 0.4), LONLAT), FRAME)
    np.testing.assert_allclose(heights(terrain, [10.2, 9.9, -170.0], [0.2, 0.2, 0.2]), [500, 0, 0], atol=1e-3)
    assert np.isnan(heights(terrain, np.nan, 0.0)).all()


def test_a_frame_that_reaches_beyond_the_raster_is_warned_of(write_dem, view):
    """A raster that ends under the middle of the frame covers half of it; one of the whole Moon all."""
    half = np.full((20, 20), 50.0, np.float32)
    terrain = read_terrain(write_dem(half, (0.01, 0, -77.0, 0, -0.01, 19.1), LONLAT), FRAME)
    seen = view(terrain=terrain)
    (said,) = terrain_warnings(seen, visible_region(seen))
    share = float(said.split()[1])
    assert 40 < share < 60
    assert "beyond the raster; there the ground is the sphere" in said
    all_round = read_terrain(write_dem(np.zeros((90, 180), np.float32), (2, 0, -180, 0, -2, 90), LONLAT), FRAME)
    seen = view(terrain=all_round)
    assert terrain_warnings(seen, visible_region(seen)) == ()
    assert terrain_warnings(view(), visible_region(view())) == ()


@pytest.mark.parametrize("first_lon", [-180.0, 0.0])
def test_a_model_of_the_whole_moon_has_no_seam(write_dem, first_lon):
    """Longitudes 0 to 360 or -180 to 180: between the last column and the first the surface goes on."""
    lon = first_lon + 5 + 10 * np.arange(36)
    z = (1000 * np.sin(np.radians(lon)) * np.ones((18, 1))).astype(np.float32)
    terrain = read_terrain(write_dem(z, (10, 0, first_lon, 0, -10, 90), LONLAT), FRAME)
    at = np.array([-180.0, -179.0, 179.0, 180.0, -0.5, 0.5, 359.5, 183.0])
    knots = np.radians(np.floor((at - 5) / 10) * 10 + 5), np.radians(np.floor((at - 5) / 10) * 10 + 15)
    share = (at - 5) / 10 - np.floor((at - 5) / 10)
    expected = 1000 * (np.sin(knots[0]) * (1 - share) + np.sin(knots[1]) * share)
    np.testing.assert_allclose(heights(terrain, at, np.zeros(8)), expected, atol=1e-2)


def test_a_large_raster_is_read_only_around_the_frame(write_dem, monkeypatch):
    """The part that is read gives the same heights."""
    z = rough(400, 600)
    path = write_dem(z, (0.01, 0, -3, 0, -0.01, 2), LONLAT)
    whole = read_terrain(path, FRAME)
    monkeypatch.setattr("calib.ground.dem.WHOLE_NODES", 1e4)
    around = GroundPoints(np.array([-1.0, -0.9]), np.array([0.1, 0.2]), np.zeros(2))
    part = read_terrain(path, FRAME, around)
    assert part.height_km.size < whole.height_km.size / 4
    lon, lat = np.linspace(-1.1, -0.8, 50), np.linspace(0.0, 0.3, 50)
    np.testing.assert_allclose(heights(part, lon, lat), heights(whole, lon, lat), atol=1e-9)


def test_a_view_reads_what_its_frame_can_show(write_dem, view, monkeypatch):
    """A narrow frame looking far out over relief: heights along its rays are those of the whole model."""
    z = rough(600, 900, size_m=3000)
    path = write_dem(z, (0.01, 0, -80, 0, -0.01, 23), LONLAT)
    monkeypatch.setattr("calib.ground.dem.WHOLE_NODES", 1e4)
    monkeypatch.setattr("calib.ground.dem.MARGIN_NODES", 4)
    seen = view(lon=-79.0, tilt=66.0, azimuth=85.0, altitude=70.0, focal_length_mm=600.0)
    part = view_over(seen.camera, seen.pose, path, FRAME)
    assert part.terrain.height_km.size < z.size / 3
    random = np.random.default_rng(5)
    film = FilmPoints(random.uniform(-10, 10, 50), random.uniform(-6, 6, 50))
    whole = View(seen.camera, seen.pose, read_terrain(path, FRAME, None))
    np.testing.assert_allclose(film_to_moon(part, film), film_to_moon(whole, film), atol=1e-6)
    assert view_over(seen.camera, seen.pose, None, FRAME).terrain is None


@pytest.mark.parametrize(
    ("crs", "z", "transform", "found"),
    [
        ("EPSG:4326", np.zeros((4, 4)), (0.1, 0, 0, 0, -0.1, 0), "radii 6378137 m"),
        (None, np.zeros((4, 4)), (0.1, 0, 0, 0, -0.1, 0), "no georeference"),
        (LONLAT, np.full((4, 4), np.nan), (0.1, 0, 0, 0, -0.1, 0), "no heights"),
        (LONLAT, np.full((4, 4), 1737400.0), (0.1, 0, 0, 0, -0.1, 0), "a height of 1.7374e"),
        (LONLAT, np.zeros((1, 4)), (0.1, 0, 0, 0, -0.1, 0), "4 x 1 nodes"),
    ],
)
def test_what_is_no_elevation_model_is_refused(write_dem, crs, z, transform, found):
    path = write_dem(z.astype(np.float32), transform, crs)
    with pytest.raises(InputError, match=f"frame.toml: terrain.dem: found dem.tif: .*{found}"):
        read_terrain(path, FRAME)


def test_a_file_that_is_no_raster_is_refused(tmp_path):
    path = tmp_path / "dem.tif"
    path.write_text("heights")
    with pytest.raises(InputError, match=r"terrain\.dem: found dem\.tif: .*expected a georeferenced raster"):
        read_terrain(path, FRAME)


def test_level_ground_is_a_larger_sphere(write_dem, view):
    """A model of one height everywhere: rays must meet the sphere of that radius, in closed form, to 1 mm."""
    z = np.full((180, 360), 1234.5, np.float32)
    terrain = read_terrain(write_dem(z, (1, 0, -180, 0, -1, 90), LONLAT), FRAME)
    seen = view(lat=60.0, lon=179.0, tilt=55.0, azimuth=30.0, focal_length_mm=60.0, terrain=terrain)
    random = np.random.default_rng(0)
    film = FilmPoints(random.uniform(-10, 10, 200), random.uniform(-6, 6, 200))
    place = film_to_moon(seen, film)
    rays = unit(place - seen.pose.position_km)
    expected, hit = ray_to_sphere(seen.pose.position_km, rays, RADIUS_KM + 1.2345)
    assert hit[np.isfinite(place[:, 0])].all()
    assert hit.sum() > 100
    np.testing.assert_allclose(place[hit], expected[hit], atol=1e-6)


@settings(max_examples=10)
@given(st.integers(0, 10**6), st.floats(0, 75), st.floats(0, 360))
def test_film_to_ground_and_back_over_terrain(tmp_path_factory, write_once, view, seed, tilt, azimuth):
    """Ground -> film -> ground closes to 1 mm for any pointing over hills, and the ground lies on the model."""
    terrain = write_once
    seen = view(lon=-77.0, lat=19.0, altitude=60.0, tilt=tilt, azimuth=azimuth, terrain=terrain)
    random = np.random.default_rng(seed)
    film = FilmPoints(random.uniform(-10, 10, 20), random.uniform(-6, 6, 20))
    ground = film_to_ground(seen, film)
    known = np.isfinite(ground.lon_deg)
    np.testing.assert_allclose(
        ground.height_km[known], heights_km(terrain, ground.lon_deg[known], ground.lat_deg[known]), atol=1e-6
    )
    again = film_to_ground(seen, ground_to_film(seen, ground))
    apart = np.linalg.norm(ground_to_moon(ground) - ground_to_moon(again), axis=-1)[known]
    assert np.all(apart < 1e-6)


@pytest.fixture(scope="module")
def write_once(tmp_path_factory):
    """Hills of 100 m nodes around the frame's sub-point, read once."""
    path = tmp_path_factory.mktemp("dem") / "dem.tif"
    z = rough(600, 600, seed=3, size_m=1500)
    with rasterio.open(
        path, "w", driver="GTiff", height=600, width=600, count=1, dtype="float32", crs=LONLAT,
        transform=Affine(0.0035, 0, -78.05, 0, -0.0033, 19.99),
    ) as file:  # fmt: skip
        file.write(z, 1)
    return read_terrain(path, FRAME)


def test_a_lone_peak_is_not_missed(write_dem):
    """One node of 3 km in a plain of 360 km, looked at along the plain: a ray aimed at the summit stops there.

    The ray comes in 2 deg above the horizontal; anything that samples it at wide steps flies past.
    """
    z = np.zeros((1200, 1200), np.float32)
    z[600, 600] = 3000.0
    terrain = read_terrain(write_dem(z, (0.01, 0, 0, 0, -0.01, 6), LONLAT), FRAME)
    summit = np.array([6.005]), np.array([-0.005])
    foot = up(*summit)[0]
    target = foot * (RADIUS_KM + 2.999)
    south = np.array([0.0, 0.0, -1.0])
    away = np.cos(np.radians(2)) * south + np.sin(np.radians(2)) * foot
    camera = target + 700.0 * away
    met = ray_to_terrain(terrain, camera, unit(target - camera)[np.newaxis])[0]
    assert np.linalg.norm(met - target) < 0.2  # the flank is 1 in 6 here: the ray meets it before the axis
    past = foot * (RADIUS_KM + 3.01)
    beyond = ray_to_terrain(terrain, camera, unit(past - camera)[np.newaxis])[0]
    assert np.isnan(beyond).any() or np.linalg.norm(beyond - past) > 20


def test_first_meeting_equals_a_fine_march(write_once, view):
    """Against marching every ray at 5 m: no earlier dip under the ground was overlooked."""
    terrain = write_once
    seen = view(lon=-77.0, lat=18.6, altitude=30.0, tilt=68.0, azimuth=0.0, focal_length_mm=100.0, terrain=terrain)
    random = np.random.default_rng(2)
    film = FilmPoints(random.uniform(-10, 10, 40), random.uniform(-6, 6, 40))
    place = film_to_moon(seen, film)
    assert np.isfinite(place).all()
    for one in place:
        distance = np.linalg.norm(one - seen.pose.position_km)
        s = np.arange(20.0, distance - 0.01, 0.005)
        along = seen.pose.position_km + s[:, None] * unit(one - seen.pose.position_km)
        ground = moon_to_ground(along)
        assert np.all(ground.height_km > heights_km(terrain, ground.lon_deg, ground.lat_deg) - 1e-4)


def test_hidden_ground_is_what_rays_do_not_reach(write_once, view):
    """A place is hidden exactly when the ray towards it first meets the ground somewhere else."""
    terrain = write_once
    seen = view(lon=-77.0, lat=18.3, altitude=9.0, tilt=0.0, terrain=terrain)
    random = np.random.default_rng(3)
    lon, lat = random.uniform(-77.9, -76.1, 2000), random.uniform(18.9, 19.9, 2000)
    place = ground_to_moon(GroundPoints(lon, lat, heights_km(terrain, lon, lat)))
    hidden = occluded(terrain, seen.pose.position_km, place)
    met = ray_to_terrain(terrain, seen.pose.position_km, unit(place - seen.pose.position_km))
    short = np.linalg.norm(place - seen.pose.position_km, axis=1) - np.linalg.norm(met - seen.pose.position_km, axis=1)
    assert 40 < hidden.sum() < 1960
    clear_cut = (short < 1e-4) | (short > 0.3)  # hidden within 300 m of itself is a matter of the skin
    assert np.mean(hidden[clear_cut] == (short[clear_cut] > 0.3)) > 0.995


def test_the_limb_hides_what_lies_beyond_it(write_dem):
    """Without any relief: places beyond the horizon are hidden by the sphere itself."""
    terrain = read_terrain(write_dem(np.zeros((90, 180), np.float32), (2, 0, -180, 0, -2, 90), LONLAT), FRAME)
    lon = np.array([0.0, 10.0, 17.5, 19.5, 21.0, 40.0])
    place = up(lon, np.zeros(6)) * RADIUS_KM
    camera = np.array([RADIUS_KM + 100.0, 0.0, 0.0])  # its horizon lies 18.99 deg away
    np.testing.assert_array_equal(occluded(terrain, camera, place), lon > 18.99)
