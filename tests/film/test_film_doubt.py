"""Uncertainty of samples: the scatter about each one, and the doubt of its place where the picture has a slope."""

import numpy as np
import pytest

from calib.film.doubt import place_sigma, with_doubt
from calib.film.spans import Spans
from calib.quality import DROPOUT, FILLED, MARK
from calib.sweep.model import StripSweep

SHAPE = (12, 14)


def inner() -> Spans:
    return Spans(1, np.full(SHAPE[0] - 2, 1, np.int32), np.full(SHAPE[0] - 2, SHAPE[1] - 2, np.int32))


def pairs_of(variance: np.ndarray, systematic: float = 0.0) -> np.ndarray:
    return np.stack([variance, np.full(SHAPE, systematic)], axis=-1).astype(np.float32)


def doubted(
    value: np.ndarray, pairs: np.ndarray, place: tuple[float, float], quality: np.ndarray | None = None
) -> np.ndarray:
    bits = np.zeros(SHAPE, np.uint16) if quality is None else quality
    rows = np.tile(np.array(place, np.float32), (SHAPE[0], 1))
    return with_doubt(value.astype(np.float32), pairs, bits, rows, inner(), 0)[1:-1, 1:-1]


def test_doubt_of_place_is_the_slope_times_its_sigma() -> None:
    """0.1 samples across a slope of 0.5 a sample, 0.2 lines along one of 0.3 a line, beside a systematic 0.04."""
    line, sample = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    found = doubted(0.3 * line + 0.5 * sample, pairs_of(np.zeros(SHAPE), 0.04), (0.2, 0.1))
    assert found[..., 1] == pytest.approx(np.sqrt(0.06**2 + 0.05**2 + 0.04**2), rel=1e-4)


def test_noise_alone_adds_next_to_nothing() -> None:
    """Differences of noise are not slopes: with places known to 0.1 they add less than 8 % of the noise."""
    chance = np.random.default_rng(1)
    spread = [
        doubted(0.05 * chance.standard_normal(SHAPE), pairs_of(np.full(SHAPE, 0.05**2)), (0.1, 0.1))[..., 1]
        for _ in range(40)
    ]
    assert np.sqrt(np.mean(np.square(spread))) < 0.08 * 0.05


def test_sigma_is_the_mean_about_a_sample_and_bridged_ones_keep_theirs() -> None:
    variance = np.ones(SHAPE)
    variance[5, 5] = 100.0
    quality = np.zeros(SHAPE, np.uint16)
    quality[5, 5] = DROPOUT | FILLED
    quality[8, 8] = MARK
    variance[8, 8] = 10.0
    found = doubted(np.zeros(SHAPE), pairs_of(variance), (0.0, 0.0), quality)[..., 0]
    assert found[4, 4] == 100.0
    assert found[4, 5] == 1.0
    assert found[7, 7] == pytest.approx(((8 + 10**0.5) / 9) ** 2)


def test_unknown_neighbours_leave_a_sample_what_it_has() -> None:
    value, variance = np.zeros(SHAPE), np.ones(SHAPE)
    value[5, 6] = variance[5, 6] = np.nan
    found = doubted(value, pairs_of(variance, 0.02), (1.0, 1.0))
    assert found[4, 4, 1] == np.float32(0.02)
    assert found[4, 4, 0] == 1.0


def test_the_doubt_of_a_line_s_place_is_its_own_in_samples_and_held_beyond_the_strip() -> None:
    lines, step_mm = np.arange(6.0), (0.004, 0.008)
    sweep = StripSweep(
        np.arange(5) * step_mm[1], np.zeros(6), lines * step_mm[0], np.zeros(5), lines * 0.008, 0.004 * np.ones(6)
    )
    found = place_sigma(sweep, -1, 8)
    assert found[:, 0] == pytest.approx(np.ones(8))
    assert found[:, 1] == pytest.approx([0, 0, 1, 2, 3, 4, 5, 5])
