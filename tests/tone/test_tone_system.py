"""The chained normal equations against a dense solution, and the banding profiles against drawn ones."""

import numpy as np
import pytest
from scipy.fft import dct

from calib.tone.banding import SceneVote, covariance_of, estimate_profiles, filtered_profiles, no_vote, precision_of
from calib.tone.scene_vote import ColumnMeans, votes_of
from calib.tone.system import FREE_BANDING, NormalEquations, Rows, Sizes, Solution
from calib.tone.terms import Terms
from calib.tone.transfer import CorrectionBasis
from calib.tone.unknowns import Layout, Stated, first_scales, updated_scales

SIZES, COMMON, SAMPLES = (5, 7, 6, 4), 5, 9
SHARED, BESIDE = 2, 4  # unknowns of each strip
PRIOR = 0.5  # of the strips' unknowns: what they share could be moved to the common ones otherwise
EVERYWHERE, STRETCHES = (1, 2), 3  # the first unknown that stands in every row, and how many there are; kinds of rows


def drawn_terms(chance: np.random.Generator, n: int, size: int) -> Terms:
    """Rows with a few terms each; an unknown may stand in a row twice or thrice, a term may be zero."""
    value = chance.normal(size=(n, size - 1))
    value[::5, 0] = 0.0
    first, count = EVERYWHERE
    at, stretch = chance.integers(0, size, value.shape, dtype=np.int32), chance.integers(0, STRETCHES, n)
    return Terms(at, value, stretch, first, chance.normal(size=(STRETCHES, count)))


def whole(terms: Terms, size: int) -> np.ndarray:
    matrix = np.zeros((len(terms.at), size))
    np.add.at(matrix, (np.arange(len(matrix))[:, None], terms.at), terms.value)
    matrix[:, terms.first : terms.first + terms.modes.shape[1]] += terms.modes[terms.stretch]
    return matrix


def drawn_rows(chance: np.random.Generator, n: int, strip: int, with_next: bool) -> Rows:
    """Rows on two strips, or on one with errors of what is stated and banding that is eliminated."""
    if with_next:
        own, following = drawn_terms(chance, n, SIZES[strip]), drawn_terms(chance, n, SIZES[strip + 1])
        return Rows(own, following, None, np.full(n, -1), chance.normal(size=n))
    own, error = drawn_terms(chance, n, BESIDE), chance.integers(SHARED, COMMON, n)
    return Rows(own, None, error, chance.integers(-1, SAMPLES, n), chance.normal(size=n))


