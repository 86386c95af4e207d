"""The noise model against published laws and against samples drawn by them."""

import csv
from math import erf
from pathlib import Path

import numpy as np
import pytest
from memory_strip import MemoryStrip

from calib.tone.cells import _scatter_of_rows
from calib.tone.noise import Grain, NoiseModel, agreed_grain, fit_noise, grain_bias, rounding_variance, selwyn_variance
from calib.tone.raw_noise import raw_noise_dn
from calib.tone.transfer import FirstCurve

DATA = Path(__file__).parent.parent / "data" / "tone"


def rows(name: str) -> list[dict[str, float]]:
    text = (DATA / name).read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(lines)]


@pytest.mark.parametrize("sigma", [20.0, 300.0])
def test_the_scatter_of_dn_is_found_to_a_few_per_cent_beside_scenery_and_lost_lines(sigma: float) -> None:
    chance = np.random.default_rng(4)
    line, sample = np.mgrid[:900, :440]
    dn = 30000 + 1000 * np.sin(line / 40.0) * np.cos(sample / 30.0) + sigma * chance.standard_normal(line.shape)
    dn[400:420] = chance.integers(0, 65536, (20, 440))
    strip = MemoryStrip(np.rint(dn).astype(np.uint16))
    assert raw_noise_dn(strip, np.zeros(900, np.bool_)) == pytest.approx(sigma, rel=0.04)


def test_density_is_minus_the_logarithm_of_transmittance() -> None:
    """ISO 5-1: the first curve of a linear video chain without offset reads the table's densities."""
    table = rows("sens_density_transmittance.csv")
    light = np.array([row["transmittance_T"] for row in table])
    curve = FirstCurve(0.0, 1000.0, 1.0, 0.0, 4.5, -0.5)
    np.testing.assert_allclose(curve.density_of(1000.0 * light), [row["density_D"] for row in table], atol=1e-9)


@pytest.mark.parametrize("row", rows("selwyn_square_pixels.csv"))
def test_grain_of_a_square_pixel_by_selwyns_law(row: dict[str, float]) -> None:
    """Handbook rows, to their printed digits."""
    area_mm2 = (row["side_um"] / 1000) ** 2
    assert np.sqrt(selwyn_variance(row["granularity"], area_mm2)) == pytest.approx(row["sigma_density"], abs=1e-5)


def test_noise_parts_are_found_from_patch_scatters() -> None:
    """Grain, video and shot noise are told apart by how they grow with density: total scatter to 3 %."""
    chance = np.random.default_rng(2)
    curve = FirstCurve(2000.0, 55000.0, 1.0, 0.3, 2.6, -0.2)
    density = np.linspace(0.2, 2.2, 14)
    per_dn = 1 / np.abs(curve.slope(density))
    truth = 0.0012 * density + (70.0**2 + 200.0**2 * 10.0**-density) * per_dn**2
    scatter = np.sqrt(truth) / per_dn * (1 + 0.01 * chance.standard_normal(density.size))
    noise = fit_noise(density, scatter, per_dn)
    np.testing.assert_allclose(noise.variance(density, per_dn), truth, rtol=0.06)
    assert noise.grain == pytest.approx(0.0012, rel=0.1)


def test_grain_biases_the_density_of_a_mean_dn_as_predicted() -> None:
    """The mean of light through grainy film is too bright; drawn from the law, compared with the second-order term."""
    chance = np.random.default_rng(4)
    curve = FirstCurve(500.0, 60000.0, 1.0, 0.5, 2.6, -0.2)
    sigma = 0.05
    grainy = 1.5 + sigma * chance.standard_normal(2_000_000)
    measured = float(curve.density_of(np.array([curve.dn_of(grainy).mean()]))[0]) - 1.5
    slope = float(curve.slope(np.array([1.5]))[0])
    expected = float(grain_bias(np.array([1 / abs(slope)]), curve.curvature(np.array([1.5])), np.array([sigma**2]))[0])
    assert measured == pytest.approx(expected, abs=1.5e-4)  # three standard errors of the drawn mean
    assert expected < -0.001


