"""The sparse sums of the sweep fit compared with dense matrices; its splines compared with SciPy's."""

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.interpolate import BSpline, CubicSpline

from calib.sweep.adjust import adjust, make_batches, misfit, solve_weighted, unknown_start
from calib.sweep.evidence import ARM, EDGE, EDGE_X, KINDS, MARK, TIE, Observations
from calib.sweep.layout import GROUPS, Smoothness, StripShape, make_layout
from calib.sweep.modes import Kernel, smooth_modes
from calib.sweep.nominal import departure, departure_variance, line_variance
from calib.sweep.normals import normal_equations, sum_up, with_joint_rows
from calib.sweep.rows import spline_values, spline_weights

N_LINES, N_SAMPLES = 420, 90
SMOOTHNESS = Smoothness(Kernel(1, 4.0), Kernel(2, 0.5), Kernel(2, 1.0))


def frame_layout(strips=3):
    """Strips scanned forward and in reverse; marks 1 and 4 lie in two strips each."""
    shapes = [StripShape(N_LINES - 20 * (k == 1), N_SAMPLES, k == 1) for k in range(strips)]
    return make_layout(shapes, [(1,), (4,), ()][:strips], SMOOTHNESS)


def evidence(rng, times=1):
    """Marks (some shared), borders, arms and ties with correlated errors, some on one axis only; `times` scales their
    number."""
    table = [(MARK, k, m) for k in range(3) for m in (-1,) * 12 * times]
    table += [(MARK, 0, 1), (MARK, 1, 1), (MARK, 1, 4), (MARK, 2, 4)]
    table += [(EDGE, 0, -1), (EDGE, 1, -1), (EDGE_X, 2, -1), (ARM, 0, -1), (ARM, 2, -1)]
    table += [(TIE, k, -1) for k in (0, 1) for _ in range(30 * times)]
    kind, a, mark = (np.array(column) for column in zip(*table, strict=True))
    n = len(table)
    line = rng.uniform(-5, N_LINES + 3, n)
    root = np.linalg.cholesky(np.tile(np.array([[0.02, 0.008], [0.008, 0.03]]), (n, 1, 1)))
    information = np.linalg.inv(root @ root.transpose(0, 2, 1)) * rng.uniform(0.5, 2, n)[:, None, None]
    information[kind == EDGE] *= np.diag([0.0, 1.0])
    information[(kind == EDGE_X) | (kind == ARM)] *= np.diag([1.0, 0.0])
    return Observations(
        kind, a, line, rng.uniform(0, N_SAMPLES, n), line + rng.normal(0, 9, n), rng.uniform(0, N_SAMPLES, n),
        rng.normal(0, 1, (n, 2)), information, mark, np.where(kind == EDGE, rng.normal(0, 1, n), 0.0),
    )  # fmt: skip


def dense_rows(layout, strip, line, sample, border):
    """The design of the model in `layout`'s docstring, (2, own columns) and (2, shared columns), at one place."""
    shape = layout.strips[strip]
    t_l, t_s = 2 * line / (shape.n_lines - 1) - 1, 2 * sample / (shape.n_samples - 1) - 1
    w_x, w_y = (modes.at(np.array([line]))[0] for modes in layout.line_modes)
    s = layout.sample_modes.at(np.array([sample]))[0]
    forth, nothing = float(not shape.is_reversed), np.zeros(len(layout.places[strip]))
    x, y = np.r_[1, t_l, w_x, t_s, s, nothing], np.r_[1, t_l, w_y, t_s, nothing]
    own = np.array([np.r_[x, 0 * y], np.r_[0 * x, y]])
    x = np.r_[1, t_s, forth * t_l, (1 - forth) * t_l, s]
    y = np.r_[1, forth * t_l, (1 - forth) * t_l, forth * t_s, (1 - forth) * t_s, s]
    return own, np.array([np.r_[x, 0 * y, border, 0, 0, 0], np.r_[0 * x, y, 0, border, 0, 0]])


def dense_design(layout, o):
    """The whole design (N, 2, unknowns): unknowns strip by strip, then the shared ones."""
    sizes = [len(layout.groups(k)) for k in range(len(layout.strips))]
    first = np.concatenate([[0], np.cumsum(sizes)])
    design = np.zeros((len(o), 2, first[-1] + len(layout.shared_groups())))
    for n in range(len(o)):
        sides = [(1, o.a[n], o.line_a[n], o.sample_a[n])]
        if o.kind[n] == TIE:
            sides.append((-1, o.a[n] + 1, o.line_b[n], o.sample_b[n]))
        if o.kind[n] == ARM:  # from one sample to another of the same line
            sides = [(-1, o.a[n], o.line_a[n], o.sample_a[n]), (1, o.a[n], o.line_a[n], o.sample_b[n])]
            design[n, :, -2:] = np.eye(2)
        if o.kind[n] == EDGE:  # the axis not seen has its arms in the same place
            design[n, :, -2:] = o.per_power[n] * np.eye(2)
        for sign, k, line, sample in sides:
            own, shared = dense_rows(layout, k, line, sample, float(o.kind[n] in (EDGE, EDGE_X)))
            design[n, :, first[k] : first[k + 1]] += sign * own
            design[n, :, first[-1] :] += sign * shared
        for k, places in enumerate(layout.places):
            if o.mark[n] in places:
                for axis, name in enumerate(("place_x", "place_y")):
                    column = np.flatnonzero(layout.groups(k) == GROUPS.index(name))[places.index(o.mark[n])]
                    design[n, axis, first[k] + column] = 1
    return design


