"""Reseau marks: measured to the limit set by noise, and bad ones rejected."""

import csv
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from calib.coordinates import FilmPoints, ScanPoints
from calib.sweep.candidates import CrossPixels, cross_score, fill_gaps
from calib.sweep.cross import FAR, CrossShape, cover, edge, is_bare
from calib.sweep.evidence import ARM
from calib.sweep.markevidence import arm_observations
from calib.sweep.markfit import FitPriors, MarkWindow, fit_mark
from calib.sweep.markjudge import mark_table, with_places_under
from calib.sweep.marks import Sought, under_other_sweeps
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.sweep.tables import BAD_RESIDUAL, OUTSIDE

STEP_MM = 0.0075
SHAPE = CrossShape(0.2, 0.04, 0.8 * STEP_MM, 0.8 * STEP_MM)
HALF = 38
PRIORS = FitPriors(place_px=4.0, tilt=0.01, blur=1e-3, iterations=12)
LINE, SAMPLE = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1].astype(float)
TO_FILM = np.array([[0.0, STEP_MM], [STEP_MM, 0.0]])


def coverage(u, v, tilt, shape, longer=(0.0, 0.0)):
    """Coverage (N,) of a cross at film places (u, v) from its centre, and its derivatives (N, 8)."""
    sizes = (shape.arm_mm, shape.width_mm / 2, shape.blur_x_mm, shape.blur_y_mm)
    rows = np.array([cover(*place, tilt, sizes, longer) for place in zip(np.ravel(u), np.ravel(v), strict=True)])
    return rows[:, 0], rows[:, 1:]


def covered(place, tilt=(0.0, 0.0), shape=SHAPE):
    """Coverage in the window of a cross at `place` (line, sample) from its middle."""
    c, _ = coverage((SAMPLE - place[1]) * STEP_MM, (LINE - place[0]) * STEP_MM, tilt, shape)
    return c.reshape(LINE.shape)


def window(values, noise, guess=(0.0, 0.0), sigma=None):
    """A window at line 100, sample 200."""
    sigma = np.full(values.shape, noise) if sigma is None else sigma
    return MarkWindow(100, 200, values, sigma, TO_FILM, np.zeros((2, 2)), guess)


def offset(fit):
    """Fitted place from the window's middle."""
    return fit.place - [100, 200]


def sweep_of(x_mm):
    """A sweep of 400 lines whose samples lie at `x_mm`."""
    zero = np.zeros(400)
    return StripSweep(x_mm, zero, STEP_MM * np.arange(400.0), np.zeros(x_mm.size), zero, zero)


def test_a_blurred_edge_is_the_normal_distribution():
    t = np.random.default_rng(3).uniform(-FAR - 0.5, FAR + 0.5, 4000)
    share, density = np.array([edge(x) for x in t]).T
    np.testing.assert_allclose(share, norm.cdf(t), atol=2e-12)
    np.testing.assert_allclose(density, norm.pdf(t), atol=3e-10)


def test_coverage_at_a_place_that_is_nan_is_zero():
    assert np.all(np.isnan(edge(np.nan)))
    assert edge(-np.inf) == (0.0, 0.0)
    assert edge(np.inf) == (1.0, 0.0)


def test_bare_places_have_less_than_a_millionth_of_a_strokes_coverage():
    rng = np.random.default_rng(5)
    sizes = (SHAPE.arm_mm, SHAPE.width_mm / 2, SHAPE.blur_x_mm, SHAPE.blur_y_mm)
    places = rng.uniform(-0.25, 0.25, (2000, 2))
    bare = np.array([is_bare(u, v, (0.03, -0.02), sizes) for u, v in places])
    assert 0.2 < bare.mean() < 0.9
    assert max(cover(u, v, (0.03, -0.02), sizes, (0.0, 0.0))[0] for u, v in places[bare]) < 1e-6


def test_coverage_is_the_union_of_two_bars():
    sharp = CrossShape(0.2, 0.04, 1e-4, 1e-4)
    u, v = np.array([0.0, 0.15, 0.0, 0.15, 0.21, 0.019]), np.array([0.0, 0.0, -0.15, 0.15, 0.0, 0.019])
    np.testing.assert_allclose(coverage(u, v, (0.0, 0.0), sharp)[0], [1, 1, 1, 0, 0, 1], atol=1e-12)


