"""The search for the sizes of a fit's unknowns: it ends in few turns, and never far off for want of them."""

from dataclasses import astuple

import numpy as np
import pytest

from calib.tone.model import Scales
from calib.tone.system import NormalEquations, Sizes, Solution, Values
from calib.tone.transfer import CorrectionBasis
from calib.tone.unknowns import (
    LEAST_SCALES,
    LEVEL_SIGMA,
    LONGEST,
    MOST_SCALES,
    Layout,
    Stated,
    Step,
    add_priors,
    errors_told,
    is_contradicted,
    stepped,
    updated_scales,
)

START, END = Scales(3e-3, 2e-2, 3e-4, 4.0, 5e-5), Scales(2e-4, 2e-3, 2e-5, 2.0, 1e-5)


def searched(rate: np.ndarray, turns: int) -> np.ndarray:
    """Logarithms of the scales, less those of the end, where each turn alone leaves `rate` (5,) of what is missing."""
    scales, before = START, None
    end = np.log(astuple(END))
    for _ in range(turns):
        off = np.log(astuple(scales)) - end
        scales, before = stepped(scales, Scales(*np.exp(end + rate * off).tolist()), before)
    return np.asarray(np.log(astuple(scales)) - end)


def test_steps_that_shrink_evenly_are_taken_to_their_end_at_once() -> None:
    """Two steps tell the rest; where they shrink so slowly that a step would be too long, it is only lengthened."""
    off = searched(np.array([0.0, 0.3, 0.7, 0.7, 0.95]), 2)
    np.testing.assert_allclose(off[:4], 0.0, atol=1e-9)
    first = np.log(START.wedge / END.wedge)
    assert off[4] == pytest.approx(first * (0.95 - LONGEST * 0.05 * 0.95))


@pytest.mark.parametrize("rate", [-0.6, 1.2])
def test_steps_that_turn_or_grow_are_not_lengthened(rate: float) -> None:
    """Then nothing is known of where they end."""
    off = searched(np.full(5, rate), 2)
    first = np.log(astuple(START)) - np.log(astuple(END))
    inside = np.log(astuple(END)) + rate**2 * first < np.log(MOST_SCALES)
    np.testing.assert_allclose(off[inside], rate**2 * first[inside])


def test_a_step_back_from_too_far_is_not_lengthened() -> None:
    """After a lengthened step the ratio of the two would say so, but what turned about may have passed its end."""
    at = np.log(astuple(START))
    before = Step(at + LONGEST * 0.5, np.full(5, -0.5))
    found, _ = stepped(START, Scales(*np.exp(at + 0.2).tolist()), before)
    np.testing.assert_allclose(np.log(astuple(found)), at + 0.2)


def test_variance_and_corner_of_the_drift_go_on_together() -> None:
    """A corner taken to where it would end, beside a variance that turns, makes a drift so stiff that no later turn
    finds out of it: the curves took up a drift of 0.17 in density, and the wedge's patches lay 0.5 off."""
    at = np.log(astuple(START))
    before = Step(at - np.array([0, 0, -0.2, -1.0, 0]), np.array([0, 0, -0.2, -1.0, 0]))
    found, _ = stepped(START, Scales(*np.exp(at + np.array([0, 0, 1.8, -0.8, 0])).tolist()), before)
    np.testing.assert_allclose(np.log(astuple(found))[2:4], at[2:4] + np.array([1.8, -0.8]))


def test_scales_stay_within_their_bounds() -> None:
    """However long a step."""
    scales, before = stepped(START, Scales(3e-5, 2e-3, 3e-8, 1.0, 3e-6), None)
    scales, _ = stepped(scales, Scales(*LEAST_SCALES.tolist()), before)
    assert np.all(np.array(astuple(scales)) >= LEAST_SCALES)
    scales, _ = stepped(START, Scales(1.0, 1.0, 1e3, 1e3, 1.0), None)
    np.testing.assert_array_equal(astuple(scales), MOST_SCALES)


def test_few_patches_that_err_alike_with_a_bend_of_the_curves_are_not_taken_to_err_much() -> None:
    """Eight errors of 0.01 that the data tell but half: by themselves they would be taken for 0.014."""
    basis, patches = CorrectionBasis(0.0, 2.0, 12), 8
    layout = Layout(12, 4, patches, np.full((1, 4), -1), np.array([False]))
    stated = Stated(np.full(patches, 1e-6), 0.01, np.ones(patches), is_sigma_stated=False)
    own, common = np.zeros(layout.n_own(0)), np.zeros(layout.n_common)
    common[layout.patches] = 0.01
    covariance = np.zeros((common.size, common.size))
    covariance[layout.patches, layout.patches] = 0.5 * START.wedge * np.eye(patches)
    solution = Solution([own], common, [np.zeros(4)], covariance, [1e-9 * np.eye(own.size)], [], [])
    found = updated_scales(solution, START, layout, basis, stated)
    assert np.sqrt(found.wedge) == pytest.approx(np.sqrt((8 * 0.01**2 + 4 * 0.005**2) / 8), rel=1e-3)


