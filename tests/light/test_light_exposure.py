"""Exposure from noisy density: unbiased, with a sigma that agrees with the scatter."""

import numpy as np
import pytest
from looked_up import turned

from calib.film.tables import ValueTable
from calib.light.curve import density_of, exposure_of, film_curve
from calib.light.exposure import exposure_table

LOG_EXPOSURE = np.linspace(-1.6, 1.5, 40)
CURVE = film_curve(tuple(LOG_EXPOSURE), tuple(0.19 + 2.0 / (1 + np.exp(-2.6 * LOG_EXPOSURE))))


def table_of(sigma: float, doubt: float = 0.0) -> ValueTable:
    return exposure_table(CURVE, np.array(CURVE.span), np.full(2, sigma), np.full(2, doubt))


@pytest.mark.parametrize("log_exposure", [-1.5, -1.2, -0.8, -0.3, 0.3, 0.6])
@pytest.mark.parametrize("sigma", [0.01, 0.05])
def test_the_mean_over_noise_is_the_true_exposure(log_exposure: float, sigma: float) -> None:
    """Toe, straight part and shoulder; what is left is the Monte Carlo error. Sigma is the error's size."""
    true = 10.0**log_exposure
    density = float(density_of(CURVE, log_exposure))
    noisy = (density + sigma * np.random.default_rng(3).standard_normal(400_000)).astype(np.float32)
    result = turned(table_of(sigma), noisy, np.full_like(noisy, sigma), np.zeros_like(noisy))
    error = float(result.value.std()) / np.sqrt(noisy.size)
    assert float(result.value.mean(dtype=np.float64)) == pytest.approx(true, abs=4 * error + 6e-3 * true)
    assert float(np.sqrt(np.mean(((result.value - true) / result.noise) ** 2))) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("sigma", [0.03, 0.05, 0.07])
def test_denser_film_never_gets_much_less_light_in_the_shoulder(sigma: float) -> None:
    """Where a sigma of noise makes exposure several times as large: values swung, fell below zero and scattered twice
    as much as they need on half of a frame by others, silently in parts (a bug)."""
    density = np.linspace(1.7, CURVE.span[1], 500)
    value = turned(table_of(sigma), density, np.full(500, sigma), np.zeros(500)).value
    assert value.min() > 0.0
    assert np.all(value > 0.9 * np.maximum.accumulate(value))


@pytest.mark.parametrize("is_positive", [False, True])
@pytest.mark.parametrize("sigma", [0.05, 0.07])
def test_the_mean_is_right_near_the_bright_end_too(sigma: float, is_positive: bool) -> None:
    """Half of a frame by others lay in the shoulder, came out 4 to 9 % too dark in the mean, and its pixels scattered
    by a half more than they need: the mean over noise had to be that of a curve made up beyond its end, too."""
    curve = film_curve(tuple(LOG_EXPOSURE), tuple(CURVE.density[::-1] if is_positive else CURVE.density))
    table, (low, high) = exposure_table(curve, np.array(curve.span), np.full(2, sigma), np.zeros(2)), curve.span
    node, weight = np.polynomial.hermite_e.hermegauss(101)
    for inside in np.linspace(0.5 * sigma, 0.4, 60):
        density = low + inside if is_positive else high - inside
        made = turned(table, density + sigma * node, np.full(node.size, sigma), np.zeros(node.size))
        true = float(exposure_of(curve, density))
        assert float(np.average(made.value, weights=weight)) == pytest.approx(true, rel=1.8 * sigma)


@pytest.mark.parametrize("density", [1.9, 1.95, 2.0, 2.05])
def test_the_systematic_error_includes_the_remaining_bias(density: float) -> None:
    """The mean is off there, by a known amount."""
    sigma, true = 0.05, float(exposure_of(CURVE, density))
    noisy = (density + sigma * np.random.default_rng(7).standard_normal(100_000)).astype(np.float32)
    result = turned(table_of(sigma), noisy, np.full_like(noisy, sigma), np.zeros_like(noisy))
    off = abs(float(result.value.mean(dtype=np.float64)) - true)
    error = float(result.value.std()) / np.sqrt(noisy.size)
    assert off < 1.5 * float(np.sqrt(np.mean(result.systematic**2))) + 3 * error


@pytest.mark.parametrize("log_exposure", [-1.2, -0.8, 0.0, 0.5])
def test_the_sigma_of_a_mean_of_samples_covers_its_error(log_exposure: float) -> None:
    """At the toe too: a noise taken from the held end of the curve would be half of what it is."""
    sigma = 0.04
    density = float(density_of(CURVE, log_exposure)) + sigma * np.random.default_rng(5).standard_normal((20_000, 8))
    result = turned(
        table_of(sigma),
        density.astype(np.float32),
        np.full(density.shape, sigma, np.float32),
        np.zeros(density.shape, np.float32),
    )
    z = (result.value.mean(axis=1) - 10.0**log_exposure) / (np.sqrt(np.square(result.noise).sum(axis=1)) / 8)
    assert float(np.mean(np.abs(z) < 1)) == pytest.approx(0.6827, abs=0.03)
    assert float(np.mean(np.abs(z) < 2)) == pytest.approx(0.9545, abs=0.02)


def test_without_noise_the_lookup_is_the_curve_to_a_few_millionths() -> None:
    density = np.random.default_rng(1).uniform(0.3, 2.1, 10_000)
    found = turned(table_of(0.0), density, np.zeros(1), np.zeros(1)).value
    assert np.allclose(found, exposure_of(CURVE, density), rtol=6e-6, atol=0)


