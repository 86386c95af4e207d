"""The small parts between the stages: columns and seams measured, figures, what was left out said in words."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.film.source import read_window
from calib.frame.remarks import Remark, worded
from calib.median import median_of
from calib.quality import OUTSIDE as OFF_FILM
from calib.run.fitting import fit
from calib.run.fitting.strip_warnings import MOST_NAMED, noticed, wedge_warnings
from calib.run.rasters.map import _middle
from calib.run.report.columns import ColumnMeans, column_means, column_spectrum
from calib.run.report.figures import _weighted, figures_of
from calib.run.report.seams import AT_ONCE, BLOCK_ROWS, MOST_ROWS, STEP_SAMPLES, _stretches, check_seams
from calib.sweep.tables import NOT_SEEN, OUTSIDE
from calib.tone.dropouts import Dropouts, LostBlock, Reason, with_blocks
from calib.tone.estimate import fit_tone
from calib.tone.model import ToneFit
from calib.tone.strokes import ASSUMED, Spot
from calib.tone.summary import curves_in_doubt
from calib.tone.tables import in_doubt, lost_tone


def test_column_means_are_those_of_the_film_and_before_is_with_the_banding(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Against the truth: the mean of the noiseless film over the same samples, to a few times the stated floor."""
    fits, truth = calibrated.result.fits, calibrated.truth
    sources = fits.sources()
    means = column_means(fits.frame, sources)
    assert np.allclose(
        means.before - means.after, np.concatenate([s.tone.column_density for s in sources]), equal_nan=True
    )
    clean, n = truth.clean_density(1), sources[1].raster.n_samples
    good = read_window(sources[1], 0, sources[1].raster.n_lines, fill_marks=False).quality == 0
    good &= (np.abs(sources[1].sweep.y_line_mm) < fits.frame.camera.format_mm[1] / 2)[:, None]
    true, found, floor = (clean * good).sum(axis=0) / good.sum(axis=0), means.after[n : 2 * n], means.floor[n : 2 * n]
    assert np.nanmedian(np.abs(found - true)) < 4 * np.nanmedian(floor)
    assert np.nanmax(means.floor) < 0.01


def test_a_strip_beside_the_format_has_no_columns_and_does_not_stop_the_run(calibrated) -> None:  # type: ignore[no-untyped-def]
    fits = calibrated.result.fits
    far = fits.sources()[0]
    far = replace(far, sweep=replace(far.sweep, y_line_mm=far.sweep.y_line_mm + 1000.0))
    assert np.isnan(column_means(fits.frame, (far,)).after).all()


def test_the_spectrum_finds_a_stripe_at_its_frequency_and_needs_columns() -> None:
    """A cosine of amplitude a under a Hann window holds the power a^2/4 times N at its own frequency."""
    at = np.arange(512)
    stripe = 0.02 * np.cos(2 * np.pi * at / 8)
    spectrum = column_spectrum(ColumnMeans(np.zeros(512), stripe, np.full(512, 0.001)))
    assert spectrum is not None
    peak = int(spectrum.before.argmax())
    assert spectrum.frequency[peak] == pytest.approx(1 / 8)
    # Hann: (sum w)^2 / sum w^2 = N / 1.5
    assert spectrum.before[peak] == pytest.approx(0.02**2 / 4 * 512 / 1.5, rel=0.01)
    assert spectrum.after.max() < 1e-20
    assert spectrum.noise_floor == pytest.approx(1e-6)
    assert column_spectrum(ColumnMeans(np.full(512, np.nan), stripe, np.full(512, np.nan))) is None


def test_strips_that_do_not_overlap_have_no_seams(calibrated) -> None:  # type: ignore[no-untyped-def]
    fits = calibrated.result.fits
    apart = tuple(
        replace(sweep, x_sample_mm=sweep.x_sample_mm + 100.0 * k) for k, sweep in enumerate(fits.sweep.sweeps)
    )
    found = check_seams(replace(fits, sweep=replace(fits.sweep, sweeps=apart)))
    assert found.jump.size == 0