def test_coverage_keeps_the_area_of_the_strokes():
    # two strokes less the square they share: 2 x 0.4 x 0.04 - 0.04^2 mm^2
    assert covered((0.3, -0.2)).sum() * STEP_MM**2 == pytest.approx(2 * 0.4 * 0.04 - 0.04**2, rel=1e-6)


def test_derivatives_of_the_coverage_are_its_differences():
    rng = np.random.default_rng(4)
    u, v = rng.uniform(-0.25, 0.25, (2, 400))
    tilt, h = (0.02, -0.03), 1e-6
    blurs = (SHAPE.blur_x_mm, SHAPE.blur_y_mm)
    longer = (0.04, -0.03)
    slopes = coverage(u, v, tilt, SHAPE, longer)[1]

    def at(du=0.0, dv=0.0, t0=0.0, t1=0.0, bx=0.0, by=0.0, right=0.0, left=0.0):
        shape = CrossShape(0.2, 0.04, blurs[0] * np.exp(bx), blurs[1] * np.exp(by))
        return coverage(u + du, v + dv, (tilt[0] + t0, tilt[1] + t1), shape, (longer[0] + right, longer[1] + left))[0]

    for i, name in enumerate(("du", "dv", "t0", "t1", "bx", "by", "right", "left")):
        numeric = (at(**{name: h}) - at(**{name: -h})) / (2 * h)
        np.testing.assert_allclose(slopes[:, i], numeric, atol=2e-5 * max(1.0, np.abs(slopes[:, i]).max()))


@pytest.mark.parametrize("is_known", [False, True])
def test_arm_lengths_are_right_whatever_bend_the_given_sweep_has(is_known):
    """The spacing of samples changes over the window by half a sample; the sweep given for it has this bend, or
    none."""
    rng = np.random.default_rng(41)
    u = (1.01 * SAMPLE - 7e-4 * SAMPLE**2) * STEP_MM
    values = 100 + 40 * coverage(u, LINE * STEP_MM, (0.0, 0.0), SHAPE)[0].reshape(LINE.shape)
    want = [np.interp(SHAPE.arm_mm, u[0], SAMPLE[0]), -np.interp(-SHAPE.arm_mm, u[0], SAMPLE[0])]
    assert want[0] - want[1] > 0.9
    seen = window(values, 6.0)
    if is_known:
        seen = replace(seen, to_film=TO_FILM * [1, 1.01], curve=np.array([[0, -7e-4 * STEP_MM], [0, 0]]))
    noisy = [replace(seen, values=values + rng.normal(0, 6, LINE.shape)) for _ in range(60)]
    fits = [fit_mark(some, SHAPE, PRIORS) for some in noisy]
    off = np.array([fit.reach_px - want for fit in fits])
    z = off / np.array([fit.reach_sigma for fit in fits])
    assert np.abs(off.mean(axis=0)).max() < 0.05
    assert 0.8 < np.sqrt(np.mean(z**2)) < 1.25
    assert np.abs(np.mean([offset(fit) for fit in fits], axis=0)).max() < 0.02


@pytest.mark.parametrize(("usual", "odd"), [(0.05, 0.3), (0.28, 0.7)])
def test_a_misfit_that_all_marks_of_a_rough_scene_have_rejects_none(usual, odd):
    """Half the marks of a rough frame were rejected, though as accurate as the others; outliers among them still
    are."""
    values = 100 + 40 * covered((0.0, 0.0)) + np.random.default_rng(3).normal(0, 2, LINE.shape)
    fit = replace(fit_mark(window(values, 2.0), SHAPE, PRIORS), chi2=5.0)
    fits = [*(replace(fit, misfit=usual * times) for times in (0.9, 1.0, 1.1, 1.2)), replace(fit, misfit=odd), None]
    n, sweep = len(fits), SimpleNamespace(n_lines=400, n_samples=400)
    sought = Sought(np.zeros(n, int), np.arange(n), np.full(n, 100.0), np.full(n, 200.0))
    table = mark_table(sought, fits, [sweep])
    assert table.used.tolist() == [True] * 4 + [False] * 2
    assert table.reason[4:] == (BAD_RESIDUAL, OUTSIDE)


