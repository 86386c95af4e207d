"""Exposure from noisy density: right on the average, with a sigma that the scatter agrees with."""

import numpy as np
import pytest

from calib.light.curve import density_of, exposure_of, film_curve
from calib.light.exposure import ExposureLookup, exposure_lookup, noisy_exposure

LOG_EXPOSURE = np.linspace(-1.6, 1.5, 40)
CURVE = film_curve(tuple(LOG_EXPOSURE), tuple(0.19 + 2.0 / (1 + np.exp(-2.6 * LOG_EXPOSURE))))


def lookup_of(sigma: float) -> ExposureLookup:
    return exposure_lookup(CURVE, np.array(CURVE.span), np.full(2, sigma))


@pytest.mark.parametrize("log_exposure", [-1.5, -1.2, -0.8, -0.3, 0.3, 0.6])
@pytest.mark.parametrize("sigma", [0.01, 0.05])
def test_the_mean_over_noise_is_the_true_exposure(log_exposure: float, sigma: float) -> None:
    """Without the correction the mean is off by up to 30 % at the toe; what is left is the Monte Carlo error."""
    true = 10.0**log_exposure
    density = float(density_of(CURVE, log_exposure))
    noisy = (density + sigma * np.random.default_rng(3).standard_normal(400_000)).astype(np.float32)
    result = noisy_exposure(lookup_of(sigma), noisy, np.full_like(noisy, sigma), np.zeros_like(noisy))
    error = float(result.value.std()) / np.sqrt(noisy.size)
    assert float(result.value.mean(dtype=np.float64)) == pytest.approx(true, abs=4 * error + 6e-3 * true)
    assert float(np.sqrt(np.mean(result.noise**2))) == pytest.approx(float(result.value.std()), rel=0.16)


@pytest.mark.parametrize("log_exposure", [-1.2, -0.8, 0.0, 0.5])
def test_the_sigma_of_a_mean_of_samples_covers_its_error(log_exposure: float) -> None:
    """At the toe too: a noise taken from the held end of the curve would be half of what it is."""
    sigma = 0.04
    density = float(density_of(CURVE, log_exposure)) + sigma * np.random.default_rng(5).standard_normal((20_000, 8))
    result = noisy_exposure(
        lookup_of(sigma),
        density.astype(np.float32),
        np.full(density.shape, sigma, np.float32),
        np.zeros(density.shape, np.float32),
    )
    z = (result.value.mean(axis=1) - 10.0**log_exposure) / (np.sqrt(np.square(result.noise).sum(axis=1)) / 8)
    assert float(np.mean(np.abs(z) < 1)) == pytest.approx(0.6827, abs=0.03)
    assert float(np.mean(np.abs(z) < 2)) == pytest.approx(0.9545, abs=0.02)


def test_without_noise_the_lookup_is_the_curve_to_a_few_millionths() -> None:
    lookup = lookup_of(0.0)
    density = np.random.default_rng(1).uniform(0.3, 2.1, 10_000)
    table = np.interp(density, lookup.density, lookup.exposure)
    assert np.allclose(table, exposure_of(CURVE, density), rtol=6e-6, atol=0)


def test_a_noisier_sample_and_a_systematic_error_scale_with_the_curve_s_slope() -> None:
    at = np.full(2, 1.2, np.float32)
    result = noisy_exposure(lookup_of(0.02), at, np.array([0.02, 0.06], np.float32), np.array([0.01, 0.02], np.float32))
    assert result.noise[1] == pytest.approx(3 * result.noise[0])
    step = 1e-4
    slope = float(exposure_of(CURVE, 1.2 + step) - exposure_of(CURVE, 1.2 - step)) / (2 * step)
    assert result.systematic == pytest.approx(slope * np.array([0.01, 0.02]), rel=2e-3)


def test_film_at_the_dark_end_may_have_seen_no_light_at_all() -> None:
    """In full shadow the film lies at the curve's first knot: what is read there is off by up to that exposure."""
    sigma, (low, _) = 0.02, CURVE.span
    density = low + sigma * np.random.default_rng(8).standard_normal((20_000, 4))
    kind = np.full(density.shape, sigma, np.float32)
    made = noisy_exposure(lookup_of(sigma), density.astype(np.float32), kind, np.zeros_like(kind))
    error = np.hypot(np.sqrt(np.square(made.noise).sum(axis=1)) / 4, made.systematic.mean(axis=1))
    off_truth = np.abs(made.value.mean(axis=1))  # the truth is zero; the curve's least light is 1.5 sigma off it
    assert np.mean(off_truth < 2 * error) > 0.9
    well_inside = noisy_exposure(lookup_of(sigma), np.full(1, low + 0.2, np.float32), kind[0, :1], np.zeros(1, "f4"))
    assert well_inside.systematic[0] < 1e-6


def test_far_beyond_the_curve_values_are_held_and_nan_stays_nan() -> None:
    """A chord goes on for six sigma; what is further off is no noise, and is held there."""
    lookup = lookup_of(0.01)
    density = np.array([0.0, -5.0, 5.0, 9.0, np.nan], np.float32)
    result = noisy_exposure(lookup, density, np.full(5, 0.01, np.float32), np.zeros(5, np.float32))
    assert result.value[0] == result.value[1] == pytest.approx(lookup.exposure[0], rel=1e-5)
    assert result.value[2] == result.value[3] == pytest.approx(lookup.exposure[-1], rel=1e-5)
    assert np.isnan(result.value[4])