def test_a_noisier_sample_and_a_systematic_error_scale_with_the_curve_s_slope() -> None:
    at = np.full(2, 1.2, np.float32)
    result = turned(table_of(0.02), at, np.array([0.02, 0.06], np.float32), np.array([0.01, 0.02], np.float32))
    assert result.noise[1] == pytest.approx(3 * result.noise[0])
    step = 1e-4
    slope = float(exposure_of(CURVE, 1.2 + step) - exposure_of(CURVE, 1.2 - step)) / (2 * step)
    assert result.systematic == pytest.approx(slope * np.array([0.01, 0.02]), rel=2e-3)


@pytest.mark.parametrize("log_exposure", [-1.0, -0.4, 0.4])
@pytest.mark.parametrize("doubt", [0.01, 0.1, 0.3])
def test_a_large_systematic_error_is_stated_as_large_as_it_is(log_exposure: float, doubt: float) -> None:
    """A strip known to 0.5 in density was read 0.5 too light: values were a fifth of the truth, with a sigma that was
    a part of that fifth, so that thousands of pixels were off by ten of it (a bug: by the slope where it was read)."""
    density = float(density_of(CURVE, log_exposure))
    true = density + doubt * np.random.default_rng(6).standard_normal(50_000)
    off = exposure_of(CURVE, np.clip(true, *CURVE.span)) - 10.0**log_exposure
    result = turned(table_of(0.01, doubt), np.full(1, density, np.float32), np.full(1, 0.01), np.full(1, doubt))
    assert result.systematic[0] == pytest.approx(np.sqrt(np.mean(off**2)), rel=0.15)


def test_sigma_at_the_dark_end_includes_no_light_at_all() -> None:
    """In full shadow the film lies at the curve's first knot: what is read there is off by up to that exposure."""
    sigma, (low, _) = 0.02, CURVE.span
    density = low + sigma * np.random.default_rng(8).standard_normal((20_000, 4))
    kind = np.full(density.shape, sigma, np.float32)
    made = turned(table_of(sigma), density.astype(np.float32), kind, np.zeros_like(kind))
    error = np.hypot(np.sqrt(np.square(made.noise).sum(axis=1)) / 4, made.systematic.mean(axis=1))
    off_truth = np.abs(made.value.mean(axis=1))  # the truth is zero; the curve's least light is 1.5 sigma off it
    assert np.mean(off_truth < 2 * error) > 0.9
    well_inside = turned(table_of(sigma), np.full(1, low + 0.2, np.float32), kind[0, :1], np.zeros(1, "f4"))
    assert well_inside.systematic[0] < 1e-3 * well_inside.value[0]


@pytest.mark.parametrize("is_positive", [False, True])
def test_film_within_a_sigma_of_the_dark_end_is_flagged(is_positive: bool) -> None:
    """Half of full shadow passed for film that can be calibrated, with values a sigma above none at all (a bug)."""
    density = CURVE.density[:: -1 if is_positive else 1]
    curve, sigma = film_curve(tuple(LOG_EXPOSURE), tuple(density)), 0.02
    table = exposure_table(curve, np.array(curve.span), np.full(2, sigma), np.zeros(2))
    dark, bright = curve.span[:: -1 if is_positive else 1]
    inwards = np.sign(bright - dark)
    assert table.span[:: -1 if is_positive else 1] == pytest.approx((dark + inwards * sigma, bright))
    noisy = dark + sigma * np.random.default_rng(4).standard_normal((10_000, 7))
    outside = (noisy <= table.span[0]) | (noisy >= table.span[1])
    assert np.mean(outside.mean(axis=1) > 0.5) > 0.97  # a pixel goes by most of its samples


@pytest.mark.parametrize("is_positive", [False, True])
def test_where_most_film_is_in_shadow_the_dark_limit_lies_farther_inside(is_positive: bool) -> None:
    """A third of the pixels kept of a frame at the terminator were full shadow, two sigma too bright: 46 % of all were
    within one. Of pixels (the mean of two samples) that are kept, nine in ten are to have seen light."""
    chance, sigma, dark, n = np.random.default_rng(11), 0.05, 0.85, 200_000
    density = CURVE.density[:: -1 if is_positive else 1]
    curve = film_curve(tuple(LOG_EXPOSURE), tuple(density))
    table = exposure_table(curve, np.array(curve.span), np.full(2, sigma), np.zeros(2), dark)
    end, bright = curve.span[:: -1 if is_positive else 1]
    is_dark = np.arange(n) < dark * n
    film = np.where(is_dark, end, chance.uniform(*curve.span, n))
    pixel = film + sigma / np.sqrt(2.0) * chance.standard_normal(n)
    kept = (pixel > table.span[0]) & (pixel < table.span[1])
    assert np.mean(is_dark[kept]) < 0.1
    assert np.mean(kept[~is_dark & (np.abs(film - end) > 3 * sigma)]) > 0.95
    assert abs(bright - end) > 20 * sigma


def test_the_table_extends_six_sigma_beyond_the_curve_along_chords() -> None:
    """A chord at both ends; larger deviations are not noise."""
    table, (low, high) = table_of(0.01), CURVE.span
    last = table.first + (len(table.value) - 1) / table.per_density
    assert table.first == pytest.approx(low - 0.06, abs=1e-3)
    assert last == pytest.approx(high + 0.06, abs=1e-3)
    assert table.value[0] < exposure_of(CURVE, low)
    assert table.value[-1] > exposure_of(CURVE, high)
