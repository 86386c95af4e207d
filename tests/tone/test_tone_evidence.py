"""How evidence is weighed and placed: what each source of error adds, who moves for a residual, which film is seen."""

from collections.abc import Sequence
from dataclasses import astuple, fields, replace

import numpy as np
import pytest
from calib_demo.catalogue import scenario
from frames import fit, made, sweeps_of

from calib.coordinates import FilmPoints
from calib.sweep.model import StripSweep, to_scan
from calib.tone import adjust
from calib.tone.adjust import (
    Evidence,
    Start,
    State,
    _factors,
    _first_residuals,
    _restate,
    placings_about,
    robust_weight,
)
from calib.tone.banding import SceneVote
from calib.tone.cell_kernels import FOG, NOTHING, SCENE
from calib.tone.cells import FOG_BLOCK, label_samples, lines_of_known_film, select
from calib.tone.dropout_search import find_dropouts
from calib.tone.estimate import DRAFT_TURNS, TURNS, _adjusted, _curves
from calib.tone.evidence import KnownValues, first_placing, known_values, unscratched
from calib.tone.frame_evidence import frame_evidence
from calib.tone.frame_survey import FrameSurvey, _shared_noise, survey_frame, with_overlaps
from calib.tone.known_film import known_film
from calib.tone.noise import selwyn_variance
from calib.tone.placing import SLOPES, Placing, StripSide, correction, placed
from calib.tone.readings import read_banding
from calib.tone.scene_vote import ColumnMeans, votes_of
from calib.tone.strokes import ASSUMED
from calib.tone.survey import stroke_boxes, survey_strip, usable_patches
from calib.tone.system import Values
from calib.tone.transfer import FirstCurve
from calib.tone.unknowns import first_scales
from calib.tone.wedge import WedgePlace, locate_group
from calib.tone.wedge_match import SPARED, VETO, _contradictions, _cost_of_contradictions, _Pattern, _pattern

SMALL = scenario("small")


def surveyed(what=SMALL) -> FrameSurvey:  # type: ignore[no-untyped-def]
    frame, truth = made(what)
    dropouts = [find_dropouts(s, frame.scan.saturation) for s in frame.strips]
    sweeps = sweeps_of(frame, truth)
    surveyed = survey_frame(frame, known_film(frame), sweeps, dropouts, ASSUMED, threads=1)
    return with_overlaps(frame, surveyed, sweeps, dropouts, threads=1)


def test_two_strips_share_a_residual_by_their_variances(monkeypatch: pytest.MonkeyPatch) -> None:
    """Then the place is free of the residual's noise: cov(e1 - e2, w1 e1 + w2 e2) = 0 only so."""
    monkeypatch.setattr(adjust, "placed", lambda curves, strip, z, solution: Placing(z, np.ones_like(z), z))
    there = Placing(np.ones(2), np.ones(2), np.ones(2))
    shares = (np.array([0.7, 0.5]), np.array([0.3, 0.5]))
    sides = tuple(StripSide(strip, *(np.ones(2),) * 3, np.ones(2), part) for strip, part in enumerate(shares))
    before = Evidence(sides, None, None, None, (there, there), None, None)  # type: ignore[arg-type]
    one, two = placings_about(before, None, np.array([0.1, 0.1]), None)  # type: ignore[arg-type]
    np.testing.assert_allclose(one.z, [1.07, 1.05])
    np.testing.assert_allclose(two.z, [0.97, 0.95])


def test_a_scratch_has_little_weight_in_the_first_turn_and_an_overlap_none() -> None:
    """Banding scatters the cells of all strips alike, whatever their noise; nothing is surer than its noise."""
    chance = np.random.default_rng(7)

    def of(value: np.ndarray, sides: int) -> Evidence:
        kind, sigma = np.arange(value.size, dtype=np.int8) % 2, np.full(value.size, 0.001)
        return Evidence((None,) * sides, kind, None, None, (), value, sigma)  # type: ignore[arg-type]

    banding = 0.01 * chance.standard_normal((2, 400))
    banding[:, 1::2] = 0.0  # the second kind is exact
    banding[0, :20] = 0.5
    one, overlap, two = _first_residuals([of(banding[0], 1), of(np.ones(4), 2), of(banding[1], 1)], 2)
    assert (robust_weight(one[:20]) < 0.01).all()
    for found in (one[20::2], two[::2]):
        assert 0.8 < found.std() < 1.2
        assert robust_weight(found).mean() > 0.95
    assert (one[21::2] == 0.0).all()
    assert (robust_weight(overlap) == 0.0).all()