def test_visible_arms_measure_the_spacing_of_samples():
    values = 100 + 40 * coverage(1.02 * SAMPLE * STEP_MM, LINE * STEP_MM, (0.0, 0.0), SHAPE)[0].reshape(LINE.shape)
    values[:, : HALF - 8] = 100  # the left arm is missing
    fit = fit_mark(window(values + np.random.default_rng(42).normal(0, 2, LINE.shape), 2.0), SHAPE, PRIORS)
    sweep = SimpleNamespace(n_lines=400, n_samples=400)
    table = mark_table(Sought(np.array([0, 1]), np.array([5, 6]), np.full(2, 100.0), np.full(2, 200.0)),
                       [fit, None], [sweep, sweep])  # fmt: skip
    even = [sweep_of(STEP_MM * np.arange(400.0))] * 2
    arms = arm_observations([fit, None], table, even, STEP_MM, SHAPE.arm_mm)
    assert arms.kind.tolist() == [ARM]
    assert (arms.a[0], arms.sample_a[0]) == (0, fit.place[1])
    assert arms.sample_b[0] - arms.sample_a[0] == pytest.approx(SHAPE.arm_mm / STEP_MM)
    want = SHAPE.arm_mm / STEP_MM * (1 - 1 / 1.02)
    assert abs(arms.value[0, 0] - want) < 4 / np.sqrt(arms.information[0, 0, 0]) < 0.3
    assert not arms.information[0, 1].any()
    vague = replace(fit, reach_sigma=np.full(2, 1.1))
    assert len(arm_observations([vague, None], table, even, STEP_MM, SHAPE.arm_mm)) == 0


@pytest.mark.parametrize("times", [1.0, 2.5])
def test_the_sigma_of_arm_ends_follows_the_scatter_between_the_two_of_each_mark(times):
    """Over a rough scene ends scatter more than their sigma says, and the sweep followed them. A bend of the sweep,
    which possibly only these arms show, and a wrong mark must not count as scatter."""
    rng, n = np.random.default_rng(5), 200
    table = SimpleNamespace(
        used=np.ones(n, bool), strip=np.zeros(n, int), line=np.zeros(n), sample=rng.uniform(0, 300, n)
    )
    arm_px, sigma = SHAPE.arm_mm / STEP_MM, 0.3
    fits = [
        SimpleNamespace(
            parts=np.ones(8), reach_sigma=np.full(2, sigma),
            reach_px=arm_px + 0.8 + bend * np.array([1, -1]) + (20 if i == 0 else times) * sigma * rng.normal(0, 1, 2),
        )
        for i, bend in enumerate(2 * np.sin(table.sample / 50))
    ]  # fmt: skip
    even = [sweep_of(STEP_MM * np.arange(400.0))]
    arms = arm_observations(fits, table, even, STEP_MM, SHAPE.arm_mm)
    told = 1 / np.sqrt(arms.information[:, 0, 0])
    np.testing.assert_allclose(told, times * sigma, rtol=0.15)
    some = SimpleNamespace(**{k: v[:3] for k, v in vars(table).items()})
    few = arm_observations(fits[:3], some, even, STEP_MM, SHAPE.arm_mm)
    np.testing.assert_allclose(few.information[:, 0, 0], sigma**-2)


