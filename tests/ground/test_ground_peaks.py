"""Narrow peaks and missing nodes: what a ray or a line of sight must not step over, against marching in small steps."""

from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.coordinates import GroundPoints
from calib.ground.dem import read_terrain
from calib.ground.occlusion import LARGEST_SKIN_KM, SKIN_SHARE, occluded
from calib.ground.rays import ray_to_terrain
from calib.ground.sphere import east_north, ground_to_moon, moon_to_ground, unit, up
from calib.ground.terrain import Terrain, heights_km
from calib.moon import RADIUS_KM

NODE_DEG = 0.01  # 303 m
SIZE = 161  # nodes; the middle one lies at longitude and latitude 0


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    """Read heights (SIZE, SIZE) in metres, NaN where a node has none, as a terrain about longitude and latitude 0."""
    folder = tmp_path_factory.mktemp("peaks")

    def read(heights: np.ndarray, **profile) -> Terrain:
        edge = NODE_DEG * SIZE / 2
        with rasterio.open(
            folder / "dem.tif", "w", driver="GTiff", height=SIZE, width=SIZE, count=1, dtype="float32",
            crs="IAU_2015:30100", transform=Affine(NODE_DEG, 0, -edge, 0, -NODE_DEG, edge), **profile,
        ) as file:  # fmt: skip
            file.write(heights.astype(np.float32), 1)
        return read_terrain(folder / "dem.tif", Path("frame.toml"))

    return read


def toward(azimuth_deg: float, elevation_deg: float, place_km: np.ndarray) -> np.ndarray:
    """Unit vector from a place, azimuth clockwise from north, elevation from the horizontal."""
    ground = moon_to_ground(place_km)
    east, north = east_north(ground.lon_deg, ground.lat_deg)
    azimuth, elevation = np.radians([azimuth_deg, elevation_deg])
    level = np.sin(azimuth) * east + np.cos(azimuth) * north
    return np.cos(elevation) * level + np.sin(elevation) * up(ground.lon_deg, ground.lat_deg)


def clearance_km(terrain: Terrain, origin_km: np.ndarray, direction: np.ndarray, s_km: np.ndarray) -> np.ndarray:
    """Height above the ground along a ray at distances."""
    ground = moon_to_ground(origin_km + s_km[:, np.newaxis] * direction)
    return np.asarray(ground.height_km - heights_km(terrain, ground.lon_deg, ground.lat_deg))


