"""The whole sweep stage on simulated frames, compared with the simulator's truth."""

from dataclasses import fields, replace

import numpy as np
import pytest
from calib_demo.catalogue import scenario
from calib_demo.make import make_frame
from simulated_strips import lines_of, readers, true_sweep

from calib.coordinates import FilmPoints, ScanPoints
from calib.errors import CalibError
from calib.frame.frame import ReseauMarks
from calib.frame.read import read_frame
from calib.sweep import combine, constellation, estimate, firstmarks, markjudge
from calib.sweep import first_look as looking
from calib.sweep import marks as marking
from calib.sweep.adjust import adjust
from calib.sweep.constellation import Pairs
from calib.sweep.estimate import refine
from calib.sweep.evidence import ARM, MARK, TIE
from calib.sweep.few_marks import placed_by_ties
from calib.sweep.first_look import first_look
from calib.sweep.layout import ROUGH
from calib.sweep.model import to_film, to_scan
from calib.tone.strokes import MEASURED


def errors_px(truth, frame, sweeps, strips=None):
    """Errors (N, 2) in px over the exposed film, and the same in units of the sweeps' stated sigma."""
    error, ratio = [], []
    half_x, half_y = (side / 2 for side in truth.layout.format_mm)
    px = np.array([frame.scan.sample_mm, frame.scan.line_mm])
    for k in range(len(sweeps)) if strips is None else strips:
        line = np.arange(0, sweeps[k].n_lines, 11)
        at_l, at_s = np.meshgrid(line.astype(float), np.linspace(0, sweeps[k].n_samples - 1, 15), indexing="ij")
        x, y = truth.film_of(k, at_l, at_s)
        film = to_film(sweeps[k], ScanPoints(at_l, at_s))
        off = np.stack([film.x_mm - x, film.y_mm - y], axis=-1) / px
        sigma = np.stack([sweeps[k].sigma_x_mm[line], sweeps[k].sigma_y_mm[line]], axis=-1)[:, None, :] / px
        exposed = (np.abs(x) < half_x) & (np.abs(y) < half_y)
        error.append(off[exposed])
        ratio.append((off / sigma)[exposed])
    return np.concatenate(error), np.concatenate(ratio)


def rms(values):
    """Root mean square along the first axis."""
    return np.sqrt(np.mean(values**2, axis=0))


def simulated(name, folder):
    """A frame's truth, the frame as read, and readers of its DN and density."""
    truth = make_frame(scenario(name), folder)
    frame = read_frame(folder / "frame.toml")
    return truth, frame, readers(truth, frame)


@pytest.fixture(scope="module")
def reversed_frame(tmp_path_factory):
    """A frame whose odd strips are reversed."""
    return simulated("oblique50", tmp_path_factory.mktemp("oblique50"))


@pytest.fixture(scope="module")
def small_frame(tmp_path_factory):
    """A small frame."""
    return simulated("small", tmp_path_factory.mktemp("small"))


@pytest.fixture(scope="module", params=["reversed_frame", "small_frame"])
def placed(request):
    """A frame with its first look and its refinement."""
    truth, frame, (dn, density) = request.getfixturevalue(request.param)
    first = first_look(frame, dn)
    return truth, frame, (dn, density), first, refine(frame, density, first.sweeps)


def test_the_first_look_places_every_strip_without_knowing_the_tone(placed):
    truth, frame, _, first, _ = placed
    error, ratio = errors_px(truth, frame, first.sweeps)
    assert np.all(rms(error) < 0.5)
    assert np.abs(error).max() < 2.0
    assert np.all(rms(ratio) < 1.5)
    assert not first.unmarked


def test_of_many_marks_a_first_look_measures_only_as_many_as_it_needs_to_place_a_strip(small_frame, monkeypatch):
    truth, frame, (dn, _) = small_frame
    measured, measure = [], marking.measure

    def counted(read, sweeps, sought, *rest):
        measured.append(sought)
        return measure(read, sweeps, sought, *rest)

    monkeypatch.setattr(marking, "measure", counted)
    monkeypatch.setattr(firstmarks, "FIRST_MARKS", 6)
    first = first_look(frame, dn)
    assert np.bincount(measured[-1].strip).tolist() == [6] * len(frame.strips)
    error, _ = errors_px(truth, frame, first.sweeps)
    assert np.all(rms(error) < 0.5)
    monkeypatch.setattr(looking, "poor_strips", lambda table: np.array([1]))
    first_look(frame, dn)
    assert np.bincount(measured[-1].strip).tolist()[0] == 6 < np.bincount(measured[-1].strip)[1]