def test_priors_of_a_strip_do_not_pull_on_the_scale_of_its_densities() -> None:
    """Level and slope of the curves are told by patches alone. Priors on drift, dark level and bends, which all scale
    with the curve, drew densities together by two to three of the patches' sigma, the more the more strips (a bug)."""
    chance, basis = np.random.default_rng(4), CorrectionBasis(0.0, 2.0, 12)
    layout = Layout(12, 4, 7, np.full((1, 4), -1), np.array([False]))
    n = layout.n_own(0)
    equations = NormalEquations(Sizes((n,), layout.n_common, 4, shared=12, beside=n))
    at = np.concatenate([0.02 * chance.standard_normal(12), [0.03], 0.02 * chance.standard_normal(n - 13)])
    stated, about = Stated(np.full(7, 0.01), 0.01, np.ones(7), is_sigma_stated=True), Values([at], np.zeros(0), [])
    add_priors(equations, layout, basis, START, stated, about)
    prior = equations.diagonal[0].copy()
    prior[layout.curve, layout.curve] -= np.eye(12) / LEVEL_SIGMA**2
    straight = np.zeros(n)
    straight[layout.curve] = np.arange(12) * 2.0 / 9
    assert straight @ np.append(basis.mean_slope(), np.zeros(n - 12)) == pytest.approx(1.0)
    assert at @ prior @ at > 10.0
    assert abs(at @ prior @ (at + straight)) < 1e-6 * (at @ prior @ at)


def fitted_patches(seed: int, stated: float, true: float) -> tuple[Solution, Layout, Stated]:
    """Errors of eight patches as a fit finds them that knows level and slope of its curves by the patches alone."""
    rng, n = np.random.default_rng(seed), 8
    layout = Layout(12, 4, n, np.full((1, 4), -1), np.array([False]))
    free, noise = np.stack([np.ones(n), np.arange(n)], axis=1), 0.0005
    seen = true * rng.standard_normal(n) + noise * rng.standard_normal(n) + free @ rng.standard_normal(2)
    told = np.linalg.inv(noise**2 * np.eye(n) + 1e4 * free @ free.T)
    covariance = np.linalg.inv(np.eye(n) / stated**2 + told)
    common = np.zeros(layout.n_common)
    whole = np.zeros((common.size, common.size))
    common[layout.patches], whole[layout.patches, layout.patches] = covariance @ told @ seen, covariance
    return (
        Solution([], common, [], whole, [], [], []),
        layout,
        Stated(np.full(n, stated), 0.01, np.ones(n), is_sigma_stated=True),
    )


def test_errors_of_patches_are_told_from_what_their_curves_take_up() -> None:
    """Where what is stated is true they have variance 1 in all combinations but level and slope, and chance is rare."""
    found = [fitted_patches(seed, 0.01, 0.01) for seed in range(300)]
    errors = np.array([errors_told(solution, START, layout, stated) for solution, layout, stated in found])
    assert errors.shape == (300, 6)
    assert np.mean(errors**2) == pytest.approx(1.0, abs=0.1)
    assert not any(is_contradicted(each) for each in errors)


def test_patches_that_err_by_far_more_than_stated_contradict_it() -> None:
    """Errors of 0.02 where 0.003 is stated; a few of such wedges happen to be good."""
    found = [fitted_patches(seed, 0.003, 0.02) for seed in range(20)]
    said = [is_contradicted(errors_told(solution, START, layout, stated)) for solution, layout, stated in found]
    assert np.count_nonzero(said) >= 18


def test_patches_said_to_be_exact_may_be_a_little_uneven() -> None:
    """A thousandth in density is no contradiction, though far beyond what is stated."""
    found = [fitted_patches(seed, 3e-4, 1e-3) for seed in range(100)]
    assert not any(is_contradicted(errors_told(solution, START, layout, stated)) for solution, layout, stated in found)


def test_errors_that_nothing_tells_contradict_nothing() -> None:
    """A wedge of two patches is all level and slope."""
    assert not is_contradicted(np.zeros(0))
