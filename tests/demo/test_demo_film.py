"""Film, readout and noise do what they are said to do."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from calib_demo.catalogue import NAMES, scenario
from calib_demo.emulsion import density_of, density_table, fog_of, grain_sigma, knots_of
from calib_demo.kept import load_truth, save_truth
from calib_demo.make import simulate, strip_dn
from calib_demo.readout import Video
from calib_demo.truth import Truth
from hypothesis import given
from hypothesis import strategies as st

SELWYN = Path(__file__).parents[1] / "data" / "demo" / "selwyn.csv"


def test_grain_follows_the_handbook_row() -> None:
    granularity, side_um, expected = np.genfromtxt(SELWYN, delimiter=",", comments="#", skip_header=3, unpack=True)
    found = [grain_sigma(n, (1e-3 * s) ** 2, np.array(1.0)) for n, s in zip(granularity, side_um, strict=True)]
    assert np.allclose(found, expected, atol=1e-5)
    assert grain_sigma(8.0, 1e-4, np.array(0.25)) == pytest.approx(0.5 * grain_sigma(8.0, 1e-4, np.array(1.0)))


@pytest.mark.parametrize("name", NAMES)
def test_the_stated_curve_is_strictly_monotone_and_read_as_a_monotone_cubic(name: str) -> None:
    emulsion = scenario(name).emulsion
    knots = knots_of(emulsion)
    sign = -1.0 if emulsion.positive else 1.0
    assert np.all(np.diff(knots.log_exposure) > 0)
    assert np.all(sign * np.diff(knots.density) > 0)
    grid, table = density_table(knots)
    assert np.all(sign * np.diff(table) >= 0)
    assert np.abs(density_of(knots, knots.log_exposure) - knots.density).max() < 1e-12
    between = np.linspace(knots.log_exposure[0], knots.log_exposure[-1], 999)
    assert np.abs(np.interp(between, grid, table) - density_of(knots, between)).max() < 1e-6
    assert fog_of(knots) == density_of(knots, np.array(-99.0))


@given(st.floats(0.02, 2.5), st.floats(0.7, 1.8), st.floats(0.2, 4.0), st.booleans(), st.floats(0.0, 4000.0))
def test_the_video_curve_and_its_inverse(density: float, toe: float, knee: float, rising: bool, low: float) -> None:
    dark, bright = (low, 60000.0) if rising else (60000.0, low)
    video = Video(dark, bright, toe, knee)
    d = np.array(density)
    assert video.density_of(video.dn_of(d)) == pytest.approx(density, abs=1e-7)
    slope = (video.dn_of(d + 1e-5) - video.dn_of(d - 1e-5)) / 2e-5
    assert (slope < 0) == rising
    assert video.density_per_dn(d) == pytest.approx(1.0 / abs(slope), rel=1e-5)


@pytest.mark.parametrize(("bits", "rising"), [(16, True), (8, False)])
def test_noise_has_the_stated_sigma_and_no_bias(bits: int, rising: bool) -> None:
    whole = scenario("small")
    noise = 0.0012 if bits == 16 else 0.008
    tone = replace(whole.tone, rising=rising, noise_of_range=noise)
    truth = simulate(replace(whole, scan=replace(whole.scan, bits=bits), tone=tone))
    strip = truth.strips[1]
    dn = strip_dn(truth, 1).astype(float)
    # Where the noise is small against the curve's bend, density is linear in DN over it.
    seen, sigma = truth.seen_density(1), truth.noise_sigma(1)
    good = ~truth.dropout_mask(1) & (sigma < 0.045)
    scaled = (strip.video.density_of(dn[good]) - seen[good]) / sigma[good]
    assert good.mean() > 0.2
    assert scaled.std() == pytest.approx(1.0, abs=0.02)
    assert abs(scaled.mean()) < 0.05


def test_dropouts_are_where_the_mask_says_and_nowhere_else(small_frame: tuple[Path, Truth]) -> None:
    _, truth = small_frame
    touched = 0
    for k, strip in enumerate(truth.strips):
        dn, mask = strip_dn(truth, k).astype(float), truth.dropout_mask(k)
        limits = [strip.video.dn_of(truth.seen_density(k) + s * 6.0 * truth.noise_sigma(k)) for s in (-1, 1)]
        off = (dn < np.minimum(*limits) - 300.0) | (dn > np.maximum(*limits) + 300.0)
        assert not np.any(off & ~mask)
        touched += int(mask.sum())
        assert np.mean(off[mask]) > 0.5
    assert touched > 0


def test_banding_and_drift_have_mean_zero_and_the_common_part_is_common(described: Callable[[str], Truth]) -> None:
    truth = described("tern2")
    own = np.array([strip.column_density - truth.common_column_density for strip in truth.strips])
    assert abs(truth.common_column_density.mean()) < 1e-12
    assert np.abs(own.mean(axis=1)).max() < 1e-12
    assert np.abs([strip.line_density.mean() for strip in truth.strips]).max() < 1e-12
    assert 0.0 < own.std() < 0.6 * truth.common_column_density.std()


def test_exposure_by_the_contracts_equation(shrunk: Callable[[str], Truth]) -> None:
    truth = shrunk("terminator")  # states a falloff
    x, y = np.array([1.2]), np.array([-0.7])
    r2 = (1.2 - 0.012) ** 2 + (-0.7 + 0.034) ** 2
    falloff = 1.0 - 2.4e-4 * r2 + 3.0e-8 * r2**2
    expected = truth.reflectance_of_film(x, y) * 133100.0 / 1.01383**2 * 0.78 * falloff * 0.04 / (4 * 4.0**2)
    assert truth.exposure_of_film(x, y) == pytest.approx(expected, rel=1e-12)


def test_falloff_defaults_to_the_fourth_power_of_the_cosine(described: Callable[[str], Truth]) -> None:
    light = described("tern2").film.light
    x0, y0 = light.principal_point_mm
    ratio = light.factor(np.array(x0 + 45.0), np.array(y0)) / light.factor(np.array(x0), np.array(y0))
    assert ratio == pytest.approx(np.cos(np.arctan(0.1)) ** 4, rel=1e-12)


def test_wedge_fog_and_strokes_have_their_densities(shrunk: Callable[[str], Truth]) -> None:
    truth = shrunk("featureless")  # positive film: unexposed is dark
    strip, patches = truth.strips[1], truth.layout.patches
    clean = truth.clean_density(1)
    y = strip.y_line_mm + strip.y_sample_mm.mean()
    middle = strip.shape[1] // 2
    assert clean[np.argmin(y), middle] == pytest.approx(fog_of(truth.film.knots), abs=1e-6)
    assert fog_of(truth.film.knots) == truth.film.knots.density.max()
    for density, (top, bottom) in zip(patches.density, patches.y_mm, strict=True):
        line = np.argmin(np.abs(y - (top + bottom) / 2))
        assert clean[line, middle] == pytest.approx(density, abs=2e-3)
    mark_x, mark_y = truth.layout.marks.true_mm[0]
    assert truth.layout.marks.damage[0] == ""
    x = strip_places(truth, 0)
    line = np.argmin(np.abs(truth.strips[0].y_line_mm - mark_y))
    sample = np.argmin(np.abs(x - mark_x))
    stroke = truth.clean_density(0)[line - 1 : line + 2, sample - 8 : sample + 9]
    # The readout's blur lets some of the ground through a stroke five samples wide.
    assert np.abs(stroke - truth.film.stroke_density).min() < 0.03


def strip_places(truth: Truth, strip: int) -> np.ndarray:
    return truth.strips[strip].x_sample_mm + truth.strips[strip].x_line_mm.mean()


def test_a_kept_truth_comes_back_whole(small_frame: tuple[Path, Truth], tmp_path: Path) -> None:
    _, truth = small_frame
    save_truth(truth, tmp_path / "truth.npz")
    back = load_truth(tmp_path / "truth.npz")
    assert back.scenario == truth.scenario
    for k in range(len(truth.strips)):
        assert np.array_equal(back.clean_density(k), truth.clean_density(k))
        assert np.array_equal(back.noise_sigma(k), truth.noise_sigma(k))
        assert np.array_equal(back.dropout_mask(k), truth.dropout_mask(k))
    lon, lat, _ = truth.ground_of_film(np.array([0.3]), np.array([-0.2]))
    assert back.reflectance_of(lon, lat) == truth.reflectance_of(lon, lat)
    assert back.damaged_marks() == truth.damaged_marks()
    assert back.damaged_marks()


def test_a_kept_terrain_comes_back(shrunk: Callable[[str], Truth], tmp_path: Path) -> None:
    truth = shrunk("polar-terrain")
    save_truth(truth, tmp_path / "truth.npz")
    lon, lat, _ = truth.ground_of_film(np.array([0.5]), np.array([0.4]))
    assert load_truth(tmp_path / "truth.npz").film_of_ground(lon, lat) == truth.film_of_ground(lon, lat)
