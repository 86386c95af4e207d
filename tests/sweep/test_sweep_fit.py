"""The mathematics under the sweep fit: chained normal equations, smooth modes, variances from the data."""

import dataclasses
from functools import partial
from itertools import pairwise

import numpy as np
import pytest

from calib.chain import ChainNormals, estimate_chain, solve_chain, variances_chain
from calib.sweep import smoothness
from calib.sweep.adjust import (
    Start,
    adjust,
    make_batches,
    misfit,
    next_variances,
    squared_residuals,
    unknown_start,
)
from calib.sweep.evidence import ARM, EDGE, MARK, TIE, Observations, join
from calib.sweep.layout import GROUPS, StripShape, make_layout
from calib.sweep.modes import Kernel, smooth_modes
from calib.sweep.nominal import departure, departure_variance, prediction_weights
from calib.sweep.normals import normal_equations, sum_up, with_priors
from calib.sweep.smoothness import find_smoothness


def dense_chain(sizes, n_shared, rng, apart=()):
    """A random positive definite bordered block-tridiagonal matrix, dense, and its blocks; blocks in `apart` have no
    coupling with the next."""
    starts = np.concatenate([[0], np.cumsum(sizes)])
    total = starts[-1] + n_shared
    matrix = np.zeros((total, total))
    for k in range(len(sizes)):
        stop = starts[k + 1] if k in apart else starts[min(k + 2, len(sizes))]
        index = np.r_[starts[k] : stop, starts[-1] : total]
        rows = rng.normal(size=(12, index.size))
        matrix[np.ix_(index, index)] += rows.T @ rows
    matrix += 0.5 * np.eye(total)
    return matrix, starts


@pytest.mark.parametrize(
    ("sizes", "apart"), [((3,), ()), ((4, 2), ()), ((3, 5, 2, 4), ()), ((3, 5, 2, 4, 2, 6), (1, 4)), ((4, 2), (0,))]
)
def test_the_chain_gives_the_dense_solution_and_the_blocks_of_the_dense_inverse(sizes, apart):
    rng = np.random.default_rng(len(sizes))
    matrix, starts = dense_chain(sizes, 3, rng, apart)
    right = rng.normal(size=len(matrix))
    part = [slice(starts[k], starts[k + 1]) for k in range(len(sizes))]
    end = slice(starts[-1], None)
    normals = ChainNormals(
        [matrix[p, p] for p in part],
        [matrix[p, q] for p, q in pairwise(part)],
        [matrix[p, end] for p in part],
        matrix[end, end],
        [right[p] for p in part],
        right[end],
    )
    got, alone, apiece = solve_chain(normals), estimate_chain(normals, threads=2), variances_chain(normals, threads=2)
    want, inverse = np.linalg.solve(matrix, right), np.linalg.inv(matrix)
    np.testing.assert_allclose(np.concatenate([*got.unknowns, got.shared]), want, atol=1e-9)
    np.testing.assert_array_equal(np.concatenate([*alone.unknowns, alone.shared, [alone.log_det]]),
                                  np.concatenate([*got.unknowns, got.shared, [got.log_det]]))  # fmt: skip
    np.testing.assert_allclose(got.cov_shared, inverse[end, end], atol=1e-9)
    for some in (got, apiece):
        variance = np.concatenate([*some.variance, some.variance_shared])
        np.testing.assert_allclose(variance, np.diag(inverse), atol=1e-9)
    assert apiece.log_det == got.log_det
    assert got.log_det == pytest.approx(np.linalg.slogdet(matrix)[1], abs=1e-9)
    for k, p in enumerate(part):
        np.testing.assert_allclose(got.cov[k], inverse[p, p], atol=1e-9)
        np.testing.assert_allclose(got.cov_border[k], inverse[p, end], atol=1e-9)
    for k, (p, q) in enumerate(pairwise(part)):
        np.testing.assert_allclose(got.cov_next[k], inverse[p, q], atol=1e-9)