def test_scatter_of_arms_does_not_make_samples_coincide():
    """Observed at the samples where they were measured, arm ends had residuals in proportion to their error: a sweep
    whose samples coincide explained their scatter, and all overlaps of a healthy frame were left out."""
    rng, n, sigma = np.random.default_rng(8), 300, 0.6
    pace = 1 + 0.1 * np.arange(400) / 400  # of the sweep as it is known so far, and as it is
    sweep = sweep_of(STEP_MM * np.cumsum(pace))
    table = SimpleNamespace(
        used=np.ones(n, bool), strip=np.zeros(n, int), line=np.full(n, 1.0), sample=rng.uniform(50, 350, n)
    )
    x_mm = to_film(sweep, ScanPoints(table.line, table.sample)).x_mm
    ends = [to_scan(sweep, FilmPoints(x_mm + sign * SHAPE.arm_mm, 0 * x_mm)).sample for sign in (1, -1)]
    reach = np.abs(np.stack(ends, axis=1) - table.sample[:, None]) + sigma * rng.normal(0, 1, (n, 2))
    fits = [SimpleNamespace(parts=np.ones(8), reach_sigma=np.full(2, sigma), reach_px=px) for px in reach]
    arms = arm_observations(fits, table, [sweep], STEP_MM, SHAPE.arm_mm)
    between = arms.sample_b - arms.sample_a
    departs = (to_film(sweep, ScanPoints(arms.line_a, arms.sample_b)).x_mm
               - to_film(sweep, ScanPoints(arms.line_a, arms.sample_a)).x_mm) / STEP_MM - between  # fmt: skip
    error = arms.value[:, 0] - departs
    assert abs(np.corrcoef(error, between)[0, 1]) < 4 / np.sqrt(len(error))
    assert abs(error.mean()) < 4 * sigma / np.sqrt(len(error))
    assert np.std(error * np.sqrt(arms.information[:, 0, 0])) == pytest.approx(1, abs=0.12)


def fisher_px(rise, noise):
    """Bound on (line, sample) with stroke value and a plane background unknown: the Fisher matrix by differences."""
    h = 1e-4
    c = covered((0.0, 0.0))
    slopes = [rise * (covered((a, b)) - covered((-a, -b))) / (2 * h) for a, b in ((h, 0.0), (0.0, h))]
    nuisance = [c, 1 - c, (1 - c) * LINE, (1 - c) * SAMPLE]
    design = np.stack([part.ravel() for part in slopes + nuisance], axis=1)
    return np.sqrt(np.diag(np.linalg.inv(design.T @ design / noise**2))[:2])


def test_fisher_matrix_lies_between_the_published_ones_for_a_gaussian_cross():
    path = Path(__file__).parent.parent / "data" / "crlb_cross.csv"
    rows = list(csv.DictReader(line for line in path.read_text().splitlines() if not line.startswith("#")))
    assert len(rows) == 3
    y, x = np.mgrid[-60:61, -60:61].astype(float)
    for row in rows:
        amplitude, sigma, w, length = (float(row[k]) for k in ("amplitude", "sigma", "width_px", "length_px"))
        # A bar much narrower than its blur has the table's Gaussian profile; its ends are softer than the table's.
        shape = CrossShape(length / 2, 1e-3, w, w)
        slope = coverage(x.ravel(), y.ravel(), (0.0, 0.0), shape)[1][:, 0] * amplitude * np.sqrt(2 * np.pi) * w / 1e-3
        bound = sigma / np.sqrt(np.sum(slope**2))
        assert float(row["crlb_numeric_px"]) < bound < 1.01 * float(row["crlb_sides_only_px"])


@pytest.mark.parametrize("rise", [40.0, -40.0])
def test_a_mark_on_flat_ground_is_placed_at_the_cramer_rao_bound(rise):
    rng = np.random.default_rng(7)
    noise, errors, variances = 6.0, [], []
    for _ in range(120):
        place = rng.uniform(-0.5, 0.5, 2)
        values = 100 + rise * covered(place, (0.004, -0.003)) + rng.normal(0, noise, LINE.shape)
        fit = fit_mark(window(values, noise, (0.4, -0.4)), SHAPE, PRIORS)
        errors.append(offset(fit) - place)
        variances.append(np.diag(fit.cov))
    bound = fisher_px(rise, noise)
    # 240 numbers: their rms scatters by 4.6 %; the goal is 1.1 times the bound
    ratio = np.sqrt(np.mean((np.array(errors) / bound) ** 2))
    assert ratio < 1.1 * (1 + 2 * 0.046)
    assert np.sqrt(np.mean(np.array(errors) ** 2 / np.array(variances))) == pytest.approx(1.0, abs=0.2)


