"""Preparation of overlaps for matching: places in the neighbouring strip, smoothed and interpolated pictures."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter, map_coordinates

from calib.coordinates import ScanPoints
from calib.sweep.counterpart import counterparts, counterparts_in_windows
from calib.sweep.match import robust_scatter
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.sweep.resample import LEAST_SIGNAL, picture_at
from calib.sweep.smoothing import smooth, spline_coefficients

LINES, SAMPLES, STEP_MM = 300, 80, 0.0075


def swept(rng, first_px, falling):
    """A sweep with curved tables and the greatest coupling of the axes that is allowed."""
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


def test_counterparts_in_windows_are_the_same_ones():
    rng = np.random.default_rng(3)
    left, right = swept(rng, 0, False), swept(rng, SAMPLES - 30, True)
    lines, samples = np.arange(48, 48 * 6), np.arange(40, SAMPLES)
    windows = counterparts_in_windows(left, right, lines, samples, 48)
    assert windows.shape == (5, 2, 40, 48)
    expected = counterparts(left, right, lines, samples)
    np.testing.assert_array_equal(np.concatenate(list(windows.transpose(0, 1, 3, 2)), axis=1), expected)


@pytest.mark.parametrize("blur_px", [1.0, 1.5, 2.5])
def test_smoothing_is_a_gaussian_over_the_samples_with_signal(blur_px):
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


def test_a_picture_without_signal_is_constant_with_share_zero():
    made = smooth(np.full((60, 8), np.nan, np.float32), np.full((60, 8), np.inf, np.float32), 1.0)
    assert np.all(made.values == 0)
    assert np.all(made.signal == 0)


@pytest.mark.parametrize("shape", [(70, 40), (50, 7)])
def test_coefficients_are_those_of_the_spline_through_the_samples(shape):
    values = np.random.default_rng(2).normal(size=shape).astype(np.float32)
    line, sample = np.mgrid[1 : shape[0] - 1, 1 : shape[1] - 1]
    back = map_coordinates(spline_coefficients(values).astype(float), [line, sample], order=3, prefilter=False)
    np.testing.assert_allclose(back, values[1:-1, 1:-1], atol=2e-6)


@pytest.mark.parametrize("step", [1.0, 1.02, 0.97, -1.0])
def test_a_picture_at_offset_places_is_its_spline_without_signal_beyond_its_edge(step):
    # windows at the picture's first and last lines and samples and in its middle, whose lines are longer or shorter
    rng = np.random.default_rng(4)
    coefficients = rng.normal(size=(20, 120)).astype(np.float32)
    signal = np.ones((20, 120), np.float32)
    signal[5, 60:64], signal[:, 100] = 0.3, 0.0
    seen = np.ones((9, 48), np.float32)
    seen[3, 7] = 0.2
    move = (0.4, -0.3)
    for first_line, first_sample in ((-3.3, -2.2), (40.1, 4.5), (90.77, 14.9)):
        along = first_line + step * np.arange(48) + (47.0 if step < 0 else 0.0)
        lines = along + 0.01 * np.arange(9)[:, None]
        samples = first_sample + np.arange(9)[:, None] + 0.003 * np.arange(48)
        values, good = np.empty((2, 9, 48), np.float32)
        count = picture_at(coefficients, signal, lines, samples, move, seen, values, good)
        places = [samples + move[1], lines + move[0]]
        expected = map_coordinates(
            coefficients.astype(float), [np.clip(p, 0, n - 1) for p, n in zip(places, signal.shape, strict=True)],
            order=3, prefilter=False, mode="nearest",
        )  # fmt: skip
        inside = np.all([(p >= 0) & (p <= n - 1) for p, n in zip(places, signal.shape, strict=True)], axis=0)
        share = map_coordinates(signal.astype(float), places, order=1, mode="nearest")
        np.testing.assert_allclose(values, expected, atol=2e-5)
        clear = np.abs(share - LEAST_SIGNAL) > 1e-5
        np.testing.assert_array_equal(good[clear], (inside & (share > LEAST_SIGNAL) & (seen > LEAST_SIGNAL))[clear])
        assert 0 < count == good.sum() < good.size


def test_the_scatter_is_the_scaled_median_over_good_samples():
    rng = np.random.default_rng(6)
    for _ in range(20):
        residual = rng.normal(0, 10 ** rng.uniform(-6, 3), (7, 48)).astype(np.float32)
        good = (rng.uniform(size=residual.shape) < 0.7).astype(np.float32)
        size = np.sort(np.abs(residual[good > 0]))
        assert robust_scatter(residual, good) == size[size.size // 2] / np.float32(0.6745)