@pytest.mark.parametrize(
    ("order", "written_out"),
    [
        (1, lambda r: (1 + r) * np.exp(-r)),
        (2, lambda r: (1 + r + r**2 / 3) * np.exp(-r)),
        (3, lambda r: (1 + r + 2 * r**2 / 5 + r**3 / 15) * np.exp(-r)),
    ],
)
def test_the_kernels_are_matern_kernels_of_half_integer_order(order, written_out):
    distance = np.linspace(0, 3, 31)
    expected = written_out(np.sqrt(2 * order + 1) * distance / 0.7)
    np.testing.assert_allclose(Kernel(order, 0.7).correlation(distance), expected, rtol=1e-12)


@pytest.mark.parametrize("kernel", [Kernel(1, 4.0), Kernel(2, 0.3), Kernel(5, 0.2)])
def test_modes_contain_no_straight_line_and_have_unit_spread(kernel):
    modes = smooth_modes(400, 12, kernel)
    at = modes.at(np.linspace(0, 399, 2001))
    t = np.linspace(-1, 1, 2001)
    straight = np.column_stack([np.ones_like(t), t])
    bent = at - straight @ np.linalg.lstsq(straight, at, rcond=None)[0]
    assert np.abs(at - bent).max() < 0.02
    assert np.mean(np.sum(bent**2, axis=1)) == pytest.approx(1.0, rel=0.02)
    assert np.linalg.matrix_rank(bent) == modes.n_modes <= 12


@pytest.mark.parametrize("most", [40, 12])  # the expansion's grid has more points for more modes
def test_modes_have_the_covariance_of_the_kernel_without_straight_lines(most):
    kernel, index = Kernel(3, 0.4), np.arange(0.0, 300, 7)
    modes = smooth_modes(300, most, kernel).at(index)
    t = np.linspace(0, 1, 1197)  # four a line
    root = np.where((t == 0) | (t == 1), np.sqrt(0.5), 1.0)  # of an integral's share
    straight = np.linalg.qr(np.column_stack([root, root * t]))[0]
    bare = (np.eye(t.size) - straight @ straight.T) * root
    whole = bare @ kernel.correlation(t[:, None] - t) @ bare.T
    values, vectors = np.linalg.eigh(whole)
    strongest = vectors[:, -most:] * np.sqrt(values[-most:] / values[-most:].sum() * np.sum(root**2))
    expected = (strongest / root[:, None])[::28]
    assert np.abs(modes @ modes.T - expected @ expected.T).max() < 4e-3 * np.max(expected @ expected.T)


def test_modes_are_linear_beyond_the_ends():
    modes = smooth_modes(100, 6, Kernel(2, 0.5))
    beyond = modes.at(np.array([-30.0, -20.0, -10.0, 110.0, 120.0, 130.0]))
    np.testing.assert_allclose(beyond[0] - 2 * beyond[1] + beyond[2], 0, atol=1e-9)
    np.testing.assert_allclose(beyond[3] - 2 * beyond[4] + beyond[5], 0, atol=1e-9)


SHAPES = [StripShape(900, 200, k % 2 == 1) for k in range(4)]
START = np.array([{"common": 1e4, "slope": 1e4, "S": 4.0, "a": 100.0, "b": 100.0}.get(name, 0.25) for name in GROUPS])
FREE = ("S", "Y", "a", "b", "slope_x", "slope_y", "Wx", "Wy", "Sk_line", "Sk", "shear")


def fitted(layout, observations):
    """The fit from equal weights."""
    return adjust(layout, observations, START, FREE, unknown_start(START, len(observations)))


def continued(fit):
    """Initial values of a fit that continues another."""
    return Start(fit.variances, fit.scale, fit.weight)


def true_departure(k, line, sample):
    """A sweep with an S-curve common to all strips and slow motions of the strips' own, px."""
    t = sample / 99.5 - 1
    x = 3 * np.sin(2.5 * t) + 0.8 * k + 0.7 * np.sin(line / 150 + k)
    y = -2.0 * k + 4 * np.cos(line / 170 + 2 * k) + 0.5 * (k - 1) * t
    return np.column_stack([x, y])