@pytest.mark.parametrize("scatter", [0.15, 0.3, 0.5])
def test_rounding_bias_has_the_stated_size(scatter: float) -> None:
    """Mean square of the bias of rounded means over all levels, by integration of the Gaussian."""
    levels = np.linspace(0, 1, 200, endpoint=False)
    steps = np.arange(-8, 9)
    from_erf = np.array(
        [
            np.sum(steps * (_normal((steps + 0.5 - x) / scatter) - _normal((steps - 0.5 - x) / scatter))) - x
            for x in levels
        ]
    )
    expected = float(rounding_variance(np.array(scatter)))
    assert np.mean(from_erf**2) == pytest.approx(expected, rel=0.15 if scatter < 0.2 else 0.02)


def _normal(x: np.ndarray) -> np.ndarray:
    return np.array([0.5 * (1 + erf(value / np.sqrt(2))) for value in x])


def test_tones_far_from_all_film_have_finite_noise() -> None:
    """Video of seven bits in a strip of sixteen: the tangent reaches densities whose light no float holds."""
    curve = FirstCurve(2.0, 120.0, 0.7, 1.0, 2.45, -0.35)
    density = curve.density_of(np.arange(65536.0))
    assert density[-1] < -400
    noise = NoiseModel(1e-4, 0.3, 0.1)
    assert np.isfinite(noise.variance_dn(density)).all()
    assert noise.variance_dn(np.array([1.0])) == pytest.approx(0.31)


def test_scatter_of_few_lines_is_not_taken_too_small() -> None:
    """The median variance of five samples is 16 per cent below its mean: sigma would be short by eight."""
    chance = np.random.default_rng(6)
    spread = 9.0 * chance.chisquare(4, (1, 4000)) / 5  # mean squares about the mean
    found = _scatter_of_rows(spread, np.full((1, 4000), 5.0), np.ones((1, 4000), dtype=bool))
    assert found[0] == pytest.approx(3.0, rel=0.02)


def test_stated_grain_is_believed_where_the_patches_agree() -> None:
    chance = np.random.default_rng(7)
    measured = 0.0020 * (1 + 0.1 * chance.standard_normal(12))
    assert agreed_grain(measured, 0.0020, 1.0).per_density == 0.0020
    assert agreed_grain(measured, None, 1.0).per_density == np.median(measured)


def test_stated_grain_is_believed_where_no_strip_has_patches_enough_to_tell_it() -> None:
    """Two patches cannot tell grain from the video's noise: they do not contradict anything."""
    assert agreed_grain(np.zeros(0), 0.0020, 1.0) == Grain(0.0020)
    assert agreed_grain(np.zeros(0), None, 1.0) == Grain(0.0)


def test_stated_grain_at_odds_with_the_patches_is_not_used_and_said() -> None:
    """A spot wider than a sample averages the grain: the patches' own is the noise of the samples."""
    measured = np.full(12, 0.0010)
    found = agreed_grain(measured, 0.0020, 1.0)
    assert found.per_density == 0.0010
    assert "0.71 times the grain" in found.warning


def test_the_video_s_noise_is_fitted_to_what_a_known_grain_leaves() -> None:
    curve = FirstCurve(2000.0, 55000.0, 1.0, 0.3, 2.6, -0.2)
    density = np.linspace(0.2, 2.2, 14)
    per_dn = 1 / np.abs(curve.slope(density))
    scatter = np.sqrt(0.0012 * density + 70.0**2 * per_dn**2) / per_dn
    noise = fit_noise(density, scatter, per_dn, grain=0.0012)
    assert noise.grain == 0.0012
    assert noise.video_dn2 == pytest.approx(70.0**2, rel=0.01)


@pytest.mark.parametrize(("samples", "is_said"), [(4.0, False), (2.0, True), (1.0, True)])
def test_less_grain_than_stated_is_odd_only_where_noise_does_not_hang_together(samples: float, is_said: bool) -> None:
    """A spot that covers four samples' film sees a quarter of the grain's variance, and its noise hangs together."""
    found = agreed_grain(np.array([0.00049, 0.00050, 0.00051]), 0.0020, samples)
    assert found.per_density == 0.00050
    assert bool(found.warning) == is_said


def test_more_grain_than_stated_is_said_however_noise_hangs_together() -> None:
    assert agreed_grain(np.array([0.0039, 0.0040, 0.0041]), 0.0020, 4.0).warning