@pytest.mark.parametrize("times", [1, 12])  # fewer rows in a strip and at a seam than splines, and more
def test_the_sparse_fit_is_the_dense_one(times):
    rng = np.random.default_rng(3)
    layout, o = frame_layout(), evidence(rng, times)
    variances, scale = rng.uniform(0.3, 3, len(GROUPS)), np.array([1.0, 2.0, 1.5, 1.2, 1.3, 1.0])
    weight = rng.uniform(0.2, 1, len(o))
    batches = with_joint_rows(layout, make_batches(layout, o))
    fit = solve_weighted(layout, o, batches, variances, scale, weight)
    design = dense_design(layout, o)
    information = o.information * (weight / scale[o.kind])[:, None, None]
    groups = np.concatenate([*(layout.groups(k) for k in range(3)), layout.shared_groups()])
    matrix = np.einsum("nip,nij,njq->pq", design, information, design) + np.diag(1 / variances[groups])
    unknowns = np.linalg.solve(matrix, np.einsum("nip,nij,nj->p", design, information, o.value))
    residual = o.value - design @ unknowns
    np.testing.assert_allclose(np.concatenate([*fit.solution.unknowns, fit.solution.shared]), unknowns, atol=1e-9)
    np.testing.assert_allclose(fit.residual, residual, atol=1e-9)
    inverse = np.linalg.inv(matrix)
    np.testing.assert_allclose(fit.fit_cov, design @ inverse @ design.transpose(0, 2, 1), atol=1e-10)
    _, known = np.linalg.slogdet(information[~np.isin(o.kind, (EDGE, EDGE_X, ARM))])
    lone = information[o.kind == EDGE][:, 1, 1], information[np.isin(o.kind, (EDGE_X, ARM))][:, 0, 0]
    want = np.einsum("ni,nij,nj->", residual, information, residual) + np.sum(unknowns**2 / variances[groups])
    want += np.linalg.slogdet(matrix)[1] + np.log(variances[groups]).sum() - known.sum()
    sums = sum_up(layout, o.value, information, make_batches(layout, o))
    got = misfit(layout, fit.solution, normal_equations(layout, sums), sums, variances)
    assert got == pytest.approx(want - np.log(np.concatenate(lone)).sum(), abs=1e-7)


def test_departures_and_their_variances_equal_those_of_the_dense_design():
    rng = np.random.default_rng(4)
    layout, o = frame_layout(), evidence(rng)
    fit = solve_weighted(layout, o, make_batches(layout, o), np.ones(len(GROUPS)), np.ones(KINDS), np.ones(len(o)))
    line, sample = np.array([-3.0, 0.0, 77.7, 419.0]), np.array([4.0, 89.0, 40.2, 0.0])
    for k in range(3):
        for n in range(4):
            own, shared = dense_rows(layout, k, line[n], sample[n], 0.0)
            s = fit.solution
            cov = own @ s.cov[k] @ own.T + shared @ s.cov_shared @ shared.T
            cov = cov + own @ s.cov_border[k] @ shared.T + shared @ s.cov_border[k].T @ own.T
            at = line[[n]], sample[[n]]
            np.testing.assert_allclose(departure(fit, k, *at)[0], own @ s.unknowns[k] + shared @ s.shared, atol=1e-10)
            np.testing.assert_allclose(departure_variance(fit, k, *at)[0], np.diag(cov), atol=1e-10)


@pytest.mark.parametrize("cut", [False, True])
@pytest.mark.parametrize("count", [40, 800])  # fewer lines than splines, and more
def test_the_variance_of_a_line_is_the_mean_of_those_of_its_places(count, cut):
    rng = np.random.default_rng(6)
    layout = make_layout([StripShape(9000, N_SAMPLES, k == 1) for k in range(3)], [(1,), (4,), ()])
    o = evidence(rng, 1 if cut else 12)
    o = replace(o, line_a=rng.uniform(0, 9000, len(o)), line_b=rng.uniform(0, 9000, len(o)))
    start = rng.uniform(0.3, 3, len(GROUPS))
    fit = adjust(layout, o, start, (), unknown_start(start, len(o)), rounds=1)
    assert (fit.layout.wander[1][0] is not layout.wander[1][0]) == cut
    line, samples = np.linspace(0, 8999, count), np.linspace(0, N_SAMPLES - 1, 5)
    for k in range(3):
        one = departure_variance(fit, k, np.repeat(line, 5), np.tile(samples, count))
        got = line_variance(fit, k, line, samples)
        np.testing.assert_allclose(got, one.reshape(-1, 5, 2).mean(axis=1), rtol=1e-9)