def test_on_rough_ground_the_covariance_grows_and_is_true():
    rng = np.random.default_rng(8)
    z, sigmas = [], []
    for _ in range(60):
        place, phase = rng.uniform(-0.5, 0.5, 2), rng.uniform(0, 7, 2)
        scene = 30 * np.sin(LINE / 9 + phase[0]) * np.sin(SAMPLE / 11 + phase[1])
        c = covered(place)
        values = (100 + scene) * (1 - c) + 160 * c + rng.normal(0, 3.0, LINE.shape)
        fit = fit_mark(window(values, 3.0), SHAPE, PRIORS)
        z.append((offset(fit) - place) / np.sqrt(np.diag(fit.cov)))
        sigmas.append(np.sqrt(np.diag(fit.cov)))
    assert np.sqrt(np.mean(np.square(z))) < 1.3
    assert np.median(sigmas) > 1.05 * fisher_px(60, 3.0).mean()


def test_values_that_are_densities_of_averaged_light_do_not_move_the_mark():
    place = np.array([0.31, -0.22])
    c = covered(place)
    density = -np.log10(10.0**-1.5 * (1 - c) + 10.0**-0.12 * c)
    rng = np.random.default_rng(9)
    fit = fit_mark(window(density + rng.normal(0, 0.01, c.shape), 0.01), SHAPE, PRIORS)
    np.testing.assert_allclose(offset(fit), place, atol=0.02)
    assert fit.stroke_value == pytest.approx(0.12, abs=0.01)


def test_if_little_accuracy_is_needed_a_third_of_the_samples_is_enough():
    """Its errors agree with its sigma, and all half arms are visible; if the place is not accurate enough, all samples
    are fitted."""
    rng = np.random.default_rng(17)
    errors, sigmas = [], []
    for _ in range(40):
        place = rng.uniform(-1, 1, 2)
        seen = window(100 + 40 * covered(place) + rng.normal(0, 6.0, LINE.shape), 6.0)
        whole, third, strict = (fit_mark(seen, SHAPE, replace(PRIORS, enough_px=px)) for px in (0.0, 0.3, 1e-3))
        assert np.array_equal(strict.place, whole.place)
        assert third.parts.min() > 0.6
        errors.append((offset(third) - place) / np.sqrt(np.diag(third.cov)))
        sigmas.append(np.sqrt(np.diag(third.cov) / np.diag(whole.cov)))
    assert np.std(errors) == pytest.approx(1.0, abs=0.25)
    assert np.median(sigmas) == pytest.approx(np.sqrt(3), rel=0.1)


def test_a_fit_ends_only_when_its_stroke_value_has_settled_too():
    # sought where it is, a mark's place stands at once; a value still on its way looked like another mark's
    rng = np.random.default_rng(21)
    for _ in range(8):
        place, tilt = rng.uniform(-0.5, 0.5, 2), rng.uniform(-0.5, 0.5, 2)
        light = 10 ** -(1.1 + 0.01 * (tilt[0] * LINE + tilt[1] * SAMPLE))
        c = covered(place)
        values = -np.log10((1 - c) * light + c * 10**-0.12) + rng.normal(0, 0.015, LINE.shape)
        seen = window(values, 0.015, tuple(place))
        fit, settled = (
            fit_mark(seen, SHAPE, priors) for priors in (PRIORS, replace(PRIORS, iterations=60, settled_px=1e-9))
        )
        assert abs(fit.stroke_value - settled.stroke_value) < settled.stroke_sigma
        assert abs(fit.bend - settled.bend) < 1.5 * settled.bend_sigma  # its last step was less than one


def test_a_scratch_over_an_arm_does_not_pull_the_mark():
    rng = np.random.default_rng(10)
    place = np.array([0.2, 0.3])
    c = covered(place)
    values = 100 + 60 * c + rng.normal(0, 4.0, c.shape)
    values[np.abs(LINE - SAMPLE - 14) < 4] = 160
    fit = fit_mark(window(values, 4.0), SHAPE, PRIORS)
    assert np.all(np.abs(offset(fit) - place) < 5 * np.sqrt(np.diag(fit.cov)) + 0.05)