def test_the_figure_counts_the_marks_that_the_warning_counts(calibrated) -> None:  # type: ignore[no-untyped-def]
    """A mark beyond its strip's edge is none that was left out, neither in the table nor in the sentence."""
    result = calibrated.result
    marks = result.fits.sweep.marks
    first, second = np.flatnonzero(marks.used)[:2]
    used, reason = marks.used.copy(), list(marks.reason)
    used[[first, second]] = False
    reason[first], reason[second] = OUTSIDE, NOT_SEEN
    changed = replace(
        result.fits, sweep=replace(result.fits.sweep, marks=replace(marks, used=used, reason=tuple(reason)))
    )
    columns = ColumnMeans(*np.zeros((3, 4)))
    before, after = (
        {figure.name: figure.value for figure in figures_of(fits, result.seams, columns)}
        for fits in (result.fits, changed)
    )
    assert after["reseau marks left out"] == before["reseau marks left out"] + 1
    assert after["reseau marks used"] == before["reseau marks used"] - 2
    said = noticed(result.fits.frame, (), changed.sweep.marks, changed.tone.patches)
    assert said[0].text.startswith(f"{after['reseau marks left out']:.0f} of ")
    assert "sightings of reseau marks" in said[0].text


def test_what_was_left_out_is_said_with_its_name(calibrated) -> None:  # type: ignore[no-untyped-def]
    frame = calibrated.result.fits.frame
    lost = Dropouts(np.array([(3, 0, 50)], np.int32), n_lines=10, n_samples=50)
    whole = Dropouts(np.zeros((0, 3), np.int32), n_lines=10, n_samples=50)
    count = MOST_NAMED + 3
    marks = SimpleNamespace(
        used=np.arange(count + 1) >= count,
        mark=np.zeros(count + 1, int),
        strip=np.full(count + 1, 2),
        reason=(NOT_SEEN, *("damaged",) * (count - 1), ""),
    )
    patches = SimpleNamespace(
        used=np.array([True, False]), strip=np.array([0, 1]), patch=np.array([0, 5]), reason=("", "clipped")
    )
    said = noticed(frame, [whole, lost], marks, patches)  # type: ignore[arg-type]
    assert said[0] == Remark("the tape dropped out at 5 % of all samples, most in strip 1 (10 %)")
    assert said[1].text.startswith(
        f"{count} of {count + 1} sightings of reseau marks left out "
        f"({count - 1} damaged, 1 not seen): {frame.marks.ids[0]} in strip 2,"
    )
    assert said[1].text.endswith("and 3 more")
    assert said[2] == Remark("1 of 1 wedge patches left out: 5 (clipped)", (1,))
    all_used = SimpleNamespace(used=np.ones(1, bool), mark=np.zeros(1, int), strip=np.zeros(1, int), reason=("",))
    beyond = SimpleNamespace(used=np.zeros(1, bool), mark=np.zeros(1, int), strip=np.zeros(1, int), reason=(OUTSIDE,))
    none_out = SimpleNamespace(used=np.ones(1, bool), strip=np.zeros(1, int), patch=np.zeros(1, int), reason=("",))
    assert noticed(frame, [whole], all_used, none_out) == ()  # type: ignore[arg-type]
    unread = LostBlock(Reason.UNREAD, range(3, 4), range(50))
    slips = [LostBlock(Reason.SLIPPED, range(*run), range(50), by) for *run, by in ((2, 5, -7), (8, 9, 30))]
    slipped = with_blocks(whole, [unread, *slips])  # said as such, not as dropouts
    lines = f"lines 2 to 4, 8 of {whole.n_lines} left out: their picture has slipped by up to 30 samples"
    remark = Remark(f"{lines} against the other lines'", (1,))
    assert noticed(frame, [whole, slipped], all_used, none_out) == (remark,)  # type: ignore[arg-type]
    assert noticed(frame, [whole, slipped], all_used, none_out, [1]) == ()  # type: ignore[arg-type]
    still = with_blocks(whole, [unread, LostBlock(Reason.STILL, range(whole.n_lines), range(7, 9))])
    why = "they stand still along the strip, so they do not show the film"
    remark = Remark(f"samples 7, 8 of all lines left out: {why}", (0,))
    assert noticed(frame, [still], all_used, none_out) == (remark,)  # type: ignore[arg-type]
    assert noticed(frame, [whole], beyond, none_out) == ()  # type: ignore[arg-type]  # no mark stands beyond the edge