@settings(max_examples=25)
@given(
    st.floats(0, 360), st.floats(0.5, 40), st.floats(50, 3000), st.floats(0, 0.4), st.integers(0, 10**6),
)  # fmt: skip
def test_a_ray_at_a_summit_of_one_node_stops_there_also_among_missing_nodes(
    model, azimuth, elevation, summit_m, missing, seed
):
    """Aimed a metre below the top, the ray ends at it or before; what it met is the ground, and it met none before."""
    random = np.random.default_rng(seed)
    z = random.normal(0, 10, (SIZE, SIZE))
    z[random.random(z.shape) < missing] = np.nan
    z[SIZE // 2, SIZE // 2] = summit_m
    terrain = model(z)
    assert bool(terrain.warnings) == bool(np.isnan(z).any())
    target = up(np.zeros(1), np.zeros(1))[0] * (RADIUS_KM + (summit_m - 1) / 1000)
    outward = toward(azimuth, elevation, target)
    camera = target + 150.0 * outward
    met = ray_to_terrain(terrain, camera, -outward[np.newaxis])[0]
    assert np.isfinite(met).all()
    distance = np.linalg.norm(met - camera)
    assert distance <= 150.0 + 1e-6
    ground = moon_to_ground(met)
    assert ground.height_km == pytest.approx(
        float(heights_km(terrain, np.array([ground.lon_deg]), np.array([ground.lat_deg]))[0]), abs=1e-6
    )
    before = np.arange(max(distance - 40.0, 0.0), distance - 0.005, 0.003)  # a hundredth of a node
    assert clearance_km(terrain, camera, -outward, before).min() > -1e-6


def elevation_of_rise(terrain: Terrain, place: np.ndarray, azimuth: float, rise_km: float) -> float:
    """The elevation at which the ground rises above a line of sight by so much at most, in steps as small as 20 mm."""
    low, high = -5.0, 80.0
    for _ in range(22):
        middle = (low + high) / 2
        s = np.arange(0.5 * terrain.node_km / np.cos(np.radians(middle)), 25.0, 0.003)
        ray = toward(azimuth, middle, place)
        nearest = s[np.argmin(clearance_km(terrain, place, ray, s))]
        closer = np.linspace(max(nearest - 0.003, s[0]), nearest + 0.003, 300)
        found = -clearance_km(terrain, place, ray, closer).min()
        low, high = (middle, high) if found > rise_km else (low, middle)
    return (low + high) / 2


@settings(max_examples=3)
@given(st.integers(0, 10**6), st.floats(100, 400))
def test_where_the_ground_begins_to_hide_is_where_a_march_in_small_steps_says(model, seed, rough_m):
    """Nodes of pure noise, the worst there is: where the ground reaches a hundredth of it higher, the place is hidden.

    The march itself is as good as that. Three samples a crossed cell would be wrong by up to an eighth of the
    surface's bend there, several times as much.
    """
    random = np.random.default_rng(seed)
    terrain = model(random.normal(0, rough_m, (SIZE, SIZE)))
    skin = min(SKIN_SHARE * terrain.node_km, LARGEST_SKIN_KM)
    lon, lat = random.uniform(-0.3, 0.3, (2, 8))
    place = ground_to_moon(GroundPoints(lon, lat, heights_km(terrain, lon, lat)))
    for one, azimuth in zip(place, random.uniform(0, 360, 8), strict=True):
        for off_km, expected in ((1e-5 * rough_m, True), (-1e-5 * rough_m, False)):
            elevation = elevation_of_rise(terrain, one, azimuth, skin + off_km)
            camera = one + 60.0 * toward(azimuth, elevation, one)
            assert occluded(terrain, camera, one[np.newaxis])[0] == expected


@pytest.mark.parametrize(("share", "expected"), [(0.985, True), (1.03, False)])
def test_the_very_top_of_a_narrow_peak_hides_and_no_more(model, share, expected):
    """A lone node of 300 m: lines of sight at 98.5 % of its height over its axis are blocked, at 103 % free.

    Samples half a node apart meet the cone as low as 56 % of its height.
    """
    z = np.zeros((SIZE, SIZE))
    z[SIZE // 2, SIZE // 2] = 300.0
    terrain = model(z)
    random = np.random.default_rng(3)
    over = up(np.zeros(1), np.zeros(1))[0] * (RADIUS_KM + 0.3 * share)
    found = []
    for azimuth, away_deg in zip(random.uniform(0, 360, 200), random.uniform(0.03, 0.3, 200), strict=True):
        lon, lat = away_deg * np.sin(np.radians(azimuth)), away_deg * np.cos(np.radians(azimuth))
        place = up(np.array([lon]), np.array([lat])) * RADIUS_KM
        camera = over + 100.0 * unit(over - place[0])
        found.append(bool(occluded(terrain, camera, place)[0]))
    assert found == [expected] * 200


@pytest.mark.parametrize(("share", "expected"), [(0.518, True), (0.548, False)])
@pytest.mark.parametrize("back", [False, True])
def test_the_highest_place_between_two_lines_of_nodes_counts(model, share, expected, back):
    """A saddle cell, 300 m at two opposite nodes: h = 300 (u + v - 2 u v), crossed along v = 0.6 u.

    The track's highest place is at u = 2/3, 0.533 of the height; at the cell's lines and half-way it is 0.5 at most.
    """
    z = np.zeros((SIZE, SIZE))
    z[SIZE // 2, SIZE // 2 + 1] = z[SIZE // 2 + 1, SIZE // 2] = 300.0
    terrain = model(z)
    u, v = 2 / 3, 0.4
    over = up(np.array([u * NODE_DEG]), np.array([-v * NODE_DEG]))[0] * (RADIUS_KM + 0.3 * share)
    sign = -1.0 if back else 1.0
    lon, lat = (u + sign * 10.0) * NODE_DEG, -(v + sign * 6.0) * NODE_DEG
    place = up(np.array([lon]), np.array([lat])) * RADIUS_KM
    camera = over + 100.0 * unit(over - place[0])
    assert occluded(terrain, camera, place)[0] == expected


def test_missing_nodes_neither_hide_nor_stop_anything(model):
    """A hole in a level plain is filled level: rays meet it there, and it hides nothing."""
    z = np.full((SIZE, SIZE), 200.0)
    z[60:100, 70:95] = np.nan
    terrain = model(z)
    lon, lat = np.random.default_rng(4).uniform(-0.15, 0.15, (2, 100))
    place = ground_to_moon(GroundPoints(lon, lat, np.full(100, 0.2)))
    camera = up(np.zeros(1), np.zeros(1))[0] * (RADIUS_KM + 20.0) + np.array([0.0, 60.0, 10.0])
    met = ray_to_terrain(terrain, camera, unit(place - camera))
    np.testing.assert_allclose(met, place, atol=1e-5)
    assert not occluded(terrain, camera, place).any()
