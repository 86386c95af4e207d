"""The error of heights between an elevation model's nodes, as estimated from the model itself."""

from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.coordinates import GroundPoints
from calib.ground.between_nodes import DECREASE, height_sigma_km, terrain_shift_m
from calib.ground.dem import read_terrain
from calib.ground.region import visible_region
from calib.ground.sphere import emission_deg
from calib.ground.terrain import heights_km

LONLAT = "IAU_2015:30100"
FRAME = Path("frame.toml")
FINER = 4  # nodes of the true ground to one of the model's, along either axis


def ground(hurst, seed, n=512):
    """Heights (n, n) in m of self-affine ground: rougher the lower the exponent."""
    rng = np.random.default_rng(seed)
    k = np.hypot(np.fft.fftfreq(n)[:, None], np.fft.rfftfreq(n)[None])
    k[0, 0] = np.inf
    heights = np.fft.irfft2(np.fft.rfft2(rng.normal(size=(n, n))) * k ** -(hurst + 1), (n, n))
    return 100 * heights / heights.std()


def all_places(n=40):
    lon, lat = np.meshgrid(np.linspace(10.1, 14.9, n), np.linspace(0.1, 4.9, n))
    return GroundPoints(lon.ravel(), lat.ravel(), np.zeros(lon.size))


@pytest.mark.parametrize("hurst", [0.5, 0.8, 1.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_interpolation_error_is_as_estimated(write_dem, hurst, seed):
    """Ground of any roughness, seen by a model of every fourth node."""
    true = ground(hurst, seed)
    step = 5.0 / 512
    model = true[::FINER, ::FINER].astype(np.float32)
    first = -0.5 * FINER * step  # the corner of the first node's pixel
    transform = (FINER * step, 0, 10 + first, 0, -FINER * step, 5 - first)
    terrain = read_terrain(write_dem(model, transform, LONLAT), FRAME)
    at = np.arange(40, 460)
    lon, lat = np.meshgrid(10 + at * step, 5 - at * step)
    missed = np.sqrt(np.mean((1e3 * heights_km(terrain, lon, lat) - true[np.ix_(at, at)]) ** 2))
    assert 1e3 * height_sigma_km(terrain, all_places()) == pytest.approx(missed, rel=0.25)


@settings(max_examples=20, deadline=None)
@given(a=st.floats(-500, 500), b=st.floats(-500, 500), size=st.integers(2, 30))
def test_an_even_slope_has_no_interpolation_error(tmp_path_factory, a, b, size):
    """Models with few nodes are handled too."""
    path = tmp_path_factory.mktemp("dem") / "dem.tif"
    y, x = np.mgrid[0:size, 0 : size + 3] / size
    profile = {"driver": "GTiff", "height": size, "width": size + 3, "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", crs=LONLAT, transform=Affine(5 / size, 0, 10, 0, -5 / size, 5), **profile) as file:
        file.write((a * x + b * y).astype(np.float32), 1)
    assert height_sigma_km(read_terrain(path, FRAME), all_places()) < 1e-6 * (1 + abs(a) + abs(b))


def test_only_the_ground_under_the_frame_counts(write_dem):
    heights = ground(0.8, 3, 128)
    heights[:, 64:] = 0.0
    terrain = read_terrain(write_dem(heights.astype(np.float32), (5 / 128, 0, 10, 0, -5 / 128, 5), LONLAT), FRAME)
    rough, plain = (
        height_sigma_km(terrain, GroundPoints(lon + np.array([0.0, 2.0]), np.array([0.5, 4.5]), np.zeros(2)))
        for lon in (10.2, 12.7)
    )
    assert rough > 1e-3
    assert plain == 0.0


def test_a_frame_within_one_cell_of_the_model_asks_the_nodes_about_it(write_dem):
    heights = ground(0.8, 5, 64).astype(np.float32)
    terrain = read_terrain(write_dem(heights, (5 / 64, 0, 10, 0, -5 / 64, 5), LONLAT), FRAME)
    small = GroundPoints(np.array([12.41, 12.42]), np.array([2.51, 2.52]), np.zeros(2))
    assert height_sigma_km(terrain, small) > 1e-3


def test_the_map_moves_by_the_height_times_the_tangent_of_emission(write_dem, view):
    heights = ground(0.8, 4, 256).astype(np.float32)
    terrain = read_terrain(write_dem(heights, (4 / 256, 0, -79.0, 0, -4 / 256, 21.0), LONLAT), FRAME)
    seen = view(terrain=terrain)
    region = visible_region(seen)
    assert terrain_shift_m(view(), visible_region(view())) == 0.0
    tangent = np.tan(np.radians(emission_deg(region.inside, seen.pose.position_km)))
    every = GroundPoints(np.array([-79.0, -75.0]), np.array([17.0, 21.0]), np.zeros(2))
    assert terrain_shift_m(seen, region) == pytest.approx(
        1e3 * height_sigma_km(terrain, every) * np.sqrt(np.mean(tangent**2)), rel=0.5
    )


def test_the_limits_of_the_decrease_are_those_of_smooth_and_of_rough_ground():
    assert (2.0**-2, pytest.approx(2.0**-0.5, abs=0.01)) == DECREASE