@pytest.mark.parametrize(("times", "n_lines", "near"), [(1, 500, 1e-7), (14, 18, 1e-3)])
def test_leaving_out_directions_of_the_wander_that_no_row_sees_changes_nothing(times, n_lines, near):
    """Tried with few rows, and with more rows than modes but on few lines, as those of a border are."""
    rng = np.random.default_rng(5)
    layout = make_layout([StripShape(9000, N_SAMPLES, k == 1) for k in range(3)], [(1,), (4,), ()])
    o, lines = evidence(rng, times), rng.uniform(0, 9000, n_lines)
    o = replace(o, line_a=lines[np.arange(len(o)) % n_lines] + rng.uniform(-0.3, 0.3, len(o)))
    seen = o.kind != TIE
    o = Observations(*(getattr(o, f.name)[seen] for f in fields(o)))
    start, weight = rng.uniform(0.3, 3, len(GROUPS)), np.ones(len(o))
    whole = solve_weighted(layout, o, make_batches(layout, o), start, np.ones(KINDS), weight)
    fit = adjust(layout, o, start, (), unknown_start(start, len(o)), rounds=1)
    line, sample = rng.uniform(-50, 9050, 300), rng.uniform(0, N_SAMPLES, 300)
    for k in range(3):
        assert len(fit.solution.unknowns[k]) < 0.4 * len(whole.solution.unknowns[k])
        np.testing.assert_allclose(departure(fit, k, line, sample), departure(whole, k, line, sample), atol=near)
        np.testing.assert_allclose(
            departure_variance(fit, k, line, sample), departure_variance(whole, k, line, sample), atol=near
        )
    np.testing.assert_allclose(fit.residual, whole.residual, atol=near)
    both = (o.kind == MARK)[:, None, None]
    np.testing.assert_allclose(fit.fit_cov * both, whole.fit_cov * both, atol=near)


@pytest.mark.parametrize(("length", "points"), [(6250, 321), (90, 90), (5, 5), (2, 2)])
def test_the_splines_are_scipys_and_linear_beyond_the_ends(length, points):
    rng = np.random.default_rng(length)
    step = (length - 1) / (points - 1)
    coefficients = rng.normal(size=(points + 2, 3))
    spline = BSpline(step * np.arange(-3.0, points + 3), coefficients, 3)
    index = np.r_[np.linspace(0, length - 1, 501), step * np.arange(points)]
    values = spline_values(*spline_weights(length, points, index), coefficients)
    np.testing.assert_allclose(values, spline(index), atol=1e-10)
    for end, beyond in ((0.0, -7.5), (length - 1.0, 12.0)):
        values = spline_values(*spline_weights(length, points, np.array([end + beyond])), coefficients)
        np.testing.assert_allclose(values[0], spline(end) + beyond * spline.derivative()(end), atol=1e-9)


def test_modes_between_their_knots_are_cubic_splines_through_them():
    modes = smooth_modes(700, 12, Kernel(1, 1.0))
    knots, index = np.linspace(0, 699, modes.points), np.linspace(0, 699, 1501)
    np.testing.assert_allclose(modes.at(index), CubicSpline(knots, modes.at(knots))(index), atol=1e-11)


@pytest.mark.parametrize("axis", [0, 1])
def test_the_slope_prior_is_for_length_and_skew_of_all_strips_and_the_stretch_prior_for_those_of_all_lines(axis):
    """Shifts of places at the ends, edges and middle of a strip by 1-sigma of one group of shared unknowns."""
    layout = make_layout([StripShape(N_LINES, N_SAMPLES, k == 1) for k in range(2)], [()] * 2)
    line, sample = (N_LINES - 1) / 2 * np.array([0, 2, 1, 1, 1]), (N_SAMPLES - 1) / 2 * np.array([1, 1, 0, 2, 1])
    for strip in range(2):
        rows = layout.shared_rows(strip, line, sample)[:, axis]
        for name, moved in (("slope", [1, 1, 0, 0, 0]), ("stretch", [0, 0, 1, 1, 0]), ("common", [1, 1, 1, 1, 1])):
            mine = rows[:, layout.shared_groups() == GROUPS.index(name)]
            np.testing.assert_allclose(np.sqrt(np.sum(mine**2, axis=1)), moved, atol=1e-12)