def test_many_patches_left_out_are_one_short_line() -> None:
    """Of thirty patches all are accounted for, by spans."""
    reason = ("not seen",) * 8 + ("",) * 20 + ("clipped",) * 2
    patches = SimpleNamespace(
        used=np.array([not why for why in reason]), strip=np.full(30, 2), patch=np.arange(30), reason=reason
    )
    no_marks = SimpleNamespace(used=np.zeros(0, bool), reason=())
    said = noticed(None, (), no_marks, patches)  # type: ignore[arg-type]
    assert said == (Remark("10 of 30 wedge patches left out: 0 to 7 (not seen), 28, 29 (clipped)", (2,)),)


def test_a_wedge_at_odds_with_its_curves_is_said() -> None:
    """Three strips of four patches: one as the stated sigma has it, two far off, of which one is left out already."""
    residual = np.array([0.006, -0.008, 0.008, -0.004, 0.4, -0.3, 0.1, 0.2, 0.5, 0.5, 0.5, 0.5])
    patches = SimpleNamespace(
        strip=np.repeat([0, 1, 2], 4),
        used=np.arange(12) < 8,
        residual_density=residual,
        sigma_density=np.full(12, 1e-3),
    )
    (said,) = wedge_warnings(patches, 0.004)  # type: ignore[arg-type]
    assert said.strips == (1,)
    assert said.text.startswith("the wedge patches lie up to 0.4 in density off the fitted curves")
    everywhere = wedge_warnings(patches, None)  # type: ignore[arg-type]  # far more than noise alone allows
    assert everywhere[0].strips == (0, 1)
    assert wedge_warnings(patches, 0.2) == ()  # type: ignore[arg-type]
    np.testing.assert_allclose(
        curves_in_doubt(patches, 0.004, 3),  # type: ignore[arg-type]  # what is said is what sigma holds
        [0.0, np.sqrt(np.mean(residual[4:8] ** 2)), 0.0],
    )


def test_a_tone_in_doubt_holds_it_in_its_curve_and_lines() -> None:
    """Curves that lay 0.2 off their own patches had a sigma of 0.006, and thousands of pixels were silently off."""
    tone = lost_tone(5, 4, 256, "")
    made = in_doubt(tone, 0.2, np.array([0.0, 0.0, 3.0, 0.0]))
    np.testing.assert_allclose(made.curve_sigma, np.hypot(tone.curve_sigma, 0.2), rtol=1e-6)
    np.testing.assert_allclose(made.line_sigma, np.hypot(tone.line_sigma, [0.0, 0.0, 3.0, 0.0]))
    assert made.curve_sigma.dtype == np.float32


def test_what_holds_of_several_strips_is_said_once() -> None:
    """In the place of the first. What is said of strips together is not said of each, and may be said of others too."""
    strips = [SimpleNamespace(called=f"strip {k} (00{k}.tif)") for k in range(13)]
    help_ = "only 3 usable reseau marks; placed with its neighbours' help"
    remarks = [Remark(help_, (k,)) for k in (3, 5, 6, 7, 12)]
    remarks.insert(1, Remark("the tape dropped out"))
    remarks += [Remark("no wedge", (k,)) for k in (0, 1)] + [Remark("only 1 usable reseau mark", (8,))]
    remarks += [Remark("they are exchanged", pair) for pair in ((1, 2), (1, 2), (4, 5))]
    assert worded(remarks, strips) == (  # type: ignore[arg-type]
        f"strips 3, 5 to 7, 12, each: {help_}",
        "the tape dropped out",
        "strip 0 (000.tif) and strip 1 (001.tif), each: no wedge",
        "strip 8 (008.tif): only 1 usable reseau mark",
        "strip 1 (001.tif) and strip 2 (002.tif): they are exchanged",
        "strip 4 (004.tif) and strip 5 (005.tif): they are exchanged",
    )
    assert worded((), strips) == ()  # type: ignore[arg-type]


