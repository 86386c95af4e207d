"""What a tie is measured on: places in the neighbouring strip, smoothed pictures."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter, map_coordinates

from calib.coordinates import ScanPoints
from calib.sweep.counterpart import counterparts
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.sweep.smoothing import smooth, spline_coefficients

LINES, SAMPLES, STEP_MM = 300, 80, 0.0075


def swept(rng, first_px, falling):
    """A sweep whose tables all bend, as far as the two axes may leak into each other."""
    line, sample = np.arange(LINES), np.arange(SAMPLES)
    x_line = rng.uniform(-3, 3) * np.sin(line / 40 + rng.uniform(0, 6)) + rng.normal(0, 0.02, LINES)
    y_sample = rng.uniform(-2, 2) * np.cos(sample / 30 + rng.uniform(0, 6))
    bend = rng.uniform(-0.5, 0.5) * np.sin(sample / 12)
    along = line + rng.uniform(-1.5, 1.5) * np.cos(line / 25)
    return StripSweep(
        (sample + bend + first_px) * STEP_MM, x_line * STEP_MM, (along[::-1] if falling else along) * STEP_MM,
        y_sample * STEP_MM, np.ones(LINES), np.ones(LINES),
    )  # fmt: skip


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**31), st.booleans(), st.booleans())
def test_counterparts_are_those_of_the_sweeps_also_beyond_the_strip(seed, left_falls, right_falls):
    rng = np.random.default_rng(seed)
    left, right = swept(rng, 0, left_falls), swept(rng, SAMPLES - 30, right_falls)
    lines, samples = np.arange(LINES), np.arange(40, SAMPLES)
    found = counterparts(left, right, lines, samples)
    film = to_film(left, ScanPoints(lines[:, None].astype(float), samples[None, :].astype(float)))
    expected = to_scan(right, film)
    assert found[1].min() < 0  # the left strip sees film there that the right one does not
    np.testing.assert_allclose(found[0], expected.line, atol=1e-7)
    np.testing.assert_allclose(found[1], expected.sample, atol=1e-7)


@pytest.mark.parametrize("blur_px", [1.0, 1.5, 2.5])
def test_smoothing_is_the_gaussian_of_what_has_signal(blur_px):
    rng = np.random.default_rng(1)
    values = rng.normal(1.4, 0.3, (90, 31)).astype(np.float32)
    sigma = np.full(values.shape, 0.1, np.float32)
    sigma[40, :17] = sigma[60:63] = np.inf
    values[40, 3] = np.nan
    good = np.isfinite(sigma)
    made = smooth(values, sigma, blur_px)
    share = gaussian_filter(good.astype(float), blur_px, mode="nearest")
    expected = gaussian_filter(np.where(good, values, 0.0).astype(float), blur_px, mode="nearest") / share
    level = made.values[0, 0] - expected[0, 0]
    np.testing.assert_allclose(made.signal, share, atol=1e-6)
    np.testing.assert_allclose(made.values - level, expected, atol=3e-6)
    assert np.all(made.signal[:30] == 1)


def test_a_picture_without_any_signal_is_level_and_says_so():
    made = smooth(np.full((60, 8), np.nan, np.float32), np.full((60, 8), np.inf, np.float32), 1.0)
    assert np.all(made.values == 0)
    assert np.all(made.signal == 0)


@pytest.mark.parametrize("shape", [(70, 40), (50, 7)])
def test_coefficients_are_those_of_the_spline_through_the_samples(shape):
    values = np.random.default_rng(2).normal(size=shape).astype(np.float32)
    line, sample = np.mgrid[1 : shape[0] - 1, 1 : shape[1] - 1]
    back = map_coordinates(spline_coefficients(values).astype(float), [line, sample], order=3, prefilter=False)
    np.testing.assert_allclose(back, values[1:-1, 1:-1], atol=2e-6)