def test_residuals_are_weighed_where_the_cells_are_put(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where they were before, a cell that has moved far would look like a scratch."""
    monkeypatch.setattr(adjust, "residual_of", lambda curves, each, solution: each.value)
    monkeypatch.setattr(adjust, "placings_about", lambda *what: ())
    there = np.array([0.01, -0.01, 0.02]), np.full(3, 0.02)
    side = StripSide(0, *(np.ones(3),) * 5)  # type: ignore[arg-type]
    before = Evidence((side,), np.zeros(3, np.int8), None, lambda placings: there, (), np.ones(3), np.full(3, 0.1))
    after = _restate(None, State([before], [np.zeros(3)], np.ones((1, 1))), None, 1)  # type: ignore[arg-type]
    np.testing.assert_allclose(after.standardised[0], [0.5, -0.5, 1.0])
    np.testing.assert_array_equal(after.evidence[0].value, there[0])


def test_residuals_say_of_a_sigma_what_their_kind_does_drawn_towards_all_strips() -> None:
    """Three strips, four kinds; below one the fit itself speaks, and a kind of which there is nothing says nothing."""
    scales = np.array([[0.5, 2.0, np.nan, np.nan], [0.6, 3.0, np.nan, 4.0], [0.7, 3.0, np.nan, np.nan]])
    counts = np.array([[400, 6000, 0, 0], [400, 5000, 0, 800], [400, 100, 0, 0]])
    factor = _factors([0, 1, 2], scales, counts, 3)
    np.testing.assert_array_equal(factor[:, 0], 1.0)
    np.testing.assert_allclose(factor[:2, 1], [2.0, (5000 * 3 + 200 * 2) / 5200])
    assert factor[2, 1] == pytest.approx((100 * 3 + 200 * 2) / 300)
    np.testing.assert_array_equal(factor[:, 2], 1.0)
    np.testing.assert_array_equal(factor[:, 3], 4.0)


def test_pieces_of_evidence_of_one_strip_have_their_own_kinds() -> None:
    """A strip's overlaps stand apart from its known film."""
    scales = np.array([[2.0, np.nan], [2.0, np.nan], [np.nan, 5.0]])
    factor = _factors([0, 1, 0], scales, np.array([[10, 0], [10, 0], [0, 10]]), 2)
    np.testing.assert_allclose(factor, [[2.0, 5.0], [2.0, 5.0]])


def test_the_doubt_of_a_cell_stays_however_many_samples_it_has() -> None:
    passes = surveyed()
    frame, _ = made()
    known = known_film(frame)
    assert passes.typical is not None
    curves = _curves(frame, known, passes, passes.typical)
    cells = replace(passes.surveys[1].cells, count=np.full(passes.surveys[1].cells.dn.size, 1e6))
    values = known_values(curves, known, 1, cells)
    placing = placed(curves, 1, first_placing(curves.first[1], cells, curves.layout.n_samples), None)
    _, sure = values.at((placing,))
    doubt = 0.01 * np.abs(curves.first[1].slope(placing.z))  # a hundredth of density, in DN
    _, doubtful = known_values(curves, known, 1, replace(cells, doubt_dn=doubt)).at((placing,))
    np.testing.assert_allclose(doubtful, np.hypot(sure, 0.01), rtol=1e-6)


def test_no_cell_is_known_better_than_rounding_lets() -> None:
    """Without noise the first harmonic of its saw-tooth, of amplitude 1 / pi, stays in however many samples."""
    first = FirstCurve(0.0, 100.0, 1.0, 0.0, 2.0, 0.0)
    one, none, z = np.ones(3), np.zeros(3), np.array([0.3, 0.8, 1.4])
    values = KnownValues(first, z, z, grain=none, video_dn2=none, count=1e9 * one, doubt_dn=none)
    _, sigma = values.at((Placing(z, one, none),))
    np.testing.assert_allclose(sigma * np.abs(first.slope(z)), 0.5**0.5 / np.pi, rtol=1e-2)


def test_a_placing_has_the_slope_of_the_corrected_curve() -> None:
    """That of splines and dark level together, by differences of what they add; within bounds, lest it turn back."""
    passes, frame = surveyed(), made()[0]
    assert passes.typical is not None
    curves = _curves(frame, known_film(frame), passes, passes.typical)
    layout, chance = curves.layout, np.random.default_rng(3)
    common = np.zeros(layout.n_common)
    common[layout.curve] = 0.02 * chance.standard_normal(layout.n_curve)
    own = [0.03 * chance.standard_normal(layout.n_own(strip)) for strip in range(len(curves.n_lines))]
    own[1][layout.dark] = 0.1
    solution = Values(own, common, [])
    z, step = np.linspace(curves.basis.low + 0.01, curves.basis.high - 0.01, 40), 1e-5
    around = [correction(curves, 1, z + shift, solution) for shift in (-step, step)]
    found = placed(curves, 1, z, solution)
    slope = 1.0 + (around[1] - around[0]) / (2 * step)
    assert slope.min() < SLOPES[0]
    np.testing.assert_allclose(found.slope, np.clip(slope, *SLOPES), atol=1e-5)
    np.testing.assert_allclose(found.dark, placed(curves, 1, z, None).dark, rtol=1e-12)


def test_cells_of_a_scratch_are_told_from_banding_and_noise() -> None:
    """A third of a patch lies under a clear scratch; banding of 0.3 in some samples is banding."""
    passes = surveyed()
    assert passes.typical is not None
    survey = passes.surveys[1]
    first, cells = survey.curve, survey.cells
    assert first is not None
    n_samples = int(cells.sample.max()) + 1
    scratched = (cells.label == 3) & (cells.sample > np.quantile(cells.sample[cells.label == 3], 0.67))
    density = first.density_of(cells.dn) + np.where(cells.sample % 10 == 0, 0.3, 0.0)
    cells = replace(cells, dn=first.dn_of(np.where(scratched, density - 0.2, density)))
    whole = unscratched(first, cells, n_samples, known_film(made()[0]).fog_guess)
    assert not whole[scratched].any()
    assert whole[~scratched].mean() > 0.995
    assert whole[cells.label == FOG].all()


def test_unexposed_film_that_the_picture_or_writing_reaches_is_left_out() -> None:
    """One block of its lines reads 0.3 lighter, one 0.05 for drift; the patches stay as they are."""
    passes = surveyed()
    survey = passes.surveys[1]
    first, cells = survey.curve, survey.cells
    assert first is not None
    block = cells.line // FOG_BLOCK
    blocks = np.unique(block[cells.label == FOG])
    assert blocks.size >= 3
    spoilt, drifted = ((cells.label == FOG) & (block == which) for which in blocks[:2])
    off = np.where(spoilt, 0.3, np.where(drifted, 0.05, 0.0))
    cells = replace(cells, dn=first.dn_of(first.density_of(cells.dn) + off))
    whole = unscratched(first, cells, int(cells.sample.max()) + 1, known_film(made()[0]).fog_guess)
    assert not whole[spoilt].any()
    assert whole[~spoilt].mean() > 0.995
    assert whole[drifted].all()


def test_cells_of_a_scratch_are_no_evidence() -> None:
    """What is left out of a fit is just what a scratch has spoilt."""
    passes, frame = surveyed(), made()[0]
    survey = passes.surveys[1]
    assert survey.curve is not None
    scratched = (survey.cells.label == 3) & (survey.cells.sample % 7 == 0)
    density = survey.curve.density_of(survey.cells.dn)
    cells = replace(survey.cells, dn=survey.curve.dn_of(np.where(scratched, density - 0.2, density)))
    spoilt = replace(passes, surveys=(passes.surveys[0], replace(survey, cells=cells), *passes.surveys[2:]))
    assert passes.typical is not None
    curves = _curves(frame, known_film(frame), passes, passes.typical)
    before, after = (frame_evidence(curves, known_film(frame), some, 1)[1].kind.size for some in (passes, spoilt))
    assert scratched.sum() > 10
    assert before - after == pytest.approx(scratched.sum(), abs=2)


def test_banding_is_read_as_well_in_overlaps_as_elsewhere() -> None:
    """There it is kept among a strip's unknowns; everywhere it is known as well as its variance says."""
    passes, (frame, truth) = surveyed(), made()
    known = known_film(frame)
    assert passes.typical is not None
    curves = _curves(frame, known, passes, passes.typical)
    evidence = frame_evidence(curves, known, passes, 1)
    adjusted = _adjusted(known, curves, passes, evidence, Start(first_scales()), 3, 1)
    for strip, true in enumerate(truth.strips):
        found = read_banding(curves, adjusted, strip)
        in_overlap, is_read = curves.layout.edge[strip] >= 0, np.isfinite(found.variance)
        off = found.banding - (true.column_density - true.column_density[is_read].mean())
        assert 5 < in_overlap.sum() < 0.5 * in_overlap.size
        for some in (in_overlap, ~in_overlap):
            assert is_read[some].mean() > 0.9
            assert np.sqrt(np.mean((off**2 / found.variance)[some & is_read])) < 2


def test_a_strip_that_one_sample_alone_shows_known_film_has_no_banding_measured() -> None:
    """Less their mean it is nothing, with no variance at all: an infinite weight, and tables without a number (a bug
    on a frame of which one strip was badly placed)."""
    passes, frame = surveyed(), made()[0]
    known, strip = known_film(frame), passes.surveys[0]
    at = int(np.median(strip.cells.sample))
    one, none = select(strip.cells, strip.cells.sample == at), select(strip.stroke_cells, strip.stroke_cells.sample < 0)
    alone = replace(strip, cells=one, stroke_cells=none)
    passes = replace(passes, surveys=(alone, *passes.surveys[1:]), overlaps=(None, *passes.overlaps[1:]))
    assert passes.typical is not None
    curves = _curves(frame, known, passes, passes.typical)
    evidence = frame_evidence(curves, known, passes, 1)
    found = read_banding(curves, _adjusted(known, curves, passes, evidence, Start(first_scales()), 3, 1), 0)
    assert np.isfinite(found.banding).all()
    assert not np.isfinite(found.variance).any()


def test_all_strips_have_the_film_s_one_grain() -> None:
    """The stated one where the patches agree; else the middle of what they show."""
    scan, film = SMALL.scan, SMALL.emulsion
    stated = selwyn_variance(film.granularity, scan.sample_mm * scan.line_mm)
    assert {s.noise.grain for s in surveyed().surveys if s.noise is not None} == {stated}
    untold = surveyed(replace(SMALL, emulsion=replace(film, states_granularity=False)))
    (found,) = {s.noise.grain for s in untold.surveys if s.noise is not None}
    assert found == pytest.approx(stated, rel=0.25)


def test_two_patches_a_strip_do_not_contradict_the_stated_grain() -> None:
    """The darkest of three is beyond the video's range: what is left of a strip cannot tell grain from its noise."""
    frame, truth = made(replace(SMALL, wedge=replace(SMALL.wedge, patches=3, patch_mm=0.2)))
    clip = max(int(strip.video.dn_of(np.array(1.6))) for strip in truth.strips)
    frame = replace(frame, scan=frame.scan.model_copy(update={"saturation": (clip, 65535)}))
    dropouts = [find_dropouts(s, frame.scan.saturation) for s in frame.strips]
    passes = survey_frame(frame, known_film(frame), sweeps_of(frame, truth), dropouts, ASSUMED, threads=1)
    stated = selwyn_variance(SMALL.emulsion.granularity, frame.scan.sample_mm * frame.scan.line_mm)
    assert {s.noise.grain for s in passes.surveys if s.noise is not None} == {stated}
    assert not any("grain" in said.text for said in passes.warnings)


def test_the_sizes_of_a_fit_s_unknowns_are_found_in_few_turns() -> None:
    """In as many as a draft and a fit take; one step a turn, without looking ahead, leaves the roughness far off."""
    passes, frame = surveyed(), made()[0]
    known = known_film(frame)
    assert passes.typical is not None
    curves = _curves(frame, known, passes, passes.typical)
    evidence, start = frame_evidence(curves, known, passes, 1), Start(first_scales())
    soon, settled = (_adjusted(known, curves, passes, evidence, start, n, 1).scales for n in (DRAFT_TURNS + TURNS, 30))
    np.testing.assert_allclose(np.log(astuple(soon)), np.log(astuple(settled)), atol=0.1)


def test_patch_residuals_do_not_hold_what_grain_adds() -> None:
    """Grain makes the mean of light brighter, by 0.014 in density on the densest patch here: no error of a patch."""
    coarse = replace(SMALL, emulsion=replace(SMALL.emulsion, granularity=14.0), wedge=replace(SMALL.wedge, sigma=1e-4))
    frame, truth = made(coarse)
    patches = fit(frame, truth).patches
    dense = patches.used & (patches.density > 1.5)
    assert abs(float(np.mean(patches.residual_density[dense]))) < 0.003


@pytest.mark.parametrize(("sigma_px", "kept"), [(1.0, 20), (6.0, 12), (40.0, 0)])
def test_patches_side_by_side_keep_their_middles_where_a_strip_s_place_is_in_doubt(sigma_px: float, kept: int) -> None:
    """A first look that knew x to 6 px left nothing of patches of 26: a frame with nine in a row came out empty (a
    bug). Of a place that is worse than a patch is wide no label says anything."""
    frame, truth = made(SMALL)
    known, true, px_mm = known_film(frame), sweeps_of(frame, truth)[1], frame.scan.sample_mm
    (top, bottom), left = known.group_span_mm(0), np.arange(-1, 2) * 30 * px_mm
    row = replace(
        known, patch_value=np.ones(3), patch_density=np.ones(3), patch_across_mm=np.stack([left, left + 30 * px_mm], 1),
        patch_y_mm=np.tile([top, bottom], (3, 1)), group=np.zeros(3, np.int64), tolerance_mm=100 * px_mm,
    )  # fmt: skip
    sweep = replace(
        true, x_sample_mm=known.center_mm[1] + px_mm * (np.arange(true.x_sample_mm.size) - 79.5),
        x_line_mm=np.zeros(true.n_lines), sigma_x_mm=np.full(true.n_lines, sigma_px * px_mm),
    )  # fmt: skip
    place = WedgePlace(0.0, 0.0, 0.0, (top + bottom) / 2, float(known.center_mm[1]), 0.001, found=True)
    lines = np.flatnonzero(np.abs(sweep.y_line_mm - (top + bottom) / 2) < 2 * frame.scan.line_mm)
    label = label_samples(row, sweep, 1, [place], lines)
    for patch in range(3):
        assert (label == patch).sum(axis=1) == pytest.approx(kept, abs=1)


@pytest.mark.parametrize("reversed_strips", ["none", "odd"])
def test_lines_that_are_not_labelled_hold_no_known_film(reversed_strips: str) -> None:
    """Under a sweep that wanders and is skewed, and a skewed wedge: the labels of some lines are those of all."""
    frame, truth = made(replace(SMALL, scan=replace(SMALL.scan, reversed=reversed_strips)))
    known, true = known_film(frame), sweeps_of(frame, truth)[1]
    ramp = np.linspace(-1, 1, true.y_sample_mm.size)
    sweep = replace(true, y_sample_mm=0.06 * ramp, x_line_mm=true.x_line_mm + 0.1)
    top, bottom = known.group_span_mm(0)
    place = WedgePlace(0.11, 0.01, -0.05, (top + bottom) / 2, float(known.center_mm[1]), 0.01, found=True)
    lines = lines_of_known_film(known, sweep, 1, [place])
    every = label_samples(known, sweep, 1, [place], np.arange(sweep.n_lines))
    np.testing.assert_array_equal(label_samples(known, sweep, 1, [place], lines), every[lines])
    others = np.setdiff1d(np.arange(sweep.n_lines), lines)
    assert 0.5 * sweep.n_lines < others.size
    assert np.isin(every[others], (SCENE, NOTHING)).all()
    assert len(np.unique(every)) > known.n_patches


def test_boxes_hold_the_strokes_and_leave_the_ground_between_the_arms() -> None:
    frame, truth = made()
    known, sweep = known_film(frame), sweeps_of(frame, truth, sigma=0.02)[1]
    shape = (frame.strips[1].n_lines, frame.strips[1].n_samples)
    boxes = stroke_boxes(known, sweep, shape)
    hidden = np.zeros(shape, bool)
    for first, stop, left, right in boxes:
        hidden[first:stop, left:right] = True
    arm = known.arm_mm
    for x, y in zip(known.mark_x_mm, known.mark_y_mm, strict=True):
        along = np.array([(0.0, 0.9), (0.0, -0.9), (0.9, 0.0), (-0.9, 0.0), (0.0, 0.0), (0.6, 0.6), (-0.6, 0.6)])
        at = to_scan(sweep, FilmPoints(x + arm * along[:, 0], y + arm * along[:, 1]))
        line, sample = np.round(at.line).astype(int), np.round(at.sample).astype(int)
        if line.min() < 0 or sample.min() < 0 or line.max() >= shape[0] or sample.max() >= shape[1]:
            continue
        assert hidden[line[:5], sample[:5]].all()
        assert not hidden[line[5:], sample[5:]].any()


def test_samples_that_known_film_hardly_measured_do_not_silence_the_scene() -> None:
    """Twenty bad columns at each edge say nothing of how far the scene agrees with the known film elsewhere."""
    chance, n, sigma = np.random.default_rng(3), 200, 0.0015
    truth = 0.01 * chance.standard_normal((6, n))
    variance = np.full((6, n), sigma**2)
    variance[:, :20] = variance[:, -20:] = (4 * sigma) ** 2
    measured = truth + np.sqrt(variance) * 1.5 * chance.standard_normal((6, n))
    measured[:, 20:-20] = truth[:, 20:-20] + sigma * chance.standard_normal((6, n - 40))
    scenes = [ColumnMeans(row + 0.001 * chance.standard_normal(n)) for row in truth]
    votes = votes_of(scenes, measured, variance)
    for vote in map(votes, range(6)):
        assert isinstance(vote, SceneVote)
        assert np.median(np.diag(vote.weight)[20:-20]) > 0.25 / sigma**2


@pytest.mark.parametrize("n", [5, 8])
def test_strips_of_a_few_samples_have_no_vote(n: int) -> None:
    """Nothing of them varies fast enough to be told from the Moon."""
    chance = np.random.default_rng(n)
    measured = 0.01 * chance.standard_normal((3, n))
    scenes = [ColumnMeans(row) for row in measured]
    votes = votes_of(scenes, measured, np.full((3, n), 1e-6))
    assert [votes(strip) for strip in range(3)] == [None] * 3


def test_patches_are_seen_within_the_scan_s_tolerance_though_the_sweep_says_nothing_of_its_place() -> None:
    """As where no mark was found: the strip may lie off by the tolerance, not by all that its sweep leaves open."""
    frame, truth = made()
    known, sweep = known_film(frame), sweeps_of(frame, truth, sigma=1000.0)[1]
    survey = survey_strip(frame.strips[1], known, sweep, find_dropouts(frame.strips[1], None), (0, 65535), ASSUMED)
    assert usable_patches(survey, known).all()
    across = np.ptp(known.patch_across_mm[0]) - 2 * known.tolerance_mm
    assert np.ptp(sweep.x_sample_mm[survey.cells.sample[survey.cells.label == 0]]) < across


def test_unexposed_film_beside_deep_patches_that_are_all_alike_may_drift() -> None:
    """Of a wedge's two deep patches, 3 DN apart, with fog 100 DN off that drifts by 4: no contradiction; but half of
    the fog's step is one."""
    patches = np.array([[1.0, 2.0], [2.0, 3.0], [0.5, 1.0], [3.0, 3.5]])
    pattern = _Pattern(patches, np.array([1.3, 1.8, 0.25, 0.25]), np.array([True, True, False, False]))
    assert _contradictions(np.array([220.0, 223.0, 117.0, 113.0]), pattern, 0.5, 0.15) == 0
    assert _contradictions(np.array([220.0, 223.0, 117.0, 170.0]), pattern, 0.5, 0.15) > 0


@pytest.mark.parametrize("fall", [0.0, 0.1])
def test_gain_that_drifts_far_along_a_thin_wedge_does_not_move_it_by_a_patch(fall: float) -> None:
    """Video of a quarter of the contrast, whose gain falls by a tenth along the wedge: more than half of its range."""
    frame, truth = made()
    known, sweeps = known_film(frame), sweeps_of(frame, truth)
    top, bottom = known.group_span_mm(0)
    for raster, sweep in zip(frame.strips, sweeps, strict=True):
        gain = 1.0 - fall * np.clip((sweep.y_line_mm - top) / (bottom - top), -0.5, 1.5)
        dn = np.round((20000 + 0.25 * raster.read(0, raster.n_lines)) * gain[:, np.newaxis]).astype(np.uint16)
        place = locate_group(dn, np.zeros(dn.shape, np.bool_), sweep, known, raster.index, 0)
        assert place.found
        assert abs(place.shift_mm) < 0.02


@pytest.mark.parametrize("gone", [0, -1])
def test_a_wedge_of_which_one_patch_is_missing_is_where_the_sweep_says(gone: int) -> None:
    """Its first or last patch shows unexposed film: the right place broke the order of the densities, so one a patch
    on was taken, and the curve that went with it (exposures were wrong by three times on a frame made by others)."""
    frame, truth = made()
    known, sweeps = known_film(frame), sweeps_of(frame, truth)
    order = np.argsort(known.patch_y_mm[:, 0])
    first, last = known.patch_y_mm[order[gone]]
    top, bottom = known.group_span_mm(0)
    for raster, sweep in zip(frame.strips, sweeps, strict=True):
        dn, y = raster.read(0, raster.n_lines).copy(), sweep.y_line_mm
        fog = dn[(y < top - 0.03) & (y > top - 0.09)] if gone == 0 else dn[(y > bottom + 0.03) & (y < bottom + 0.09)]
        dn[(y > first) & (y < last)] = np.median(fog, axis=0)
        place = locate_group(dn, np.zeros(dn.shape, np.bool_), sweep, known, raster.index, 0)
        assert place.found
        assert abs(place.shift_mm) < 0.02


@pytest.mark.parametrize("off", [-6, 6])
def test_a_wedge_is_found_by_a_sweep_that_is_bent_there(off: int) -> None:
    """Far from marks a first look's is, by a twentieth and more: no stretch of it fitted, so that a wedge one patch
    farther on, whose last patch was taken for something else, seemed as good (four strips of others' frame)."""
    frame, truth = made(replace(SMALL, wedge=replace(SMALL.wedge, patches=9, patch_mm=0.11)))
    known = known_film(frame)
    middle, line_mm = sum(known.group_span_mm(0)) / 2, frame.scan.line_mm
    for raster, sweep in zip(frame.strips, sweeps_of(frame, truth), strict=True):
        y_mm = sweep.y_line_mm + off * line_mm - 0.075 * (sweep.y_line_mm - middle)
        told = replace(sweep, y_line_mm=y_mm, sigma_y_mm=np.full(len(y_mm), 3.4 * line_mm))
        dn = raster.read(0, raster.n_lines)
        place = locate_group(dn, np.zeros(dn.shape, np.bool_), told, known, raster.index, 0)
        assert place.found
        assert abs(place.shift_mm + off * line_mm) < 2 * line_mm


@pytest.mark.parametrize("sigma_mm", [0.02, 0.1])
def test_a_wedge_laid_a_patch_too_far_lacks_no_patch(sigma_mm: float) -> None:
    """Its lightest patch beside the picture, whose light bleeds over: laid a patch too far, the first patch shows
    unexposed film, as if it were missing, and the last is taken for such film. That cost less than the bleeding, and
    exposures of all strips were wrong by a third (a frame within the contract)."""
    frame, truth = made()
    known = known_film(frame)
    known = replace(known, patch_density=known.patch_density[::-1])
    top, bottom = known.group_span_mm(0)
    for raster, sweep in zip(frame.strips, sweeps_of(frame, truth, sigma=sigma_mm), strict=True):
        dn, y = raster.read(0, raster.n_lines).copy(), sweep.y_line_mm
        wedge, bled = (y > top) & (y < bottom), (y > -known.half_format_mm[1] - 0.06) & (y < -known.half_format_mm[1])
        dn[wedge] = dn[wedge][::-1]
        dn[bled] //= 2
        place = locate_group(dn, np.zeros(dn.shape, np.bool_), sweep, known, raster.index, 0)
        assert place.found
        assert abs(place.shift_mm) < 0.02


@pytest.mark.parametrize("columns", [2, 3])
def test_a_wedge_whose_patches_stand_side_by_side_is_found_in_one_of_its_columns(columns: int) -> None:
    """The same film described as patches in columns: those in the middle of all ends lay under no patch whole, no wedge
    was found in any strip, and nothing of the frame was calibrated."""
    frame, truth = made()
    known, sweeps = known_film(frame), sweeps_of(frame, truth)
    ends = np.linspace(*known.patch_across_mm[0], columns + 1)
    each = np.repeat(np.arange(known.n_patches), columns)
    told = {f.name: getattr(known, f.name)[each] for f in fields(known) if f.name.startswith("patch_")}
    told["patch_across_mm"] = np.tile(np.stack([ends[:-1], ends[1:]], axis=1), (known.n_patches, 1))
    known = replace(known, **told, group=known.group[each])
    for raster, sweep in zip(frame.strips, sweeps, strict=True):
        dn = raster.read(0, raster.n_lines)
        place = locate_group(dn, np.zeros(dn.shape, np.bool_), sweep, known, raster.index, 0)
        assert place.found
        assert abs(place.shift_mm) < 0.02


def test_of_two_patches_neither_is_spared() -> None:
    """One alone contradicts nothing: with the other taken for something else any place at all would be borne out."""
    stretches, none = np.array([[0.5, 1.0], [1.0, 2.0], [2.0, 3.0], [3.0, 4.0]]), np.nan
    pattern = _Pattern(stretches, np.array([0.25, 0.8, 1.3, 1.8]), np.array([False, True, True, True]))
    cost = [
        _cost_of_contradictions(np.array(level), pattern, 0.5, 0.15, SPARED)
        for level in ([200.0, 117.0, 116.0, 230.0], [200.0, none, 116.0, 230.0])
    ]
    assert cost[0] == SPARED
    assert cost[1] >= VETO


def test_a_wedge_that_hardly_stands_out_of_its_noise_is_where_the_sweep_says() -> None:
    """No placing of it is borne out, so what the sweep knows counts; deep patches were laid two patches on."""
    frame, truth = made()
    known, sweeps = known_film(frame), sweeps_of(frame, truth)
    chance = np.random.default_rng(4)
    for raster, sweep in zip(frame.strips, sweeps, strict=True):
        dn = raster.read(0, raster.n_lines)
        faint = np.round(20000 + 0.008 * dn + 700 * chance.standard_normal(dn.shape)).astype(np.uint16)
        place = locate_group(faint, np.zeros(dn.shape, np.bool_), sweep, known, raster.index, 0)
        assert abs(place.shift_mm) < 0.08


def test_a_wedge_within_the_format_has_picture_beside_it_not_unexposed_film() -> None:
    """Picture above and below is not alike as unexposed film is: the wedge's right place was thought to contradict
    itself, and one half a patch off was taken."""
    known = known_film(made()[0])
    width, height = known.half_format_mm
    top, bottom = known.group_span_mm(0)
    beyond, within = (_pattern(film, 0, 0.02) for film in (known, replace(known, half_format_mm=(width, 9 * height))))
    assert (beyond.y_mm[~beyond.is_patch].min() < top) | (beyond.y_mm[~beyond.is_patch].max() > bottom)
    assert within.is_patch.sum() == beyond.is_patch.sum() == known.n_patches
    seen = within.y_mm[:, 0] < within.y_mm[:, 1]
    assert within.y_mm[seen].min() > top
    assert within.y_mm[seen].max() < bottom
    np.testing.assert_array_equal(seen, within.is_patch)


def test_what_strips_share_of_their_noise_is_read_off_their_overlaps_and_kept() -> None:
    """Differences that scatter half as much, of noise no smaller, are of noise that is shared: three quarters of what
    was not shared before."""
    passes = surveyed()
    halved = [None if cells is None else replace(cells, scatter=cells.scatter / 2) for cells in passes.overlaps]
    assert passes.noise_correlation.shared > 0
    assert _shared_noise(passes.surveys, halved, passes.noise_correlation) > 0.7 + passes.noise_correlation.shared / 4


def test_where_the_video_was_found_to_end_holds_for_the_survey_and_is_said() -> None:
    frame, truth = made(SMALL)
    dropouts = [replace(find_dropouts(s, frame.scan.saturation), clip=(0, 60000)) for s in frame.strips]
    passes = survey_frame(frame, known_film(frame), sweeps_of(frame, truth), dropouts, ASSUMED, threads=1)
    assert {survey.clip for survey in passes.surveys} == {(0, 60000)}
    assert sum("samples pile up at DN 60000" in said.text for said in passes.warnings) == len(frame.strips)


def moved(sweeps: Sequence[StripSweep], samples: float, lines: float) -> list[StripSweep]:
    """Sweeps that put their strips off by some samples and lines."""
    found = []
    for sweep in sweeps:
        sample_mm, line_mm = np.median(np.diff(sweep.x_sample_mm)), np.median(np.abs(np.diff(sweep.y_line_mm)))
        x, y = sweep.x_line_mm + samples * sample_mm, sweep.y_line_mm + lines * line_mm
        found.append(replace(sweep, x_line_mm=x, y_line_mm=y))
    return found


def test_places_that_moved_little_change_nothing_of_what_was_gathered_but_strokes() -> None:
    """A wedge that was found stays where it was on the film; strokes are as narrow as places were wrong."""
    frame, truth = made(SMALL)
    known, better = known_film(frame), sweeps_of(frame, truth)
    dropouts = [find_dropouts(s, frame.scan.saturation) for s in frame.strips]
    before = survey_frame(frame, known, moved(better, 0.4, 0.3), dropouts, ASSUMED, threads=1).alone
    again = survey_frame(frame, known, better, dropouts, ASSUMED, 1, before).surveys
    alone = survey_frame(frame, known, better, dropouts, ASSUMED, 1).surveys
    for one, two, anew in zip(before, again, alone, strict=True):
        assert two.cells is one.cells
        assert two.sweep is anew.sweep
        np.testing.assert_array_equal(two.strokes.cells.dn, anew.strokes.cells.dn)
        np.testing.assert_allclose(two.stroke_cells.dn, anew.stroke_cells.dn, rtol=1e-3)  # of a curve hardly other
        line_mm = np.median(np.abs(np.diff(two.sweep.y_line_mm)))
        for place, found in zip(two.places, anew.places, strict=True):
            assert abs(place.shift_mm - found.shift_mm) < 0.1 * line_mm


@pytest.mark.parametrize(("samples", "lines", "sigma"), [(1.5, 0.0, 0.15), (0.0, 0.0, 0.8)])
def test_known_film_is_gathered_anew_where_places_moved_far_or_were_doubtful(
    samples: float, lines: float, sigma: float
) -> None:
    """Cells would hold what lies beyond an edge, or too few samples."""
    frame, truth = made(SMALL)
    known, better = known_film(frame), sweeps_of(frame, truth)
    dropouts = [find_dropouts(s, frame.scan.saturation) for s in frame.strips]
    worse = moved(sweeps_of(frame, truth, sigma), samples, lines)
    before = survey_frame(frame, known, worse, dropouts, ASSUMED, threads=1).alone
    again = survey_frame(frame, known, better, dropouts, ASSUMED, 1, before).surveys
    alone = survey_frame(frame, known, better, dropouts, ASSUMED, 1).surveys
    for one, two, anew in zip(before, again, alone, strict=True):
        assert one.cells.count.sum() != anew.cells.count.sum()
        np.testing.assert_array_equal(two.cells.count, anew.cells.count)


def test_a_strip_whose_wedge_was_not_seen_whole_is_looked_at_anew() -> None:
    """Better places may find it."""
    frame, truth = made(SMALL)
    known, sweeps = known_film(frame), sweeps_of(frame, truth)
    dropouts = [find_dropouts(s, frame.scan.saturation) for s in frame.strips]
    found = survey_frame(frame, known, sweeps, dropouts, ASSUMED, threads=1).alone
    before = [replace(each, curve=None, reason="no wedge could be measured") for each in found]
    assert not any(each.reason for each in survey_frame(frame, known, sweeps, dropouts, ASSUMED, 1, before).surveys)
