"""The benchmarks' arithmetic against arrays made by hand."""

import numpy as np
import pytest

from calib.bench.arrays import amplitude, amplitude_sigma, block_means, high_passed, rms, thirds


def test_block_means_take_only_whole_blocks() -> None:
    values = np.arange(24.0).reshape(4, 6)
    good = np.ones((4, 6), dtype=bool)
    good[0, 3] = False
    np.testing.assert_allclose(block_means(values, good, 2), [3.5, 7.5, 15.5, 17.5, 19.5])
    np.testing.assert_allclose(block_means(values, good, 4), [])


def test_a_bad_value_outside_the_blocks_does_not_matter() -> None:
    values = np.full((5, 5), 2.0)
    values[4, 4] = np.nan
    np.testing.assert_allclose(block_means(values, np.isfinite(values), 2), [2.0] * 4)


def test_thirds_are_of_equal_size() -> None:
    values = np.random.default_rng(0).permutation(np.linspace(0.05, 0.2, 999))
    third = thirds(values)
    assert np.bincount(third).tolist() == [333, 333, 333]
    assert values[third == 0].max() < values[third == 1].min() < values[third == 2].min()


def test_amplitude_is_the_slope_through_the_origin() -> None:
    true = np.array([0.0, 1.0, -2.0, 1.0])
    assert amplitude(0.75 * true, true) == pytest.approx(0.75)
    assert amplitude_sigma(np.full(4, 0.1), true) == pytest.approx(0.1 / np.sqrt(6.0))
    assert np.isnan(amplitude(true, np.zeros(4)))


def test_the_high_pass_takes_slow_changes_and_heeds_gaps() -> None:
    at = np.arange(400)
    slow, ridge = 0.2 * np.sin(2 * np.pi * at / 1600), np.exp(-0.5 * ((at - 200.0) / 3.0) ** 2)
    known = np.ones(400, dtype=bool)
    known[50:60] = False
    passed = high_passed(np.where(known, slow + ridge, 99.0), known, 40.0)
    assert np.all(passed[~known] == 0.0)
    assert passed[200] == pytest.approx(1.0, abs=0.1)
    assert np.abs(passed[[10, 49, 60, 120, 300]]).max() < 0.08


def test_rms_of_nothing_is_unknown() -> None:
    assert np.isnan(rms(np.zeros(0)))
    assert rms(np.array([3.0, 4.0])) == pytest.approx(np.sqrt(12.5))