def marks_of(k, n, noise, rng):
    """n marks of one strip with isotropic noise (px)."""
    line, sample = rng.uniform(20, 880, n), rng.uniform(8, 192, n)
    value = true_departure(k, line, sample) + rng.normal(0, noise, (n, 2))
    return Observations(
        np.full(n, MARK), np.full(n, k), line, sample, np.zeros(n), np.zeros(n), value,
        np.tile(np.eye(2) / noise**2, (n, 1, 1)), np.full(n, -1), np.zeros(n),
    )  # fmt: skip


def errors_of(fit, k):
    """Error of the fit over a strip, in units of its stated sigma and in px."""
    line, sample = (part.ravel() for part in np.meshgrid(np.linspace(0, 899, 31), np.linspace(0, 199, 9)))
    error = departure(fit, k, line, sample) - true_departure(k, line, sample)
    return error / np.sqrt(departure_variance(fit, k, line, sample)), error


def test_marks_alone_give_the_sweep_with_true_sigmas():
    rng = np.random.default_rng(5)
    layout = make_layout(SHAPES, [()] * 4)
    fit = fitted(layout, join([marks_of(k, 40, 0.05, rng) for k in range(4)]))
    z, error = zip(*(errors_of(fit, k) for k in range(4)), strict=True)
    assert np.sqrt(np.mean(np.square(error))) < 0.12
    assert 0.5 < np.sqrt(np.mean(np.square(z))) < 1.5


def test_a_fit_that_continues_another_converges_sooner_to_the_same_result():
    rng = np.random.default_rng(15)
    layout = make_layout(SHAPES, [()] * 4)
    marks = join([marks_of(k, 40, 0.05, rng) for k in range(4)])
    marks.value[7] += [0.4, -0.3]
    long = adjust(layout, marks, START, FREE, unknown_start(START, len(marks)), rounds=60)
    fit = adjust(layout, marks, START, FREE, unknown_start(START, len(marks)))
    on = adjust(layout, marks, START, FREE, continued(fit), rounds=1)
    np.testing.assert_allclose(np.log(on.variances / fit.variances), 0, atol=0.03)
    np.testing.assert_allclose(on.weight, fit.weight, atol=0.05)
    np.testing.assert_allclose(on.residual, long.residual, atol=0.01)


def test_the_fit_does_not_depend_on_threads():
    rng = np.random.default_rng(16)
    layout = make_layout(SHAPES, [()] * 4)
    marks = join([marks_of(k, 40, 0.05, rng) for k in range(4)])
    one, three = (adjust(layout, marks, START, FREE, unknown_start(START, 160), 2, threads) for threads in (1, 3))
    for name in ("residual", "fit_cov", "weight", "variances"):
        np.testing.assert_array_equal(getattr(one, name), getattr(three, name))


def test_a_strip_with_two_marks_uses_the_common_sweep_and_states_a_larger_sigma():
    rng = np.random.default_rng(6)
    layout = make_layout(SHAPES, [()] * 4)
    counts = (40, 40, 2, 40)
    fit = fitted(layout, join([marks_of(k, n, 0.05, rng) for k, n in enumerate(counts)]))
    z, error = errors_of(fit, 2)
    assert np.abs(error[:, 0]).max() < 3.0
    assert np.sqrt(np.mean(z**2)) < 1.6
    line, sample = np.array([450.0]), np.array([100.0])
    assert departure_variance(fit, 2, line, sample)[0, 1] > 4 * departure_variance(fit, 1, line, sample)[0, 1]


def test_ties_place_a_strip_without_marks():
    rng = np.random.default_rng(7)
    layout = make_layout(SHAPES, [()] * 4)
    parts = [marks_of(k, 40, 0.05, rng) for k in (0, 1, 3)]
    for k in (1, 2):
        line, n = np.arange(24.0, 880, 48), 18
        here, there = np.full(n, 190.0), np.full(n, 10.0)
        value = true_departure(k, line, here) - true_departure(k + 1, line, there) + rng.normal(0, 0.08, (n, 2))
        parts.append(
            Observations(
                np.full(n, TIE), np.full(n, k), line, here, line, there, value,
                np.tile(np.eye(2) / 0.08**2, (n, 1, 1)), np.full(n, -1), np.zeros(n),
            )
        )  # fmt: skip
    z, error = errors_of(fitted(layout, join(parts)), 2)
    assert np.sqrt(np.mean(error**2)) < 0.2
    assert np.sqrt(np.mean(z**2)) < 1.6