def test_a_seam_s_floor_is_noise_alone(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Doubt of place or tone is what a jump may come from: it must not excuse it."""
    fits = calibrated.result.fits
    doubtful = tuple(
        replace(sweep, sigma_x_mm=50 * sweep.sigma_x_mm, sigma_y_mm=50 * sweep.sigma_y_mm)
        for sweep in fits.sweep.sweeps
    )
    unsure = tuple(replace(tone, column_sigma=50 * tone.column_sigma) for tone in fits.tone.strips)
    doubted = replace(fits, sweep=replace(fits.sweep, sweeps=doubtful), tone=replace(fits.tone, strips=unsure))
    np.testing.assert_array_equal(check_seams(doubted).floor, check_seams(fits).floor)


def test_mark_residuals_are_held_to_what_was_stated_of_the_marks_too(calibrated) -> None:  # type: ignore[no-untyped-def]
    fits = calibrated.result.fits
    limit = next(figure.limit for figure in calibrated.result.figures if figure.name == "mark residual")
    marks, scan = fits.sweep.marks, fits.frame.scan
    alone = np.sqrt(np.mean(np.concatenate([marks.var_line[marks.used], marks.var_sample[marks.used]])))
    assert limit == pytest.approx(np.hypot(alone, fits.frame.film.reseau.sigma_mm / scan.sample_mm), rel=0.02)


def test_weak_ties_do_not_drown_the_strong_ones() -> None:
    """Two that are known to 0.01 and one that is known to 1: the figure is that of the two."""
    found, unit, limit = _weighted(np.array([0.02, -0.02, 1.5]), np.array([0.01, 0.01, 1.0]))
    assert unit == "px"
    assert found == pytest.approx(0.02, rel=0.2)
    assert limit == pytest.approx(0.01 * 1.5**0.5, rel=0.01)


def test_seams_are_told_block_by_block_down_the_format(calibrated) -> None:  # type: ignore[no-untyped-def]
    fits = calibrated.result.fits
    found, scan = check_seams(fits), fits.frame.scan
    for strip in np.unique(found.strip):
        y = found.y_mm[found.strip == strip]
        assert np.all(np.abs(y) < fits.frame.camera.format_mm[1] / 2)
        steps = np.diff(y) / (BLOCK_ROWS * scan.line_mm)
        assert np.all(steps > 0)
        assert np.median(steps) == pytest.approx(1.0)
    np.testing.assert_array_equal(check_seams(fits, threads=2).jump, found.jump)


@pytest.mark.parametrize("n_rows", [1, 300, 2048, 8100, 40_000])
def test_of_a_long_seam_stretches_down_all_of_it_are_looked_at(n_rows: int) -> None:
    firsts = list(_stretches(n_rows))
    looked_at = sum(min(AT_ONCE, n_rows - first) for first in firsts)
    assert looked_at == n_rows if n_rows <= MOST_ROWS else MOST_ROWS / 2 <= looked_at <= MOST_ROWS
    assert n_rows - firsts[-1] <= AT_ONCE * -(-n_rows // MOST_ROWS)
    assert all(first % (BLOCK_ROWS // STEP_SAMPLES) == 0 for first in firsts)


@given(values=st.lists(st.floats(-1e6, 1e6) | st.integers(0, 3).map(float), min_size=1, max_size=40))
@settings(deadline=None)
def test_the_compiled_median_is_numpys(values: list[float]) -> None:
    given_values = np.array(values)
    assert median_of(given_values) == np.median(given_values)
    assert given_values.tolist() == values
    assert np.isnan(median_of(np.zeros(0)))


def test_the_tone_is_told_the_spot_that_the_marks_show(calibrated, monkeypatch: pytest.MonkeyPatch) -> None:  # type: ignore[no-untyped-def]
    told = []

    def listening(*parts: object, spot: Spot, **options: object) -> ToneFit:
        told.append(spot)
        return fit_tone(*parts, spot=spot, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(fit, "fit_tone", listening)
    found = fit.fit_frame(calibrated.result.fits.frame)
    assert told == [Spot(found.sweep.spot_px)]
    assert found.sweep.spot_px != ASSUMED.blur_px


def test_a_block_takes_its_scale_where_it_shows_something() -> None:
    """Beyond a limb no scale is known; a block whose middle lay there was made as if a pixel spanned one sample."""
    quality = np.zeros((5, 9), np.uint16)
    at = slice(100, 105), slice(200, 209)
    assert _middle(quality, *at) == (102.0, 204.0)
    quality[:, 2:] = OFF_FILM
    assert _middle(quality, *at) == (102.0, 201.0)