def test_a_lost_arm_is_noticed_and_the_rest_still_places_the_mark():
    rng = np.random.default_rng(11)
    place = np.array([-0.1, 0.25])
    c = np.where((SAMPLE > 4) & (np.abs(LINE) < 8), 0.0, covered(place))
    fit = fit_mark(window(100 + 60 * c + rng.normal(0, 4.0, c.shape), 4.0), SHAPE, PRIORS)
    assert np.all(fit.parts[:2] < 0.4)
    assert np.all(fit.parts[2:] > 0.8)
    assert np.all(np.abs(offset(fit) - place) < 5 * np.sqrt(np.diag(fit.cov)))


def test_a_mark_cut_by_the_strips_edge_and_crossed_by_a_dropout_is_still_placed():
    rng = np.random.default_rng(12)
    place = np.array([0.15, -0.35])
    values = 100 + 60 * covered(place) + rng.normal(0, 4.0, LINE.shape)
    sigma = np.full(values.shape, 4.0)
    sigma[SAMPLE < -8] = np.inf
    sigma[np.abs(LINE - 3) < 2] = np.inf
    values[~np.isfinite(sigma)] = 0
    fit = fit_mark(window(values, 4.0, sigma=sigma), SHAPE, PRIORS)
    assert np.all(np.abs(offset(fit) - place) < 4.5 * np.sqrt(np.diag(fit.cov)))


@pytest.mark.parametrize(("sample", "used"), [(0.4, False), (398.6, False), (2.5, True), (200.0, True)])
def test_a_mark_with_a_stroke_cut_lengthwise_by_the_strips_edge_is_not_used(sample, used):
    """Half a stroke's width does not determine a place: such marks were wrong by nine sigma (a bug)."""
    rng = np.random.default_rng(14)
    fit = fit_mark(window(100 + 60 * covered((0.0, 0.0)) + rng.normal(0, 2.0, LINE.shape), 2.0), SHAPE, PRIORS)
    at_edge = replace(fit, place=np.array([100.0, sample]))
    x, y = np.arange(400) * STEP_MM, np.arange(300) * STEP_MM
    zero = np.zeros(300)
    sweep = StripSweep(x, zero, y, np.zeros(400), zero, zero)
    sought = Sought(np.zeros(1, int), np.zeros(1, int), np.array([100.0]), np.array([sample]))
    table = mark_table(sought, [at_edge], [sweep])
    assert bool(table.used[0]) is used
    assert (table.reason[0] == OUTSIDE) is not used


def bent_sweep(bend_px):
    """A sweep whose x is quadratic in the line, by `bend_px` at the end of an arm relative to the mark's centre."""
    x, y = np.arange(400) * STEP_MM, np.arange(300) * STEP_MM
    zero = np.zeros(300)
    arm_px = SHAPE.arm_mm / STEP_MM
    return StripSweep(x, bend_px * STEP_MM * ((np.arange(300) - 100) / arm_px) ** 2, y, np.zeros(400), zero, zero)


def test_a_sweep_with_another_bend_moves_the_mark_as_a_new_fit_would():
    rng = np.random.default_rng(15)
    curve = np.array([[0.2 * STEP_MM / (SHAPE.arm_mm / STEP_MM) ** 2, 0.0], [0.0, 0.0]])
    bent, _ = coverage(SAMPLE * STEP_MM + curve[0, 0] * LINE**2, LINE * STEP_MM, (0.0, 0.0), SHAPE)
    given = window(100 + 60 * bent.reshape(LINE.shape) + rng.normal(0, 2.0, LINE.shape), 2.0)
    straight, anew = (fit_mark(replace(given, curve=c), SHAPE, PRIORS) for c in (np.zeros((2, 2)), curve))
    moved = under_other_sweeps([straight, None], np.zeros(2, int), [bent_sweep(0.2)], SHAPE)
    assert moved[1] is None
    assert abs(straight.place[1] - anew.place[1]) > 0.03
    np.testing.assert_allclose(moved[0].place, anew.place, atol=0.003)
    np.testing.assert_allclose(anew.place, [100, 200], atol=0.03)
    again = under_other_sweeps(moved[:1], np.zeros(1, int), [bent_sweep(0.2)], SHAPE)
    np.testing.assert_allclose(again[0].place, moved[0].place, atol=1e-4)