@pytest.mark.parametrize("factor", [0.5, 0.9, 1.0])
def test_a_mark_with_high_leverage_can_disagree_whatever_weights_the_next_fit_uses(factor):
    """With other weights than the fit's own, a leverage may exceed 1 and a square be negative: no mark would be odd."""
    layout = make_layout(SHAPES, [()] * 4)
    marks = join([marks_of(k, 3, 0.05, np.random.default_rng(k)) for k in range(4)])
    fit = fitted(layout, marks)
    squared = squared_residuals(marks, dataclasses.replace(fit, scale=factor * fit.scale))
    assert np.all(squared > 0)


def test_one_wrong_mark_stands_out_and_hardly_moves_the_fit():
    rng = np.random.default_rng(8)
    layout = make_layout(SHAPES, [()] * 4)
    marks = join([marks_of(k, 30, 0.05, rng) for k in range(4)])
    marks.value[17] += [1.5, -1.0]
    fit = fitted(layout, marks)
    squared = squared_residuals(marks, fit)
    assert squared.argmax() == 17
    assert squared[17] > 28
    assert np.sort(squared)[-2] < 28


def test_evidence_on_one_axis_does_not_affect_the_other():
    rng = np.random.default_rng(9)
    layout = make_layout(SHAPES, [()] * 4)
    marks = join([marks_of(k, 30, 0.05, rng) for k in range(4)])
    n = 10
    line, sample = np.full(n, 30.0), np.linspace(10, 190, n)
    value = true_departure(0, line, sample)
    value[:, 0] = 1e6
    information = np.zeros((n, 2, 2))
    information[:, 1, 1] = 1 / 0.02**2
    edge = Observations(np.full(n, EDGE), np.zeros(n, int), line, sample, line * 0, line * 0, value, information,
                        np.full(n, -1), line * 0)  # fmt: skip
    before, after = (errors_of(fitted(layout, part), 0)[1] for part in (marks, join([marks, edge])))
    assert np.abs(after[:, 0] - before[:, 0]).max() < 0.05
    assert np.abs(after[:40, 1]).mean() <= np.abs(before[:40, 1]).mean() + 0.02


def wandering(reach, kind, seed, count):
    """Marks of four strips whose wander in y is a random function with a given kernel, and that wander (4, 900)."""
    rng = np.random.default_rng(seed)
    line = np.arange(900.0)
    covariance = Kernel(kind, reach).correlation((line[:, None] - line) / 899) + 1e-9 * np.eye(900)
    wander = 3 * np.linalg.cholesky(covariance) @ rng.normal(size=(900, 4))
    parts = []
    for k in range(4):
        marks = marks_of(k, count, 0.05, rng)
        at, value = np.linspace(20.0, 880.0, count), marks.value.copy()
        value[:, 0] = true_departure(k, at, marks.sample_a)[:, 0] + rng.normal(0, 0.05, count)
        value[:, 1] = np.interp(at, line, wander[:, k]) + rng.normal(0, 0.05, count)
        parts.append(dataclasses.replace(marks, line_a=at, value=value))
    return join(parts), wander.T


def test_the_smoothness_is_found_from_the_data_and_makes_the_fit_better_and_honest():
    marks, wander = wandering(0.25, 5, 11, 14)
    rough = fitted(make_layout(SHAPES, [()] * 4), marks)
    found, _ = find_smoothness(rough.layout, marks, continued(rough), START, FREE)
    assert found.wander_y.order >= 2
    smooth = fitted(make_layout(SHAPES, [()] * 4, found), marks)
    line, middle = np.arange(0.0, 900, 9), np.full(100, 99.5)
    errors, ratios = [], []
    for fit in (rough, smooth):
        off = [departure(fit, k, line, middle)[:, 1] - wander[k, ::9] for k in range(4)]
        sigma = [np.sqrt(departure_variance(fit, k, line, middle)[:, 1]) for k in range(4)]
        errors.append(np.sqrt(np.mean(np.square(off))))
        ratios.append(np.sqrt(np.mean(np.square(np.array(off) / sigma))))
    assert errors[1] < 0.85 * errors[0]  # the marks' own noise stays
    assert 0.6 < ratios[1] < 1.5


