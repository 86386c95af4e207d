"""Judging fitted marks: sigma beside disturbances, visible half arms, and the value of the strokes."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from calib.sweep import estimate, markjudge
from calib.sweep.cross import CrossShape, cover
from calib.sweep.markfigures import log_likelihood_ratio
from calib.sweep.markfit import FitPriors, MarkWindow, fit_mark
from calib.sweep.markjudge import LEAST_LOG_RATIO, _reason
from calib.sweep.markmodel import Pixels, empty_model, weigh
from calib.sweep.strokejudge import as_stated, contrasts, flag_odd, of_its_strip, of_the_frame
from calib.sweep.tables import GOOD, NOT_SEEN, ODD_STROKE, MarkTable

STEP_MM, HALF, NOISE = 0.0075, 38, 3.0
SHAPE = CrossShape(0.2, 0.04, 0.8 * STEP_MM, 0.8 * STEP_MM)
PRIORS = FitPriors(place_px=4.0, tilt=0.005, blur=1e-3, iterations=12)
LINE, SAMPLE = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1].astype(float)
TO_FILM = np.array([[0.0, STEP_MM], [STEP_MM, 0.0]])


def covered(place):
    """Coverage in the window of a cross at `place` (line, sample) from its middle."""
    sizes = (SHAPE.arm_mm, SHAPE.width_mm / 2, SHAPE.blur_x_mm, SHAPE.blur_y_mm)
    u, v = (SAMPLE - place[1]) * STEP_MM, (LINE - place[0]) * STEP_MM
    each = [cover(*at, (0.0, 0.0), sizes, (0.0, 0.0))[0] for at in zip(u.ravel(), v.ravel(), strict=True)]
    return np.reshape(each, LINE.shape)


def errors_beside_a_stroke(rng, n):
    """Errors (n, 2) of fitted places and their 1-sigma, px, with something like a stroke along the right arm."""
    errors, sigmas = [], []
    for _ in range(n):
        place, off = rng.uniform(-0.5, 0.5, 2), rng.uniform(3.0, 5.0) * rng.choice([-1, 1])
        c = covered(place)
        other = (np.abs(LINE - off) < 2.5) & (rng.uniform(4, 12) < SAMPLE)
        values = np.where(other, 140.0, 100 + 40 * c) + rng.normal(0, NOISE, LINE.shape)
        window = MarkWindow(0, 0, values, np.full(LINE.shape, NOISE), TO_FILM, np.zeros((2, 2)), tuple(place))
        fit = fit_mark(window, SHAPE, PRIORS)
        errors.append(fit.place - place)
        sigmas.append(np.sqrt(np.diag(fit.cov)))
    return np.array(errors), np.array(sigmas)


def test_a_disturbance_along_one_stroke_widens_the_sigma_across_it():
    errors, sigmas = errors_beside_a_stroke(np.random.default_rng(31), 80)
    line, sample = np.sqrt(np.mean(errors**2, axis=0))
    assert line > 3 * sample
    # 80 numbers: their rms scatters by 8 %
    off = np.sqrt(np.mean((errors / sigmas) ** 2, axis=0))
    assert off[0] < 3.0
    assert 0.7 < off[1] < 1.3


def test_samples_far_from_the_model_have_less_weight_the_farther_they_are():
    n = 100
    zero, index, model = np.zeros(n), np.zeros(n, np.int64), empty_model(n)
    model.residual[:] = np.random.default_rng(35).normal(0, 1, n)
    model.residual[:3] = 30.0, 60.0, 0.0
    model.mark_part[:], model.covered[:] = 0.0, 0.0
    lost, weight = np.arange(n) == 2, np.empty(n)
    weigh(Pixels(zero, zero, index, index, zero, zero + 1.0), model, lost, weight)
    assert weight[2] == 0
    np.testing.assert_allclose(weight[3:], weight[3])
    assert weight[0] / weight[1] == pytest.approx(2.0**4)
    assert weight[0] * 30 < 0.1 * weight[3]


WHOLE = np.ones(8)


def arms(**shares):
    """Shares (8,) of the half arms (right, left, lower, upper; inner, then outer), 1 where none are given."""
    out = WHOLE.copy()
    for i, name in enumerate(("right", "left", "lower", "upper")):
        out[2 * i : 2 * i + 2] = shares.get(name, out[2 * i : 2 * i + 2])
    return out


@pytest.mark.parametrize(
    ("parts", "contrast", "is_cross"),
    [
        (WHOLE, 300.0, True),
        (arms(left=0.05), 300.0, True),
        (arms(left=0.0, upper=0.0), 300.0, True),  # exactly zero: no signal there
        (1.4 * arms(right=(-0.1, 0.0)), 300.0, True),  # a contrast misjudged for all alike
        (arms(left=0.05, upper=0.05), 300.0, True),
        (arms(left=0.05, upper=0.05, right=0.05), 300.0, False),
        (arms(left=(-1.2, -0.8)), 300.0, False),
        (np.array([1.3, 0.7, 1.2, 0.6, 1.4, 0.9, 1.1, 0.8]), 9.0, True),  # noise
        (np.array([1.13, 1.06, 1.01, 0.91, 0.9, 0.79, 1.41, 1.76]), 38.0, True),  # a tone known badly
        (arms(left=(-1.0, 0.5), upper=(0.5, 1.8)), 300.0, False),
        (np.full(8, 0.1), 300.0, False),
    ],
)
def test_half_arms_of_a_cross_have_equal_contrast_or_are_missing(parts, contrast, is_cross):
    assert (log_likelihood_ratio(parts, contrast) > LEAST_LOG_RATIO) is is_cross


def test_a_mark_whose_half_arms_are_not_those_of_a_cross_is_rejected():
    values = 100 + 40 * covered((0.0, 0.0)) + np.random.default_rng(34).normal(0, NOISE, LINE.shape)
    window = MarkWindow(50, 50, values, np.full(LINE.shape, NOISE), TO_FILM, np.zeros((2, 2)), (0.0, 0.0))
    fit, sweep = fit_mark(window, SHAPE, PRIORS), SimpleNamespace(n_lines=100, n_samples=100)
    assert _reason(fit, sweep) == GOOD
    assert _reason(replace(fit, parts=arms(left=(-1.2, -0.8))), sweep) == NOT_SEEN


def table_of(strip, stroke_value, stroke_sigma):
    """A table of good marks with these strokes."""
    n, zero = len(strip), np.zeros(len(strip))
    return MarkTable(
        strip=np.asarray(strip), mark=np.arange(n), line=zero, sample=zero, var_line=zero, var_sample=zero, cov=zero,
        chi2=zero, used=np.ones(n, bool), reason=(GOOD,) * n, residual_x_mm=zero, residual_y_mm=zero,
        first_residual_x_mm=zero, first_residual_y_mm=zero, stroke_value=np.asarray(stroke_value),
        stroke_sigma=np.full(n, stroke_sigma),
    )  # fmt: skip


def test_good_marks_of_a_strip_whose_strokes_scatter_are_kept():
    """A strip must not lose its good marks because its tone is wrong."""
    rng = np.random.default_rng(32)
    strip = np.repeat(np.arange(6), 10)
    value = 0.18 + rng.normal(0, 0.005, 60)
    value[strip == 1] += rng.normal(0, 0.16, 10)
    table = table_of(strip, value, 0.003)
    assert kept_by_strip(table).used.all()
    odd = value.copy()
    odd[[3, 44]] = (1.5, 0.08)
    flagged = kept_by_strip(replace(table, stroke_value=odd))
    assert np.flatnonzero(~flagged.used).tolist() == [3, 44]
    assert flagged.reason[3] == flagged.reason[44] == ODD_STROKE


def kept_by_strip(table):
    """The table without the marks that differ from others of their strip."""
    return flag_odd(table, of_its_strip(table))


def kept_by_frame(table, contrast):
    """The table without the marks of strips with few marks that differ from those of the frame."""
    return flag_odd(table, of_the_frame(table, contrasts(fits_of(contrast))))


def kept_by_statement(table, contrast, density):
    """The table without the marks that differ from a stated density."""
    return flag_odd(table, as_stated(table, contrasts(fits_of(contrast)), density))


def fits_of(contrast):
    """Fits of marks that have nothing but these contrasts."""
    return [SimpleNamespace(rise=rise) for rise in contrast]


def test_a_false_mark_is_rejected_in_a_strip_with_too_few_marks_to_judge_it():
    """In narrow strips with two or three marks each, two false ones displaced two strips of 48 by ten px, 16 sigma. A
    strip whose tone is wrong by a tenth keeps its marks, and in a frame with few marks none is rejected."""
    rng = np.random.default_rng(35)
    strip = np.repeat(np.arange(20), 2)
    value, contrast = 0.19 + rng.normal(0, 0.002, 40), np.full(40, -0.85)
    value[[6, 31]], contrast[[6, 31]] = (0.79, 1.1), (0.2, -0.3)
    value[strip == 9] += 0.1 * 0.85
    table = table_of(strip, value, 0.003)
    flagged = kept_by_frame(table, contrast)
    assert np.flatnonzero(~flagged.used).tolist() == [6, 31]
    assert flagged.reason[6] == ODD_STROKE
    few = table_of(strip[:7], value[:7], 0.003)
    assert kept_by_frame(few, contrast[:7]).used.all()
    own = table_of(strip // 2, value, 0.003)  # four marks a strip judge each other
    assert kept_by_frame(own, contrast).used.all()


def test_the_fit_applies_both_the_rule_by_the_frame_and_that_by_the_stated_density(monkeypatch):
    """When the fit skipped one of the rules no test failed, because each was tested by itself only."""
    one_odd = np.full(40, 1.3)
    one_odd[20] = 0.8
    alike = table_of(np.repeat(np.arange(20), 2), one_odd, 0.003)
    unlike = table_of(np.repeat(np.arange(6), 5), np.random.default_rng(36).normal(1.1, 0.2, 30), 0.02)
    fits = fits_of(np.full(40, 0.5))

    def left(table, stated):
        monkeypatch.setattr(markjudge, "mark_table", lambda *_: table)
        frame = SimpleNamespace(film=SimpleNamespace(reseau=SimpleNamespace(density=stated)))
        return np.flatnonzero(~estimate._judged(frame, None, fits[: len(table.strip)], ()).used).tolist()

    assert left(alike, None) == [20]
    assert left(unlike, None) == []
    assert len(left(unlike, 1.54)) > 15


def test_marks_that_disagree_are_compared_with_the_stated_density():
    """On film as dark as the strokes most measured marks are false: they displaced strips by 5.8 px, 2.1 sigma. Marks
    that agree with each other are kept whatever is stated."""
    rng = np.random.default_rng(36)
    strip = np.repeat(np.arange(6), 5)
    value, contrast = rng.normal(1.1, 0.2, 30), np.full(30, 0.5)
    value[::5] = 1.54 + rng.normal(0, 0.05, 6)
    value[1] = 1.54 + 0.2
    table = table_of(strip, value, 0.02)
    used = kept_by_statement(table, contrast, 1.54).used
    assert used[::5].all()
    assert not used[(strip > 0) & (value < 1.3)].any()
    assert not used[1]
    assert kept_by_statement(replace(table, stroke_sigma=np.full(30, 0.06)), contrast, 1.54).used[1]
    assert kept_by_statement(table, contrast, None).used.all()
    faint = table_of(strip, 1.5 + rng.normal(0, 0.02, 30), 0.002)  # as dark as the film, in a draft's density
    assert kept_by_statement(faint, np.full(30, 0.06), 1.54).used.all()
    agreed = table_of(strip, 1.1 + rng.normal(0, 0.05, 30), 0.02)
    assert kept_by_statement(agreed, contrast, 1.54).used.all()


def test_good_marks_are_hardly_ever_rejected_however_few_a_strip_has():
    rng = np.random.default_rng(33)
    lost = 0
    for _ in range(400):
        per = int(rng.integers(4, 9))
        strip = np.repeat(np.arange(4), per)
        scatter = 0.01 * rng.uniform(0.7, 1.4, 4)
        lost += np.sum(~kept_by_strip(table_of(strip, rng.normal(0.2, scatter[strip]), 0.002)).used)
    assert lost <= 1
