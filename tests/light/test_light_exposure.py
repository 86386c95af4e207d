"""Exposure from noisy density: right on the average, with a sigma that the scatter agrees with."""

import numpy as np
import pytest

from calib.light.curve import exposure_of, film_curve
from calib.light.exposure import exposure_lookup, noisy_exposure

LOG_EXPOSURE = np.linspace(-1.6, 1.5, 40)
CURVE = film_curve(tuple(LOG_EXPOSURE), tuple(0.19 + 2.0 / (1 + np.exp(-2.6 * LOG_EXPOSURE))))


@pytest.mark.parametrize("density", [0.45, 0.8, 1.2, 1.7])
@pytest.mark.parametrize("sigma", [0.01, 0.05])
def test_the_mean_over_noise_is_the_true_exposure(density: float, sigma: float) -> None:
    """Without the correction the mean is high by up to 2 % here; what is left is the Monte Carlo error."""
    noisy = (density + sigma * np.random.default_rng(3).standard_normal(400_000)).astype(np.float32)
    result = noisy_exposure(exposure_lookup(CURVE), noisy, np.full_like(noisy, sigma), np.zeros_like(noisy))
    true = float(exposure_of(CURVE, density))
    error = float(result.value.std()) / np.sqrt(noisy.size)
    assert float(result.value.mean()) == pytest.approx(true, abs=4 * error + 5e-4 * true)
    assert float(result.noise.mean()) == pytest.approx(float(result.value.std()), rel=0.08)


def test_the_lookup_is_good_to_a_millionth() -> None:
    lookup = exposure_lookup(CURVE)
    density = np.random.default_rng(1).uniform(0.3, 2.1, 10_000)
    table = np.interp(density, lookup.density, lookup.exposure)
    assert np.allclose(table, exposure_of(CURVE, density), rtol=2e-6, atol=0)


def test_beyond_the_curve_the_exposure_is_held_and_nan_stays_nan() -> None:
    lookup = exposure_lookup(CURVE)
    density = np.array([0.0, 5.0, np.nan], np.float32)
    result = noisy_exposure(lookup, density, np.full(3, 1e-5, np.float32), np.zeros(3, np.float32))
    assert result.value[0] == pytest.approx(lookup.exposure[0], rel=1e-3)
    assert result.value[1] == pytest.approx(lookup.exposure[-1], rel=1e-3)
    assert np.isnan(result.value[2])
