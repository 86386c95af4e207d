"""The ground looks like what each scenario promises, and is lit from where the Sun stands."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from calib_demo.illumination import FIELDS, Illumination
from calib_demo.shadow import lit_share
from calib_demo.truth import Truth
from calib_demo.view import point_of


def reflectance(truth: Truth, n: int = 300) -> np.ndarray:
    half_x, half_y = (0.5 * side for side in truth.layout.format_mm)
    return truth.reflectance_of_film(*np.meshgrid(np.linspace(-half_x, half_x, n), np.linspace(-half_y, half_y, n)))


def test_the_map_reference_is_the_film_seen_from_the_ground(shrunk: Callable[[str], Truth]) -> None:
    for name in ("oblique50", "polar-terrain"):
        truth = shrunk(name)
        x, y = np.meshgrid(np.linspace(-2.0, 2.0, 21), np.linspace(-1.5, 1.5, 21))
        lon, lat, hit = truth.ground_of_film(x, y)
        assert hit.all()
        assert np.allclose(truth.reflectance_of(lon, lat), truth.reflectance_of_film(x, y), atol=1e-5)
    assert np.isnan(truth.reflectance_of(np.array([10.0]), np.array([5.0]))).all()


def test_a_folded_ground_goes_on_without_a_step(shrunk: Callable[[str], Truth]) -> None:
    """Two microns apart on both sides of the raster's edge, the mirror image joins; far out there is ground still."""
    picture = replace(shrunk("cratered").film.picture, is_folded=True)
    edge_mm = picture.x_mm + (picture.coefficients.shape[1] - 1) * picture.step_mm
    y = np.linspace(-1.0, 1.0, 50)
    assert np.allclose(
        picture.at(np.full(50, edge_mm - 1e-3), y), picture.at(np.full(50, edge_mm + 1e-3), y), atol=1e-6
    )
    assert np.isfinite(picture.at(np.full(50, 7.3 * edge_mm), y)).all()


def test_scenes_differ_as_promised(shrunk: Callable[[str], Truth]) -> None:
    assert reflectance(shrunk("featureless")).std() < 0.03 * reflectance(shrunk("featureless")).mean()
    dark, bright = np.percentile(reflectance(shrunk("contrast")), [10, 90])
    assert bright > 2.0 * dark
    terminator = reflectance(shrunk("terminator"))
    assert np.mean(terminator < 0.05 * np.median(terminator[terminator > 0])) > 0.05, "no shadow at the terminator"
    cratered = reflectance(shrunk("cratered"))
    assert 0.05 * cratered.mean() < cratered.std() < 0.5 * cratered.mean()


def test_ridges_run_along_the_columns(shrunk: Callable[[str], Truth]) -> None:
    picture = reflectance(shrunk("ridges"))
    fine = [np.diff(picture.mean(axis=axis)).std() for axis in (0, 1)]
    assert fine[0] > 3.0 * fine[1]


def test_above_the_limb_there_is_no_light(shrunk: Callable[[str], Truth]) -> None:
    truth = shrunk("limb")
    half_x, half_y = (0.5 * side for side in truth.layout.format_mm)
    x, y = np.meshgrid(np.linspace(-half_x, half_x, 80), np.linspace(-half_y, half_y, 80))
    step = truth.scenario.scan.sample_mm
    around = [truth.ground_of_film(x + 6 * i * step, y + 6 * j * step)[2] for i in (-1, 0, 1) for j in (-1, 0, 1)]
    space, ground = ~np.any(around, axis=0), np.all(around, axis=0)
    assert space.any()
    assert np.abs(truth.reflectance_of_film(x, y)[space]).max() < 1e-6
    assert truth.reflectance_of_film(x, y)[ground].min() > 0.0


def test_ground_nearer_the_sun_is_brighter(shrunk: Callable[[str], Truth]) -> None:
    """Slopes of the terrain model, taken here by differences on the ground, show in the light."""
    truth = shrunk("polar-terrain")
    lon, lat, _ = truth.ground_of_film(*np.meshgrid(np.linspace(-2.5, 2.5, 60), np.linspace(-1.5, 1.5, 60)))
    sun = point_of(*truth.scenario.sun.subsolar_deg)
    delta = 0.002
    stretch = delta / np.cos(np.radians(lat))
    places = [(lon + stretch, lat), (lon - stretch, lat), (lon, lat + delta), (lon, lat - delta)]
    east, west, north, south = (point_of(a, b, truth.height_km(a, b)) for a, b in places)
    normal = np.cross(east - west, north - south)
    cosine = normal @ sun / np.linalg.norm(normal, axis=-1) / np.linalg.norm(sun)
    assert np.corrcoef(cosine.ravel(), truth.reflectance_of(lon, lat).ravel())[0, 1] > 0.4


@pytest.mark.parametrize("elevation_deg", [10.0, 30.0])
def test_a_wall_throws_a_shadow_of_the_right_length(elevation_deg: float) -> None:
    """Sun in the direction of rising columns, a wall 6 pixels high: the shadow is 6 / tan(elevation) long.

    Two pixels of slack: whole pixels, and the penumbra's width."""
    rise, across = np.sin(np.radians(elevation_deg)), np.cos(np.radians(elevation_deg))
    fields = dict.fromkeys(FIELDS, 0.0) | {"sun": rise, "sun_1": across, "k11": 1.0, "k22": 1.0, "eye": 1.0, "hit": 1.0}
    light = Illumination(np.tile(np.array(list(fields.values()), dtype=np.float32), (90, 200, 1)), 1)
    relief = np.zeros((90, 200), dtype=np.float32)
    relief[:, 120:125] = 6.0
    lit = lit_share(relief, light)
    dark = np.flatnonzero(lit[20, :120] < 0.5)
    assert dark.size == pytest.approx(6.0 / np.tan(np.radians(elevation_deg)), abs=2.0)
    assert dark.max() == 119
    assert np.all(lit[20, 125:] == 1.0)