def test_a_strip_is_poor_if_many_of_its_measured_marks_are_no_marks(placed):
    table = placed[-1].marks
    used = np.ones(len(table), bool)
    used[np.flatnonzero(table.strip == 1)[::3]] = False
    used[np.flatnonzero(table.strip == 2)[:1]] = False
    assert firstmarks.poor_strips(table.with_columns(used=used)).tolist() == [1]


@pytest.mark.parametrize("columns", [1, 2, 3, 5])
def test_the_marks_of_a_first_look_are_spread_over_a_strip_and_its_columns(columns):
    line, sample = (part.ravel() for part in np.meshgrid(np.arange(100.0) * 160, np.arange(columns) * 50.0 + 10))
    sought = marking.Sought(np.zeros(line.size, np.int64), np.arange(line.size), line, sample)
    found = np.ones(line.size, bool)
    found[::7] = False
    some = sought.select(firstmarks._sufficient(sought, found, [16000]))
    assert np.all(found[some.mark])
    assert len(some.mark) == 20
    assert np.diff(np.sort(some.line), prepend=0, append=16000).max() < 2 * 16000 / 20
    assert np.all(np.bincount((some.sample // 50).astype(int)) > 0.4 * 20 / columns)
    assert firstmarks._sufficient(sought, found, [32000]).sum() == 40


def test_a_first_look_measures_all_marks_of_a_strip_with_few_candidates():
    sought = marking.Sought(np.repeat([0, 1], 30), np.arange(60), np.arange(60.0), np.zeros(60))
    found = np.repeat([True, False], [55, 5])
    found[:30] = np.arange(30) < 15
    chosen = firstmarks._sufficient(sought, found, [1000, 1000])
    assert np.all(chosen[:30])
    assert chosen[30:].sum() == 20


def test_a_first_look_on_two_threads_is_the_same_to_the_last_bit(small_frame):
    _, frame, (dn, _) = small_frame
    one, two = first_look(frame, dn), first_look(frame, dn, threads=2)
    for a, b in zip(one.sweeps, two.sweeps, strict=True):
        for field in fields(a):
            np.testing.assert_array_equal(getattr(a, field.name), getattr(b, field.name))


def test_the_refined_sweeps_are_right_over_the_whole_picture_and_so_is_their_sigma(placed):
    truth, frame, _, _, fit = placed
    error, ratio = errors_px(truth, frame, fit.sweeps)
    # the small frame's picture ends 70 lines beyond its last marks, on ground without texture
    limit = (0.08, 0.3) if frame.name == "tern2-0044" else (0.25, 0.9)
    assert np.all(rms(error) < limit[0])
    assert np.abs(error).max() < limit[1]
    assert np.all(rms(ratio) < 1.5)


def test_no_missing_mark_is_used_and_used_ones_are_at_their_true_places(placed):
    truth, frame, _, _, fit = placed
    damage, table = truth.damaged_marks(), fit.marks
    for k in range(len(frame.strips)):
        mine = np.flatnonzero(table.used & (table.strip == k))
        assert all(damage.get(frame.marks.ids[m]) != "missing" for m in table.mark[mine])
        true = to_scan(true_sweep(truth, k), FilmPoints(*truth.layout.marks.true_mm[table.mark[mine]].T))
        assert np.abs(table.line[mine] - true.line).max() < 0.5
        assert np.abs(table.sample[mine] - true.sample).max() < 0.5
    assert table.used.mean() > 0.8
    assert len(table.reason) == len(table)
    rejected = [text for text, used in zip(table.reason, table.used, strict=True) if not used]
    assert "used" not in rejected


def test_the_width_of_the_readout_s_spot_is_found_from_the_marks(placed):
    """The tone stage corrects by it for light that leaks into strokes. It includes the width of a sample, and is as
    accurate as that stage assumes."""
    truth, *_, fit = placed
    true_px = np.hypot(truth.scenario.tone.blur_samples, 12**-0.5)
    assert np.all(np.abs(np.log(np.array(fit.spot_px) / true_px)) < 1.5 * MEASURED)
    assert fit.spot_px == (fit.figures["blur_x_px"], fit.figures["blur_y_px"])


def test_ties_and_figures_are_reported(placed):
    _, frame, _, _, fit = placed
    assert len(fit.ties) > 5 * (len(frame.strips) - 1)
    ties, px = fit.ties, frame.scan.sample_mm
    assert ties.used.mean() > 0.95
    assert np.median(np.abs(ties.residual_x_mm)) < 0.15 * px
    assert rms(ties.residual_x_mm[ties.used] / ties.sigma_x_mm[ties.used]) < 1.3
    assert fit.figures["marks_used"] == fit.marks.used.sum()
    assert fit.figures["mixing_power"] == pytest.approx(1.0, abs=0.05)
    assert fit.common_sweep_mm.shape == (frame.strips[0].n_samples,)
    assert np.all(fit.common_sigma_mm > 0)


def test_no_tie_sees_the_border_of_the_format(small_frame, monkeypatch):
    """It may seem to lie exactly on a line in both strips: ties that were half a px off were trusted."""
    _, frame, (dn, density) = small_frame
    bounds = []

    def measured(function):
        def spy(*args):
            bounds.append(args[-1])
            return function(*args)

        return spy

    monkeypatch.setattr(estimate, "measure_ties", measured(estimate.measure_ties))
    monkeypatch.setattr(estimate, "measure_again", measured(estimate.measure_again))
    refine(frame, density, first_look(frame, dn).sweeps)
    assert len(bounds) > 1
    assert all(bound == frame.camera.format_mm for bound in bounds)


def without_marks(truth, readers_of_strip, k, kept):
    """The strip's readers with all marks lost except the first `kept` inner ones."""
    s, sweep = truth.strips[k], true_sweep(truth, k)
    n_lines, n_samples = s.shape
    at = to_scan(sweep, FilmPoints(*truth.layout.marks.true_mm.T))
    reach = int(truth.scenario.reseau.arm_mm / truth.scenario.scan.sample_mm) + 4
    inner = np.flatnonzero((at.sample > reach) & (at.sample < n_samples - reach) & (at.line > 0) & (at.line < n_lines))
    out = []
    for read in readers_of_strip:
        values, sigma = (part.copy() for part in read(0, n_lines))
        for i in range(len(at.line)):
            if i not in inner[:kept]:
                rows = slice(max(int(at.line[i]) - reach, 0), max(int(at.line[i]) + reach, 0))
                columns = slice(max(int(at.sample[i]) - reach, 0), max(int(at.sample[i]) + reach, 0))
                sigma[rows, columns] = np.inf
        out.append(lines_of(values, sigma))
    return out


def test_a_strip_with_two_marks_and_one_with_none_are_placed_with_a_warning(reversed_frame):
    truth, frame, (dn, density) = reversed_frame
    dn, density = list(dn), list(density)
    for k, kept in ((2, 0), (5, 2)):
        dn[k], density[k] = without_marks(truth, (dn[k], density[k]), k, kept)
    first = first_look(frame, dn)
    assert not first.unmarked  # the tape lost them: it is no other strip
    fit = refine(frame, density, first.sweeps)
    by_strip = {remark.strips: remark.text for remark in fit.warnings}
    assert by_strip[2,].startswith("no usable reseau mark")
    assert by_strip[5,].startswith("only 2 usable reseau marks")
    for k in (2, 5):
        error, ratio = errors_px(truth, frame, fit.sweeps, [k])
        assert np.all(rms(error) < 0.3)
        assert np.all(rms(ratio) < 2.0)


@pytest.mark.parametrize("false", [True, False])
def test_a_strips_only_mark_is_checked_against_its_overlaps(reversed_frame, monkeypatch, false):
    """A single false mark misplaces its strip: if a first look took something far off for the mark, the strip is placed
    by its neighbours instead, and its true mark found; a true mark is accepted."""
    truth, frame, (dn, density) = reversed_frame
    density, strip, off_px = list(density), 5, 14
    sweeps = list(first_look(frame, dn).sweeps)
    (density[strip],) = without_marks(truth, density[strip : strip + 1], strip, 1)
    if false:
        density[strip] = moved_mark(truth, density[strip], strip, off_px)
        off_mm = off_px * frame.scan.sample_mm
        sweeps[strip] = replace(sweeps[strip], x_line_mm=sweeps[strip].x_line_mm - off_mm)
    asked = []

    def heard(*args):
        asked.append(placed_by_ties(*args))
        return asked[-1]

    monkeypatch.setattr(estimate, "placed_by_ties", heard)
    fit = refine(frame, density, sweeps)
    assert [by_ties is not None for by_ties in asked] == [false]
    error, ratio = errors_px(truth, frame, fit.sweeps, [strip])
    assert np.all(rms(error) < 0.5)
    assert np.all(rms(ratio) < 2.0)


def test_a_strips_only_mark_is_accepted_if_the_other_strips_marks_lie_on_no_sweep(reversed_frame, monkeypatch):
    """The frame was placed with it, and the check must not cause it to be refused."""
    truth, frame, (dn, density) = reversed_frame
    density, strip = list(density), 5
    (density[strip],) = without_marks(truth, density[strip : strip + 1], strip, 1)

    def refused(*args, **named):
        raise CalibError("marks on no continuous sweep")

    monkeypatch.setattr("calib.sweep.few_marks.fit_marks", refused)
    fit = refine(frame, density, first_look(frame, dn).sweeps)
    error, _ = errors_px(truth, frame, fit.sweeps, [strip])
    assert np.all(rms(error) < 0.5)


def moved_mark(truth, read, k, px):
    """The strip's reader with its only mark lost and a copy of it some samples farther on."""
    n_lines, n_samples = truth.strips[k].shape
    values, sigma = (part.copy() for part in read(0, n_lines))
    at = to_scan(true_sweep(truth, k), FilmPoints(*truth.layout.marks.true_mm.T))
    reach = int(truth.scenario.reseau.arm_mm / truth.scenario.scan.sample_mm) + 4
    inner = np.flatnonzero((at.sample > reach) & (at.sample < n_samples - reach) & (at.line > 0) & (at.line < n_lines))
    line, sample = int(at.line[inner[0]]), int(at.sample[inner[0]])
    rows, columns = slice(line - reach, line + reach), slice(sample - reach, sample + reach)
    there = slice(sample + px - reach, sample + px + reach)
    values[rows, there] = values[rows, columns]
    sigma[rows, sample - reach : sample + px - reach] = np.inf
    return lines_of(values, sigma)


def test_a_frame_without_any_mark_in_sight_is_left_at_its_nominal_place(small_frame):
    truth, frame, _ = small_frame
    rng = np.random.default_rng(1)
    noise = [
        lines_of(rng.normal(1000, 30, (s.n_lines, s.n_samples)), np.full((s.n_lines, s.n_samples), 30.0))
        for s in frame.strips
    ]
    first = first_look(frame, noise)
    assert not first.unmarked
    error, ratio = errors_px(truth, frame, first.sweeps)
    assert np.all(rms(ratio) < 1.5)
    assert np.abs(error).max() < 2 * frame.scan.tolerance_mm / frame.scan.line_mm


def test_a_reseau_beside_all_strips_leaves_the_sweeps_to_borders_and_ties(small_frame):
    truth, frame, (dn, density) = small_frame
    frame = replace(frame, marks=ReseauMarks(("far",), np.array([900.0]), np.array([900.0])))
    first = first_look(frame, dn)
    fit = refine(frame, density, first.sweeps)
    assert len(fit.marks) == 0
    assert fit.spot_px is None
    assert len(fit.ties) > 5  # of the seams whose shift stands out: the wedge alone leaves it open by pixels
    error, ratio = errors_px(truth, frame, fit.sweeps)
    assert np.all(rms(error) < 5.0)
    assert np.all(rms(ratio) < 1.5)
    assert all("no usable reseau mark" in remark.text for remark in fit.warnings)


@pytest.mark.parametrize("bent", [1, 2, 99])
def test_if_ties_fold_a_sweep_another_prior_is_tried_and_then_the_fit_to_marks_is_used(small_frame, monkeypatch, bent):
    # as if the first `bent` fits to ties gave a sweep that folds
    _, frame, (dn, density) = small_frame
    first, tried = first_look(frame, dn), []
    real = combine.fitted_sweeps

    def folding(nominal, fit, threads):
        if tied[-1]:
            tried.append(fit)
            if len(tried) <= bent:
                raise ValueError("folded")
        return real(nominal, fit, threads)

    def fitting(layout, evidence, *rest, **named):
        tied.append(np.any(evidence.kind == TIE))
        return adjust(layout, evidence, *rest, **named)

    tied = []
    monkeypatch.setattr(combine, "adjust", fitting)
    monkeypatch.setattr(combine, "fitted_sweeps", folding)
    fit = refine(frame, density, first.sweeps)
    assert len(tried) > 1
    assert any("contradict the marks" in remark.text for remark in fit.warnings) == (bent == 99)
    assert np.any(fit.ties.used) == (bent != 99)


def test_the_prior_is_estimated_again_once_weights_have_converged(small_frame, monkeypatch):
    """Even if the first estimate is the rough prior, as here, the last fit has a likelier one."""
    _, frame, (dn, density) = small_frame
    first, settled = first_look(frame, dn), []

    def settling(nominal, found, *rest):
        settled.append((found, combine.settle_smoothness(nominal, found, *rest)))
        return settled[-1][1]

    monkeypatch.setattr(estimate, "fit_likeliest", combine.fit_all)
    monkeypatch.setattr(estimate, "settle_smoothness", settling)
    fit = refine(frame, density, first.sweeps)
    ((before, after),) = settled
    assert before.smoothness == ROUGH
    assert after.smoothness != ROUGH
    assert fit.figures["ties_used"] > 0
    assert {MARK, TIE, ARM} <= set(after.evidence.kind)


@pytest.mark.parametrize("lost", [0, 1])
def test_marks_are_fitted_again_by_themselves_only_if_the_used_ones_change(small_frame, monkeypatch, lost):
    """Marks measured again with better sweeps are fitted together with the borders next. But the weights of an earlier
    fit belong to the marks that it used."""
    _, frame, (dn, density) = small_frame
    first, fits, sought = first_look(frame, dn), [], markjudge.mark_table

    def fitting(nominal, table, *args, **more):
        fits.append(table)
        return combine.fit_marks(nominal, table, *args, **more)

    def tabled(*args):
        table = sought(*args)
        used = np.flatnonzero(table.used)[: lost if fits else 0]
        return markjudge.reject(table, np.isin(np.arange(len(table)), used), "taken out")

    monkeypatch.setattr(estimate, "fit_marks", fitting)
    monkeypatch.setattr(markjudge, "mark_table", tabled)
    fit = refine(frame, density, first.sweeps)
    assert len(fits) == 1 + lost
    assert fit.marks.used.sum() == fits[0].used.sum() - lost


@pytest.mark.parametrize("row_px", [73.3, -73.3])
def test_a_strip_that_took_one_row_of_marks_for_another_is_placed_anew_by_its_wedge(small_frame, monkeypatch, row_px):
    """Rows are closer together than the tolerance, and at first the next row is found in one strip: all its marks match
    except those of a row. The wedge shows how far off it lies, and then the first look finds its own row."""
    truth, frame, (dn, _) = small_frame
    wide = replace(frame, scan=frame.scan.model_copy(update={"tolerance_mm": 0.8}))
    seen = []

    def find(nominal, layout, pairs, tolerance_px, threads):
        seen.append(pairs)
        keep = (pairs.strip != 1) | (np.abs(pairs.departure[:, 1] - row_px) < 25) | (len(seen) > 1)
        some = Pairs(*(getattr(pairs, field.name)[keep] for field in fields(pairs)))
        return constellation.find_steady(nominal, layout, some, tolerance_px, threads)

    monkeypatch.setattr(looking, "find_steady", find)
    monkeypatch.setattr(looking, "rows_off", lambda *fit_and_evidence: {1: -row_px})
    error, _ = errors_px(truth, wide, first_look(wide, dn).sweeps)
    assert len(seen) == 2
    assert np.abs(error[:, 1]).max() < 3


def test_marks_that_fold_the_coarse_sweep_are_reported(small_frame, monkeypatch):
    # strips so narrow that false candidates fold the sweep, and no stiffer sweep to try
    monkeypatch.setattr(constellation, "STIFFER_S", ())
    _, frame, (dn, _) = small_frame
    narrow = replace(frame, strips=tuple(replace(strip, n_samples=16) for strip in frame.strips))
    some = [
        lines_of(*(part[:, :16] for part in read(0, strip.n_lines)))
        for read, strip in zip(dn, frame.strips, strict=True)
    ]
    with pytest.raises(CalibError, match="lie on no continuous sweep"):
        first_look(narrow, some)
