"""Fits of all sweeps where the marks constrain them only weakly, or where the marks lie on no possible sweep."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from calib.errors import CalibError
from calib.sweep import combine
from calib.sweep.combine import _place_sigma_mm, fit_all, fit_likeliest, fit_marks, start_variances
from calib.sweep.evidence import EDGE, MARK, PACE, Observations
from calib.sweep.layout import GROUPS
from calib.sweep.model import StripSweep
from calib.sweep.nominal import Nominal
from calib.sweep.tables import GOOD, MarkTable

PX_MM, N_LINES, N_SAMPLES, N_STRIPS, PER_STRIP = 0.005, 364, 315, 14, 3
SIGMA_PX = 0.02


def nominal_sweeps() -> tuple[StripSweep, ...]:
    """Nominal sweeps of strips side by side."""
    x, y = np.arange(N_SAMPLES) * PX_MM, (np.arange(N_LINES) - (N_LINES - 1) / 2) * PX_MM
    zero = np.zeros(N_LINES)
    sweeps = (StripSweep(x + k * x[-1], zero, y, np.zeros(N_SAMPLES), zero, zero) for k in range(N_STRIPS))
    return tuple(sweeps)


def marks_at(y_mm, line, sample, tolerance_mm, spacing=1.0):
    """The nominal sweeps of a frame with three marks per strip, and the table of these marks, seen at `line`, `sample`.

    Their film places are `y_mm`, and x as if samples lay `spacing` times as far apart as the scan says.
    """
    sweeps = nominal_sweeps()
    strip, middle = np.repeat(np.arange(N_STRIPS), PER_STRIP), (N_SAMPLES - 1) / 2
    x_mm = np.array([sweeps[k].x_sample_mm[0] for k in strip]) + middle * PX_MM
    x_mm += (sample - middle) * PX_MM * spacing
    strips = [
        SimpleNamespace(n_lines=N_LINES, n_samples=N_SAMPLES, is_reversed=False, index=k) for k in range(N_STRIPS)
    ]
    frame = SimpleNamespace(
        path="frame.toml", strips=strips, scan=SimpleNamespace(tolerance_mm=tolerance_mm),
        film=SimpleNamespace(reseau=SimpleNamespace(sigma_mm=0.0)), marks=SimpleNamespace(x_mm=x_mm, y_mm=y_mm),
    )  # fmt: skip
    n, zero = strip.size, np.zeros(strip.size)
    table = MarkTable(
        strip=strip, mark=np.arange(n), line=line, sample=sample, var_line=np.full(n, SIGMA_PX**2),
        var_sample=np.full(n, SIGMA_PX**2), cov=zero, chi2=np.ones(n), used=np.ones(n, bool), reason=(GOOD,) * n,
        residual_x_mm=zero, residual_y_mm=zero, first_residual_x_mm=zero, first_residual_y_mm=zero,
        stroke_value=zero, stroke_sigma=np.ones(n),
    )  # fmt: skip
    return Nominal(frame, sweeps, np.full(2, PX_MM)), table


@pytest.mark.parametrize("tolerance_px", [10, 60])
def test_marks_in_one_row_do_not_make_strips_lose_their_length(tolerance_px):
    """Strips shifted along by a few px show their marks, all at one y, at other lines, as if all lines saw one y."""
    rng = np.random.default_rng(5)
    moved = np.repeat(rng.normal(0, 2.0, N_STRIPS), PER_STRIP)
    line = 165.0 - moved + rng.normal(0, SIGMA_PX, moved.size)
    sample = np.tile([60.0, 160.0, 260.0], N_STRIPS) + rng.normal(0, SIGMA_PX, moved.size)
    y_mm = np.full(moved.size, (165.0 - (N_LINES - 1) / 2) * PX_MM)
    nominal, table = marks_at(y_mm, line, sample, tolerance_px * PX_MM)
    found = fit_marks(nominal, table)
    assert found.table.used.all()
    for sweep in found.sweeps:
        assert np.ptp(sweep.y_line_mm) == pytest.approx((N_LINES - 1) * PX_MM, rel=0.05)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_strips_that_wander_by_many_px_do_not_make_the_sweep_stand_still(seed):
    """All marks stand at one sample of strips that wander by 20 px from mark to mark: a sweep on which all samples near
    it see one place would explain that."""
    rng = np.random.default_rng(seed)
    sample = 160.0 + rng.normal(0, 20.0, N_STRIPS * PER_STRIP)
    line = np.tile([60.0, 160.0, 300.0], N_STRIPS)
    y_mm = (line - (N_LINES - 1) / 2) * PX_MM
    nominal, table = marks_at(y_mm, line, np.full(line.size, 160.0), 60 * PX_MM)
    found = fit_marks(nominal, table.with_columns(sample=sample))
    assert found.table.used.all()
    for sweep in found.sweeps:
        assert np.diff(sweep.x_sample_mm).min() > 0.8 * PX_MM


@pytest.mark.parametrize(("seed", "wander_px"), [(3, 10.0), (0, 40.0), (1, 40.0), (2, 40.0)])
def test_a_sweep_that_marks_at_one_sample_do_not_determine_is_held_as_stated(seed, wander_px):
    """The marks stand beside the middle of strips that wander. Even with a large prior wander the sweep was bent until
    it stood still, and the frame was refused; now the groups that no mark determines keep their expected variance."""
    rng = np.random.default_rng(seed)
    sample = 60.0 + rng.normal(0, wander_px, N_STRIPS * PER_STRIP) + np.repeat(rng.normal(0, 6, N_STRIPS), PER_STRIP)
    line = np.tile([60.0, 160.0, 300.0], N_STRIPS)
    y_mm = (line - (N_LINES - 1) / 2) * PX_MM
    nominal, table = marks_at(y_mm, line, np.full(line.size, 60.0), 60 * PX_MM)
    found = fit_marks(nominal, table.with_columns(sample=sample))
    for sweep in found.sweeps:
        assert np.diff(sweep.x_sample_mm).min() > 0.9 * PX_MM


@pytest.mark.parametrize(
    ("what", "across", "along"),
    [("lines", 1, 1 / 3), ("lines", 1, 3), ("samples", 1 / 3, 1), ("samples", 3, 1)],
)
def test_lines_or_samples_far_closer_or_wider_than_stated_are_refused(what, across, along):
    """No measurement with such a sweep could be trusted. At a third of the stated spacing, the window of a mark would
    also have three times its lines, or any number."""
    rng = np.random.default_rng(6)
    line = np.tile([60.0, 160.0, 300.0], N_STRIPS) + rng.normal(0, 9.0, N_STRIPS * PER_STRIP)
    sample = rng.uniform(20, 290, line.size)
    y_mm = (line - (N_LINES - 1) / 2) * PX_MM * along
    nominal, table = marks_at(y_mm, line, sample, 200 * PX_MM, across)
    with pytest.raises(CalibError, match=f"{what} of strip .* times as far apart as the scan says"):
        fit_marks(nominal, table)


def test_the_stated_sigma_includes_the_part_of_a_strips_own_sweep_that_marks_at_two_samples_do_not_determine():
    rng = np.random.default_rng(8)
    t = np.arange(N_SAMPLES) / (N_SAMPLES - 1)

    def curve(waves, px):
        return px * np.sqrt(2) * np.sin(2 * np.pi * (waves * t + rng.uniform()))

    common, own = curve(1.0, 1.5), [curve(rng.uniform(0.7, 1.3), 0.5) for _ in range(N_STRIPS)]
    first = rng.uniform(0, 150, N_STRIPS).round()
    sample = np.stack([first, first + 150, first], axis=1)
    uneven = [np.interp(at, np.arange(N_SAMPLES), common + mine) for at, mine in zip(sample, own, strict=True)]
    seen = (sample - uneven).ravel() + rng.normal(0, SIGMA_PX, sample.size)
    line = np.tile([60.0, 160.0, 300.0], N_STRIPS)
    nominal, table = marks_at((line - (N_LINES - 1) / 2) * PX_MM, line, sample.ravel(), 40 * PX_MM)
    found = fit_marks(nominal, table.with_columns(sample=seen))
    z = []
    for sweep, base, mine in zip(found.sweeps, nominal.sweeps, own, strict=True):
        error = sweep.x_sample_mm + sweep.x_line_mm[200] - base.x_sample_mm - (common + mine) * PX_MM
        z.append(np.sqrt(np.mean(error**2)) / sweep.sigma_x_mm[200])
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.15


def listen(monkeypatch, name):
    """The list of the evidence that a fitting function of `combine` is given, call by call."""
    call, told = getattr(combine, name), []

    def heard(layout, evidence, *args, **more):
        told.append(evidence)
        return call(layout, evidence, *args, **more)

    monkeypatch.setattr(combine, name, heard)
    return told


def marks_in_three_rows(seed):
    """The nominal sweeps of a frame with marks in three rows, and the table of these marks, with noise."""
    rng = np.random.default_rng(seed)
    line, sample = np.tile([60.0, 160.0, 300.0], N_STRIPS), rng.uniform(20, 290, N_STRIPS * PER_STRIP)
    nominal, table = marks_at((line - (N_LINES - 1) / 2) * PX_MM, line, sample, 20 * PX_MM)
    return nominal, table


def test_every_fit_and_the_search_for_the_prior_include_the_paces(monkeypatch):
    nominal, table = marks_in_three_rows(9)
    fitted, searched = listen(monkeypatch, "adjust"), listen(monkeypatch, "find_smoothness")
    marks = fit_marks(nominal, table)
    assert not fit_likeliest(nominal, marks, []).warnings
    assert (len(fitted), len(searched)) == (2, 1)
    for evidence in (*fitted, *searched):
        assert set(evidence.a[evidence.kind == PACE]) == set(range(N_STRIPS))


def test_the_first_search_for_the_prior_uses_fewer_strips_than_the_last(monkeypatch):
    nominal, table = marks_in_three_rows(9)
    search, asked = combine.find_smoothness, []

    def heard(layout, evidence, start, expected, free, begin, most_strips, threads):
        asked.append((begin == combine.FIRST, most_strips))
        return search(layout, evidence, start, expected, free, begin, most_strips, threads)

    monkeypatch.setattr(combine, "find_smoothness", heard)
    found = fit_likeliest(nominal, fit_marks(nominal, table), [])
    combine.settle_smoothness(nominal, found, [])
    assert asked == [(True, combine.FEW_STRIPS), (found.smoothness == combine.FIRST, combine.MOST_STRIPS)]


def test_only_marks_are_rejected_if_they_disagree(monkeypatch):
    """A border far off is downweighted; it does not cause another fit."""
    nominal, table = marks_in_three_rows(10)
    marks, n = fit_marks(nominal, table), 10 * N_STRIPS
    zero, value = np.zeros(n), np.zeros((n, 2))
    value[4, 1] = 30.0
    edges = Observations(
        np.full(n, EDGE), np.repeat(np.arange(N_STRIPS), 10), np.tile(np.arange(30.0, 330.0, 30.0), N_STRIPS),
        zero + 150.0, zero, zero, value, np.tile(np.diag([0.0, 25.0]), (n, 1, 1)), np.full(n, -1), zero,
    )  # fmt: skip
    fitted = listen(monkeypatch, "adjust")
    both = fit_all(nominal, marks, [edges])
    assert len(fitted) == 1
    assert both.table.used.all()
    assert both.fit.weight[both.evidence.kind == EDGE][4] < 0.05


def borders(off_px, sigma_px, per_power=0.0):
    """Ten borders in each strip, all of one film y, seen `off_px` from it (one number, or one for each border)."""
    n = 10 * N_STRIPS
    zero, value = np.zeros(n), np.zeros((n, 2))
    value[:, 1] = np.tile(off_px * np.ones(10), N_STRIPS)
    return Observations(
        np.full(n, EDGE), np.repeat(np.arange(N_STRIPS), 10), np.tile(np.linspace(30.0, 330.0, 10), N_STRIPS),
        zero + 150.0, zero, zero, value, np.tile(np.diag([0.0, sigma_px**-2]), (n, 1, 1)), np.full(n, -1),
        np.tile(per_power * np.ones(10), N_STRIPS),
    )  # fmt: skip


def test_the_prior_variance_of_the_single_offset_of_borders_is_not_estimated():
    """An offset twenty times its expected size is an error of the borders. It must not be explained by a larger prior
    variance, estimated from this single value."""
    nominal, table = marks_in_three_rows(11)
    fit = fit_all(nominal, fit_marks(nominal, table), [borders(0.6, 0.6)]).fit
    assert fit.solution.shared[-1] == pytest.approx(0.0, abs=0.3)
    stated = start_variances(nominal, SIGMA_PX * PX_MM)
    borders_x_and_y = [GROUPS.index("border_x"), GROUPS.index("border_y")]
    np.testing.assert_array_equal(fit.variances[borders_x_and_y], stated[borders_x_and_y])


def test_borders_printed_by_another_power_of_light_than_the_marks_do_not_bend_the_sweeps():
    """Measured with the marks' power, they are displaced according to their steps, equally in all strips."""
    nominal, table = marks_in_three_rows(14)
    per_power = 0.4 * np.array([1.0, -1.2, 0.5, -1.5, 0.8, 0.8, -0.4, 1.4, -1.0, -0.4])
    found = fit_all(nominal, fit_marks(nominal, table), [borders(-per_power, 0.1, per_power)])
    assert found.fit.solution.shared[-1] == pytest.approx(-1.0, abs=0.1)
    for k, sweep in enumerate(found.sweeps):
        off_px = (sweep.y_line_mm - nominal.sweeps[k].y_line_mm)[40:321] / PX_MM
        assert np.abs(off_px).max() < 0.12