def dense(all_rows: list[tuple[int, Rows, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Normal matrix and right-hand side with all unknowns: strips, common, then every strip's banding."""
    starts = np.concatenate([[0], np.cumsum(SIZES)])
    common, total = starts[-1], starts[-1] + COMMON
    matrix = np.zeros((total + len(SIZES) * SAMPLES,) * 2)
    right = np.zeros(len(matrix))
    for strip, rows, weight in all_rows:
        full = np.zeros((rows.value.size, len(matrix)))
        full[:, starts[strip] : starts[strip + 1]] = whole(rows.own, SIZES[strip])
        full[:, common : common + SHARED] = whole(rows.own, SIZES[strip])[:, :SHARED]
        if rows.next is not None:
            following = whole(rows.next, SIZES[strip + 1])
            full[:, starts[strip + 1] : starts[strip + 2]] = following
            full[:, common : common + SHARED] += following[:, :SHARED]
        if rows.error is not None:
            full[np.arange(len(full)), common + rows.error] -= 1.0
        has = np.flatnonzero(rows.column >= 0)
        full[has, total + strip * SAMPLES + rows.column[has]] = -1.0
        matrix += full.T @ (full * weight[:, None])
        right += full.T @ (weight * rows.value)
    banding = np.arange(total, len(matrix))
    matrix[banding, banding] += 1 / FREE_BANDING
    return matrix, right


def test_chain_with_elimination_is_the_dense_solution() -> None:
    """Values, and every block of the covariance that is handed out, to rounding."""
    chance = np.random.default_rng(1)
    parts = [(k, drawn_rows(chance, 40, k, False), chance.uniform(0.5, 2, 40)) for k in range(4)]
    parts += [(k, drawn_rows(chance, 8, k, True), chance.uniform(0.5, 2, 8)) for k in (0, 2)]
    equations = NormalEquations(Sizes(SIZES, COMMON, SAMPLES, SHARED, BESIDE))
    for part in parts:
        equations.add(equations.share_of(*part))
    for block in equations.diagonal:
        block[np.diag_indices_from(block)] += PRIOR
    solution = equations.solve()
    matrix, right = dense(parts)
    own = np.arange(sum(SIZES))
    matrix[own, own] += PRIOR
    covariance = np.linalg.inv(matrix)
    truth = covariance @ right
    starts = np.concatenate([[0], np.cumsum(SIZES)])
    common = slice(starts[-1], starts[-1] + COMMON)
    np.testing.assert_allclose(solution.common, truth[common], atol=1e-11)
    np.testing.assert_allclose(solution.common_covariance, covariance[common, common], atol=1e-11)
    for strip in range(4):
        own = slice(starts[strip], starts[strip + 1])
        np.testing.assert_allclose(solution.strips[strip], truth[own], atol=1e-11)
        np.testing.assert_allclose(solution.strip_covariance[strip], covariance[own, own], atol=1e-11)
        np.testing.assert_allclose(solution.cross_covariance[strip], covariance[own, common], atol=1e-11)
        first = common.stop + strip * SAMPLES
        np.testing.assert_allclose(solution.banding[strip], truth[first : first + SAMPLES], atol=1e-11)


def drawn_profiles(chance: np.random.Generator, strips: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Common and own banding with most power in slow components, in density."""
    order = np.arange(n)
    power = 2e-2 / (1 + (order / 6.0) ** 2) + 2e-5
    root = np.linalg.cholesky(covariance_of(power) + 1e-12 * np.eye(n))
    common = root @ chance.standard_normal(n)
    return common, common + 0.3 * (root @ chance.standard_normal((n, strips))).T


def test_profiles_beat_the_readings_and_know_how_well() -> None:
    """Estimates are closer than the readings, unread samples are bridged, and sigma is true to 15 %."""
    chance = np.random.default_rng(3)
    common, true = drawn_profiles(chance, 10, 150)
    variance = np.full(true.shape, 0.004**2)
    variance[:, 70:75] = np.inf
    read = true + 0.004 * chance.standard_normal(true.shape)
    read[:, 70:75] = 0.0
    found = estimate_profiles(read, variance)
    off = (found.banding - found.banding.mean(axis=1, keepdims=True)) - (true - true.mean(axis=1, keepdims=True))
    seen = np.isfinite(variance)
    assert off[seen].std() < 0.8 * 0.004
    assert np.sqrt(np.mean((off / found.sigma) ** 2)) == pytest.approx(1.0, abs=0.15)
    assert (found.sigma[:, 72] > 1.5 * found.sigma[:, 40]).all()
    shape = found.common - found.common.mean() - common + common.mean()
    assert shape.std() < 0.5 * common.std()


def test_quick_profiles_are_the_likeliest_ones_where_all_samples_are_measured_alike() -> None:
    """Strips with errors of different size, and one of which nothing was read: that one has what all share."""
    chance = np.random.default_rng(4)
    _, true = drawn_profiles(chance, 8, 150)
    sigma = np.linspace(0.002, 0.005, 8)[:, None]
    read = true + sigma * chance.standard_normal(true.shape)
    variance = np.broadcast_to(sigma**2, true.shape).copy()
    slow, (found, quick_sigma) = estimate_profiles(read, variance), filtered_profiles(read, variance)
    np.testing.assert_allclose(found, slow.banding, atol=1e-9)
    np.testing.assert_allclose(quick_sigma, np.sqrt((slow.sigma**2).mean(axis=1, keepdims=True)) + np.zeros(150))
    read[3], variance[3] = 0.0, np.inf
    slow, (found, quick_sigma) = estimate_profiles(read, variance), filtered_profiles(read, variance)
    np.testing.assert_allclose(found[3], slow.common, atol=1e-9)
    assert quick_sigma[3, 0] > 1.5 * quick_sigma[4, 0]


@pytest.mark.parametrize("n", [2, 39, 40])
def test_covariance_and_precision_of_a_spectrum_are_inverse(n: int) -> None:
    """One spectrum, two matrices; the covariance is that of its cosines."""
    power = np.linspace(2.0, 0.1, n)
    np.testing.assert_allclose(covariance_of(power) @ precision_of(power), np.eye(n), atol=1e-10)
    cosines = dct(np.eye(n), axis=0, norm="ortho")
    np.testing.assert_allclose(covariance_of(power), cosines.T @ np.diag(power) @ cosines, atol=1e-12)


def test_scene_refines_where_it_agrees_and_is_silent_where_it_does_not() -> None:
    """A quiet scene improves all samples; with a ridge in it the estimate follows the readings there."""
    chance = np.random.default_rng(5)
    _, true = drawn_profiles(chance, 8, 256)
    variance = np.full(true.shape, 0.003**2)
    read = true + 0.003 * chance.standard_normal(true.shape)
    moon = 0.001 * chance.standard_normal(true.shape)
    ridge = 0.05 * np.exp(-0.5 * ((np.arange(256) - 120) / 2.0) ** 2)
    quiet = votes_of([ColumnMeans(row) for row in true + moon], read, variance)
    bumpy = votes_of([ColumnMeans(row) for row in true + moon + ridge], read, variance)
    alone, helped, kept = (estimate_profiles(read, variance, v).banding - true for v in (no_vote, quiet, bumpy))
    assert (helped - helped.mean(axis=1, keepdims=True)).std() < 0.85 * (
        alone - alone.mean(axis=1, keepdims=True)
    ).std()
    taken = ((kept - helped) * ridge).sum(axis=1) / (ridge**2).sum()
    assert np.abs(taken).max() < 0.003 / np.sqrt((ridge**2).sum())  # what the readings' own noise takes or adds


def test_a_vote_is_a_weight() -> None:
    """A vote with no weight changes nothing."""
    chance = np.random.default_rng(6)
    _, true = drawn_profiles(chance, 3, 64)
    variance = np.full(true.shape, 1e-6)
    silent = SceneVote(np.full(64, 5.0), np.zeros((64, 64)))
    one = estimate_profiles(true, variance)
    two = estimate_profiles(true, variance, lambda _: silent)
    np.testing.assert_allclose(one.banding, two.banding, atol=1e-12)


@pytest.mark.parametrize(("error", "sigma"), [(0.2, 0.02), (0.01, 0.0245 / 3), (0.0, 0.01 / 3)])
def test_no_wedge_errs_by_more_than_a_wedge_can(error: float, sigma: float) -> None:
    """Of values of unstated sigma (common practice, no source): a wild fit must not take their say from all patches.
    Five patches that are told say little more than what is expected."""
    layout = Layout(15, 50, 5, np.full((1, 50), -1), np.ones(1, np.bool_))
    common = np.zeros(layout.n_common)
    common[layout.patches] = error
    solution = Solution([], common, [], np.zeros((common.size, common.size)), [], [], [])
    stated = Stated(np.zeros(5), 0.01, np.ones(5), False)
    found = updated_scales(solution, first_scales(), layout, CorrectionBasis(0.1, 2.0, 15), stated)
    assert np.sqrt(found.wedge) == pytest.approx(sigma, rel=1e-3)