def test_a_mark_whose_bend_changes_too_much_must_be_measured_again_and_keeps_its_place_until_then():
    fit = fit_mark(window(100 + 60 * covered((0.0, 0.0)), 2.0), SHAPE, PRIORS)
    assert under_other_sweeps([fit], np.zeros(1, int), [bent_sweep(0.5)], SHAPE) == [None]
    sought = Sought(np.zeros(1, int), np.zeros(1, int), np.array([100.0]), np.array([200.0]))
    table = mark_table(sought, [fit], [bent_sweep(0.0)])
    kept, moved = (with_places_under(table, [fit], [bent_sweep(bend)], SHAPE) for bend in (0.5, 0.2))
    assert (kept.line[0], kept.sample[0]) == tuple(fit.place)
    assert abs(moved.sample[0] - fit.place[1]) > 0.03


@pytest.mark.parametrize("place", [(2.6, -2.2), (-2.5, 2.9), (2.9, 0.4), (-1.8, -2.8), (0.5, 2.7), (-2.9, -0.6)])
def test_a_mark_far_from_its_expected_place_is_fitted_around_its_own_place(place):
    """Strokes far denser than the scene: a scene too stiff or too flexible for the current place misleads the fit."""
    rng = np.random.default_rng(16)
    density = -np.log10(10.0**-1.5 * (1 - covered(place)) + 10.0**-0.12 * covered(place))
    given = density + rng.normal(0, 0.02, LINE.shape)
    fits = (fit_mark(window(given, 0.02, guess), SHAPE, PRIORS) for guess in ((0.0, 0.0), place))
    for fit in fits:
        np.testing.assert_allclose(offset(fit), place, atol=0.03)


def test_a_missing_mark_has_no_contrast():
    rng = np.random.default_rng(13)
    scene = 15 * np.sin(LINE / 6 + 1) + 15 * np.cos(SAMPLE / 8)
    fit = fit_mark(window(100 + scene + rng.normal(0, 4.0, LINE.shape), 4.0), SHAPE, PRIORS)
    assert abs(fit.contrast) < 7 or np.sum(fit.parts > 0.4) < 4 or fit.misfit > 0.25


def test_a_window_without_signal_gives_no_fit():
    nothing = np.full(LINE.shape, np.inf)
    assert fit_mark(window(np.zeros(LINE.shape), 1.0, sigma=nothing), SHAPE, PRIORS) is None


@pytest.mark.parametrize("sign", [1, -1])
def test_the_score_finds_a_faint_cross_beside_a_bright_rim(sign):
    rng = np.random.default_rng(14)
    line, sample = np.mgrid[0:240, 0:200].astype(float)
    c, _ = coverage((sample - 60) * STEP_MM, (line - 130) * STEP_MM, (0.02, -0.02), SHAPE)
    picture = 100 + sign * 25 * c.reshape(line.shape) + rng.normal(0, 4.0, line.shape)
    picture[np.hypot(line - 60, sample - 150) < 25] += 400
    score = cross_score(picture.astype(np.float32), CrossPixels(27, 27, 5, 5), 0, len(picture))
    at = np.unravel_index(np.abs(score).argmax(), score.shape)
    assert np.hypot(at[0] - 130, at[1] - 60) < 3
    assert np.sign(score[at]) == sign


def test_gaps_are_filled_down_the_columns_only():
    values = np.arange(12, dtype=np.float32).reshape(4, 3)
    sigma = np.ones((4, 3), np.float32)
    sigma[1:3, 1] = np.inf
    spoilt = values.copy()
    spoilt[1:3, 1] = 999
    np.testing.assert_allclose(fill_gaps(spoilt, ~np.isfinite(sigma)), values)


def test_gaps_at_the_ends_of_a_column_hold_and_an_empty_column_is_nought():
    values = np.array([[9, 4, 7], [9, 9, 9], [5, 9, 9]], np.uint16)
    want = [[5, 4, 0], [5, 4, 0], [5, 4, 0]]
    np.testing.assert_array_equal(fill_gaps(values, (values == 9) | (values == 7)), want)