def test_without_marks_the_stated_sigma_is_about_the_tolerance():
    nominal, table = marks_in_three_rows(12)
    found = fit_marks(nominal, table.with_columns(used=np.zeros(len(table), bool)))
    for sweep in found.sweeps:
        assert 0.3 < sweep.sigma_x_mm[180] / nominal.frame.scan.tolerance_mm < 1.5
        assert 0.3 < sweep.sigma_y_mm[180] / nominal.frame.scan.tolerance_mm < 1.5


def test_three_prior_sigma_of_a_strips_own_offset_are_the_tolerance():
    nominal, _ = marks_in_three_rows(13)
    oblong = replace(nominal, px_mm=np.array([0.005, 0.01]))
    stated = dict(zip(GROUPS, start_variances(oblong, 0.0), strict=True))
    assert 3 * np.sqrt(stated["a"]) == pytest.approx(nominal.frame.scan.tolerance_mm / 0.005)
    assert 3 * np.sqrt(stated["b"]) == pytest.approx(nominal.frame.scan.tolerance_mm / 0.01)


def test_the_sigma_of_the_marks_places_is_found_although_the_fit_follows_the_marks():
    """Each mark has a leverage of one half, so residuals are smaller than the errors of the places."""
    rng, n, place_px, measured_px, leverage = np.random.default_rng(14), 400, 0.3, 0.1, 0.5
    own, zero = place_px**2 + measured_px**2, np.zeros(n)
    evidence = Observations(
        np.full(n, MARK), np.zeros(n, np.int64), zero, zero, zero, zero, np.zeros((n, 2)),
        np.tile(np.eye(2) / own, (n, 1, 1)), np.full(n, -1), zero,
    )  # fmt: skip
    fit = SimpleNamespace(
        residual=rng.normal(0, np.sqrt(own * (1 - leverage)), (n, 2)),
        fit_cov=np.tile(leverage * own * np.eye(2), (n, 1, 1)),
    )
    found_mm = _place_sigma_mm(fit, evidence, place_px * PX_MM, SimpleNamespace(px_mm=np.full(2, PX_MM)))
    assert found_mm == pytest.approx(place_px * PX_MM, rel=0.12)