def test_a_rough_wander_is_not_taken_for_a_smooth_one():
    marks, _ = wandering(0.15, 1, 12, 40)
    rough = fitted(make_layout(SHAPES, [()] * 4), marks)
    assert find_smoothness(rough.layout, marks, continued(rough), START, FREE)[0].wander_y.order <= 2


def test_a_search_that_begins_with_a_rough_wander_reaches_a_smooth_one():
    marks, _ = wandering(0.25, 5, 11, 14)
    like, start = make_layout(SHAPES, [()] * 4), unknown_start(START, len(marks))
    rough = dataclasses.replace(smoothness.FIRST, wander_y=Kernel(1, 0.5))
    assert find_smoothness(like, marks, start, START, FREE, rough)[0].wander_y.order > 1


def test_the_decrease_of_the_misfit_is_predicted_by_a_step_of_the_prior_variances():
    marks, _ = wandering(0.25, 5, 11, 14)
    layout, variances, told, begun = make_layout(SHAPES, [()] * 4, smoothness.FIRST), START, [], []
    sums = sum_up(layout, marks.value, marks.information, make_batches(layout, marks))
    normals = normal_equations(layout, sums)
    for _ in range(20):
        solution, before = variances_chain(with_priors(layout, normals, variances)), variances
        variances, gain = next_variances(layout, solution, before, START, FREE)
        told.append((misfit(layout, solution, normals, sums, before), gain))
        begun.append(before)
    misfits, gains = np.array(told).T
    left = misfits - misfits[-1]
    assert left[0] > 10
    assert np.all(gains < left + 0.01)
    near = gains < smoothness.SETTLED
    assert np.all(left[near] - gains[near] < smoothness.BETTER)
    assert 0 < near.argmax() <= 4
    search = smoothness._Search(layout, marks, START, FREE, 1, {})
    trial = smoothness._trial(search, smoothness.FIRST, begun[near.argmax() - 1], None)
    assert abs(trial.misfit - misfits[-1]) < smoothness.BETTER  # with what its last step has still to gain


def test_a_trial_of_the_search_ends_as_soon_as_it_can_be_judged(monkeypatch):
    marks, _ = wandering(0.25, 5, 11, 14)
    like, calls = make_layout(SHAPES, [()] * 4), {"normal_equations": 0, "variances_chain": 0}

    def counted(name, call, *args):
        calls[name] += 1
        return call(*args)

    for name in calls:
        monkeypatch.setattr(smoothness, name, partial(counted, name, getattr(smoothness, name)))
    find_smoothness(like, marks, unknown_start(START, len(marks)), START, FREE)
    assert calls["variances_chain"] < 1.8 * calls["normal_equations"]


def test_a_search_that_begins_with_an_earlier_result_finds_it_again_with_fewer_trials(monkeypatch):
    marks, _ = wandering(0.25, 5, 11, 14)
    like, tried, solve = make_layout(SHAPES, [()] * 4), [], smoothness.variances_chain

    def counted(normals, threads):
        tried.append(normals)
        return solve(normals, threads)

    monkeypatch.setattr(smoothness, "variances_chain", counted)
    start = unknown_start(START, len(marks))
    found, variances = find_smoothness(like, marks, start, START, FREE)
    first = len(tried)
    assert find_smoothness(like, marks, dataclasses.replace(start, variances=variances), START, FREE, found)[0] == found
    assert len(tried) - first < 0.75 * first


def test_a_continued_search_keeps_the_sweep_s_kernel_and_makes_the_design_rows_once(monkeypatch):
    """Each kernel of the sweep needs new rows and sums; the first search has chosen it already."""
    marks, _ = wandering(0.25, 5, 11, 14)
    summed, add = [], smoothness.sum_up
    monkeypatch.setattr(smoothness, "sum_up", lambda *args: summed.append(args[0]) or add(*args))
    begin = dataclasses.replace(smoothness.FIRST, sweep=Kernel(5, 4.0))
    for there, asked in ((smoothness.FIRST, True), (begin, False)):
        summed.clear()
        like, start = make_layout(SHAPES, [()] * 4), unknown_start(START, len(marks))
        found, _ = find_smoothness(like, marks, start, START, FREE, there)
        assert (len(summed) > 1) is asked
        assert asked or found.sweep == begin.sweep


