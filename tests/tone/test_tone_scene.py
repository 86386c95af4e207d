"""What the scene says of the banding: as much as its plains can tell, nothing of its craters or of real ridges."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from calib.tone.banding import estimate_profiles
from calib.tone.scene_kernels import smoothed
from calib.tone.scene_vote import ColumnMeans, column_means, votes_of
from calib.tone.survey import MOST_SCENE_BLOCKS, MOST_SCENE_LINES, SCENE_BLOCK, scene_lines

BLOCKS, SAMPLES, LINES = 120, 200, 16


def rough_ground(chance: np.random.Generator) -> np.ndarray:
    """Block means of a plain with loud patches (ejecta, crater fields) over a sixth of it."""
    loud = gaussian_filter(chance.standard_normal((BLOCKS, SAMPLES)), (3, 10))
    loud = np.where(loud > np.quantile(loud, 0.83), 1.0, 0.0)
    return 0.02 * loud * chance.standard_normal((BLOCKS, SAMPLES))


def test_plains_tell_the_banding_beside_loud_ground() -> None:
    """The fast part of the profile is found twice as well as by the plain mean of all lines."""
    chance = np.random.default_rng(12)
    banding = 0.01 * chance.standard_normal(SAMPLES)
    values = banding + rough_ground(chance) + 0.004 * chance.standard_normal((BLOCKS, SAMPLES))
    found = column_means(np.full((BLOCKS, SAMPLES), float(LINES)), values).density

    def error(profile: np.ndarray) -> float:
        off = profile - banding
        return float(np.std((off - gaussian_filter(off, 8))[20:-20]))

    assert error(found) < 0.6 * error(values.mean(axis=0))


def test_a_ridge_in_every_line_stays_in_the_means() -> None:
    """It may not be weighted away: the comparison with known film must see it to leave it out."""
    chance = np.random.default_rng(13)
    ridge = 0.03 * np.exp(-0.5 * ((np.arange(SAMPLES) - 90) / 2.0) ** 2)
    values = ridge + 0.004 * chance.standard_normal((BLOCKS, SAMPLES))
    found = column_means(np.full((BLOCKS, SAMPLES), float(LINES)), values).density
    assert found[90] - np.median(found) > 0.027


def test_columns_that_were_hardly_seen_have_no_mean() -> None:
    count = np.full((BLOCKS, SAMPLES), float(LINES))
    count[:, :7] = 2.0
    found = column_means(count, np.zeros((BLOCKS, SAMPLES))).density
    assert np.isnan(found[:7]).all()
    assert np.isfinite(found[7:]).all()


def test_lines_of_a_long_strip_are_taken_evenly_and_all_of_a_short_one() -> None:
    """A real strip has three times as many lines as the vote needs."""
    lines, block = scene_lines(1500)
    np.testing.assert_array_equal(lines, np.arange(1500))
    assert block == SCENE_BLOCK
    lines, block = scene_lines(16_000)
    assert lines.size == MOST_SCENE_LINES
    assert set(np.diff(lines).tolist()) == {2, 3}
    assert lines[0] < 3
    assert lines[-1] > 16_000 - 4
    assert lines.size / block <= MOST_SCENE_BLOCKS


def test_means_of_the_sampled_lines_are_those_of_all() -> None:
    """Ground alike over some lines, loud in places, and grain: a sample errs a third as much as known film at most."""
    chance, n_lines, samples = np.random.default_rng(14), 16_000, 60
    banding = 0.01 * chance.standard_normal(samples)
    ground = gaussian_filter(chance.standard_normal((n_lines, samples)), (6, 1.5), mode="wrap")
    loud = gaussian_filter(chance.standard_normal((n_lines, samples)), (40, 8), mode="wrap")
    ground *= np.where(loud > np.quantile(loud, 0.8), 0.05, 0.004) / ground.std()
    density = banding + ground + 0.025 * chance.standard_normal(ground.shape)

    def means(lines: np.ndarray, block: int) -> np.ndarray:
        rows = density[lines[: lines.size // block * block]].reshape(-1, block, samples).mean(axis=1)
        return column_means(np.full(rows.shape, float(block)), rows).density

    sampled, whole = means(*scene_lines(n_lines)), means(np.arange(n_lines), SCENE_BLOCK)
    off = [each - banding for each in (sampled, whole)]
    error = [float(np.std(each - gaussian_filter(each, 8))) for each in off]
    known_film = 0.025 / np.sqrt(8 * 10)  # eight patches of ten lines
    assert error[0] < known_film / 3
    assert error[0] < 2.0 * error[1]


@pytest.mark.parametrize("shape", [(3, 5), (12, 1), (40, 90)])
@pytest.mark.parametrize("reach", [(2.0, 6.0), (0.0, 6.0)])
def test_gaussian_means_are_those_of_a_reference_library(shape: tuple[int, int], reach: tuple[float, float]) -> None:
    """scipy.ndimage.gaussian_filter, mirrored at the ends; also where the kernel is wider than the scene."""
    values = np.random.default_rng(4).standard_normal(shape)
    np.testing.assert_allclose(smoothed(values, reach), gaussian_filter(values, reach), atol=1e-6)


def _vote_error(chance: np.random.Generator, moon: np.ndarray) -> tuple[np.ndarray, float]:
    """Errors (K, n) of profiles by known film and the votes of scenes with a Moon of some 1-sigma (K,) by strip, and
    the rms error that votes weighted as is right would leave."""
    count, n, noise, own = moon.size, 320, 0.0016, 0.005
    truth = 0.01 * chance.standard_normal(n) + own * chance.standard_normal((count, n))
    truth -= truth.mean(axis=1, keepdims=True)
    measured = truth + noise * chance.standard_normal((count, n))
    scenes = [ColumnMeans(row + sigma * chance.standard_normal(n)) for row, sigma in zip(truth, moon, strict=True)]
    variance = np.full((count, n), noise**2)
    found = estimate_profiles(measured, variance, votes_of(scenes, measured, variance)).banding
    error = found - truth
    best = 1 / (1 / noise**2 + 1 / moon**2 + 1 / own**2)
    return error - error.mean(axis=1, keepdims=True), float(np.sqrt(best.mean()))


def test_scenes_that_are_alike_are_believed_as_much_as_all_of_them_allow() -> None:
    """Even ground, better than known film: what all strips show of it together is known well, and so is its weight."""
    errors = [_vote_error(np.random.default_rng(seed), np.full(8, 0.001)) for seed in range(6)]
    rms = np.sqrt(np.mean([error**2 for error, _ in errors]))
    assert rms < 1.09 * errors[0][1]


def test_a_scene_louder_than_the_others_is_believed_less() -> None:
    """It is weighed by what it shows itself: its strip ends no worse than by known film alone."""
    moon = np.array([0.001] * 7 + [0.01])
    errors = [_vote_error(np.random.default_rng(seed), moon)[0] for seed in range(6)]
    loud = np.sqrt(np.mean([error[-1] ** 2 for error in errors]))
    assert loud < 1.03 * 0.0016
    assert np.sqrt(np.mean([error[:-1] ** 2 for error in errors])) < 0.72 * loud


def test_a_lone_strip_s_scene_votes_by_itself() -> None:
    error, best = _vote_error(np.random.default_rng(3), np.full(1, 0.001))
    assert np.std(error) < 1.25 * best


@pytest.mark.parametrize("seen", [1.0, 0.87])
def test_a_scene_votes_beside_a_wedge_narrower_than_the_strip(seen: float) -> None:
    """Patches over 45 % of the width: unexposed film tells the rest badly, but the scene was not heard there, of strips
    at the format's side not at all (a bug), and what is bridged passed for agreement."""
    chance, n, count = np.random.default_rng(6), 240, 6
    truth = 0.03 * chance.standard_normal((count, n))
    truth -= truth.mean(axis=1, keepdims=True)
    sigma = np.where(abs(np.arange(n) - 120) < 54, 0.003, 0.0075)
    measured, variance = truth + sigma * chance.standard_normal((count, n)), np.tile(sigma**2, (count, 1))
    moon = truth + 0.002 * chance.standard_normal((count, n))
    moon[:, round(seen * n) :] = np.nan
    votes = votes_of([ColumnMeans(row) for row in moon], measured, variance)
    error = (estimate_profiles(measured, variance, votes).banding - truth)[:, : round(seen * n)]
    beside = sigma[: error.shape[1]] > 0.005
    assert np.std(error[:, beside]) < 0.0025
    assert np.std(error[:, ~beside]) < 0.002