def test_the_smoothness_of_many_strips_is_found_from_the_neighbours_with_most_evidence():
    rng = np.random.default_rng(13)
    marks = join([marks_of(k, n, 0.05, rng) for k, n in enumerate((12, 30, 25, 10))])
    marks.mark[[3, 15]] = 7  # one in two strips: its place is an unknown of the first
    like = make_layout(SHAPES, [(7,), (), (), ()])
    start = unknown_start(START, len(marks))
    middle = (marks.a == 1) | (marks.a == 2)
    middle[15] = False
    some = marks.select(middle)
    some = dataclasses.replace(some, a=some.a - 1)
    got = find_smoothness(like, marks, start, START, FREE, most_strips=2)
    want = find_smoothness(make_layout(SHAPES[1:3], [()] * 2), some, unknown_start(START, len(some)), START, FREE)
    assert got[0] == want[0]
    np.testing.assert_array_equal(got[1], want[1])


def test_arms_determine_the_bend_between_marks_that_stand_at_the_same_samples_of_all_strips():
    """The common bend is zero at the marks, and no overlap sees it: only the spacing of samples shows it."""
    rng = np.random.default_rng(21)
    layout, columns, arm_px, noise = make_layout(SHAPES, [()] * 4), (30.0, 100.0, 170.0), 24.0, 0.1
    parts = []

    def bend(sample):
        return 0.5 * np.sin((sample - 30) * np.pi / 70)

    for k in range(4):
        line, sample = (part.ravel() for part in np.meshgrid(np.linspace(30, 870, 8), columns))
        n, zero = line.size, np.zeros(line.size)
        value = np.column_stack([rng.normal(0, 0.03, n), rng.normal(0, 0.03, n)])
        info = np.tile(np.eye(2) / 0.03**2, (n, 1, 1))
        strip, none = np.full(n, k), np.full(n, -1)
        parts.append(Observations(np.full(n, MARK), strip, line, sample, zero, zero, value, info, none, zero))
        for low, high in ((sample - arm_px, sample), (sample, sample + arm_px)):
            grown = bend(high) - bend(low) + 0.3 + rng.normal(0, noise, n)  # all arms are longer than stated
            told = np.tile(np.diag([1 / noise**2, 0.0]), (n, 1, 1))
            value = np.column_stack([grown, zero])
            parts.append(Observations(np.full(n, ARM), strip, line, low, zero, high, value, told, none, zero))
    evidence, at = join(parts), np.linspace(5.0, 195.0, 39)
    middle = np.full(at.size, 450.0)
    off = []
    for some in (evidence.select(evidence.kind == MARK), evidence):
        fit = fitted(layout, some)
        off.append(departure(fit, 1, middle, at)[:, 0] - bend(at))
    assert np.abs(off[0]).max() > 0.4
    assert np.sqrt(np.mean(off[1] ** 2)) < 0.06
    assert np.sqrt(np.mean(off[1] ** 2 / departure_variance(fit, 1, middle, at)[:, 0])) < 1.5


def test_an_arm_is_no_outlier_for_an_earlier_fit_that_misplaces_its_mark():
    """An arm measures the change of the departure, not its size."""
    marks, n = marks_of(1, 30, 0.05, np.random.default_rng(22)), 6
    fit = fitted(make_layout(SHAPES, [()] * 4), dataclasses.replace(marks, value=marks.value + 40.0))
    line, sample, zero = np.full(n, 450.0), np.linspace(60, 110, n), np.zeros(n)
    arms = Observations(
        np.full(n, ARM), np.full(n, 1), line, sample, zero, sample + 24, np.zeros((n, 2)),
        np.tile(np.diag([100.0, 0.0]), (n, 1, 1)), np.full(n, -1), zero,
    )  # fmt: skip
    np.testing.assert_array_equal(prediction_weights(fit, arms), 1.0)
