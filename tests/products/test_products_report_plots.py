"""The report's plots of tone and geometry: they draw the given numbers, and are drawn for incomplete frames too."""

import csv
import re
from dataclasses import fields, replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.path import Path as Outline
from page_judge import judged
from report_scene import KINDS, scene

from calib.products import report_drawings
from calib.products.fits_pointing import PlaceUncertainty
from calib.products.report import page
from calib.products.report_checks import NORMAL_1, NORMAL_2, noise_figure, residual_figure, shares
from calib.products.report_columns import column_spectrum
from calib.products.report_curves import chosen_curves, median_curve
from calib.products.report_data import ColumnSpectrum, DensityResiduals, Globe, ReportData, SampleNoise
from calib.products.report_geometry import seam_jumps
from calib.products.report_globe import footprint_size, globe_figure, night_outline, projected
from calib.products.report_plot import _with_unique_ids, drawing, spread_indices, style
from calib.products.report_sweep import own_sweeps, sweep_curves

SNYDER = Path(__file__).parents[1] / "data" / "geometry" / "snyder_examples.csv"
ANY_PLACE = st.tuples(st.floats(-180, 180), st.floats(-90, 90))


@pytest.fixture(scope="module")
def data() -> ReportData:
    return scene()


def test_the_globe_is_the_orthographic_projection_of_the_published_example() -> None:
    """Snyder (1987), Appendix A: printed to 7 decimals."""
    lines = [line for line in SNYDER.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    (row,) = (row for row in csv.DictReader(lines) if row["id"] == "CART-10")
    center = tuple(float(re.search(rf"\+{name}=(\S+)", row["proj_string_without_R"])[1]) for name in ("lon_0", "lat_0"))
    x, y, front = projected(np.array(float(row["lon_deg_E"])), np.array(float(row["lat_deg_N"])), center)
    assert (float(x), float(y)) == pytest.approx((float(row["x_expected"]), float(row["y_expected"])), abs=6e-8)
    assert front


@given(ANY_PLACE, ANY_PLACE, st.integers(0, 10_000))
@settings(max_examples=60, deadline=None)
def test_night_is_where_the_sun_is_below_the_horizon(center, sun, seed) -> None:
    """Checks places of the near side that are at least a degree from the terminator and the limb."""
    rng = np.random.default_rng(seed)
    lon, lat = rng.uniform(-180, 180, 200), np.degrees(np.arcsin(rng.uniform(-1, 1, 200)))

    def vectors(lon_deg, lat_deg):
        lon_rad, lat_rad = np.radians(lon_deg), np.radians(lat_deg)
        return np.stack([np.cos(lat_rad) * np.cos(lon_rad), np.cos(lat_rad) * np.sin(lon_rad), np.sin(lat_rad)], -1)

    height = vectors(lon, lat) @ vectors(*sun)
    x, y, front = projected(lon, lat, center)
    plain = front & (np.abs(height) > 0.02) & (np.hypot(x, y) < 0.999)
    outline = night_outline(Globe(center, center, sun, np.zeros(1), np.zeros(1)))
    inside = Outline(outline).contains_points(np.column_stack([x, y])) if len(outline) else np.zeros(200, bool)
    assert np.array_equal(inside[plain], height[plain] < 0)


def test_a_small_footprint_has_a_near_view_and_a_wide_one_has_none(data) -> None:
    wide = replace(
        data.globe, center_deg=(0.0, 0.0), footprint_lon_deg=np.array([-40.0, 40, 40, -40]),
        footprint_lat_deg=np.array([-20.0, -20, 20, 20]),
    )  # fmt: skip
    beyond = replace(wide, footprint_lon_deg=np.array([-40.0, 100, 40, -40]))
    assert footprint_size(wide) == pytest.approx(
        np.hypot(np.cos(np.radians(20)) * np.sin(np.radians(40)), np.sin(np.radians(20)))
    )
    assert footprint_size(beyond) == 1.0
    with style():
        seen = [[ax.get_visible() for ax in globe_figure(globe).axes] for globe in (data.globe, wide, beyond)]
        assert drawing(globe_figure(beyond), "globe", "x")
    assert seen == [[True, True], [True, False], [True, False]]


@pytest.mark.parametrize("center", [(0.0, 90.0), (0.0, -90.0), (179.99, 0.0), (-180.0, 89.9)])
@pytest.mark.parametrize("size_deg", [1e-4, 0.3, 20.0])
def test_the_globe_is_drawn_at_poles_and_at_the_antimeridian(center, size_deg) -> None:
    turn = np.radians(np.arange(0, 360, 30.0))
    lat = np.clip(center[1] + size_deg * np.sin(turn), -90, 90)
    globe = Globe(center, center, (center[0], -center[1]), center[0] + size_deg * np.cos(turn), lat)
    with style():
        assert "<path" in drawing(globe_figure(globe), "globe", "x")


def test_shares_of_normal_residuals_are_those_of_the_unit_normal() -> None:
    """The binomial scatter for 200 000 is 0.1 %. A kind without residuals has no row."""
    rng = np.random.default_rng(5)
    n = 200_000
    sigma = rng.uniform(0.001, 0.1, n)
    found = shares(DensityResiduals(KINDS, rng.choice([0, 3], n), sigma, sigma * rng.normal(size=n), sigma))
    assert [share.kind for share in found] == ["wedge patches", "overlaps", "all"]
    assert found[0].count + found[1].count == found[2].count == n
    for share in found:
        assert share.within_1 == pytest.approx(NORMAL_1, abs=0.006)
        assert share.within_2 == pytest.approx(NORMAL_2, abs=0.003)
    assert pytest.approx(0.6827, abs=5e-5) == NORMAL_1


def test_a_planted_bend_shows_in_the_medians_of_its_kind() -> None:
    """Patches are 0.01 too dense at the dark end, unexposed film is correct."""
    rng = np.random.default_rng(6)
    density, kind = rng.uniform(0, 2, 8000), np.arange(8000) % 2
    off = np.where((kind == 0) & (density > 1.5), 0.01, 0.0) + 0.001 * rng.normal(size=8000)
    with style():
        ax = residual_figure(DensityResiduals(KINDS, kind, density, off, np.full(8000, 0.001))).axes[0]
        medians = {line.get_label(): line.get_xydata() for line in ax.lines if line.get_label() in KINDS}
    assert set(medians) == set(KINDS[:2])
    bent, flat = medians["wedge patches"], medians["unexposed film"]
    assert bent[bent[:, 0] > 1.6, 1] == pytest.approx(0.01, abs=4e-4)
    assert np.abs(bent[bent[:, 0] < 1.4, 1]).max() < 4e-4
    assert np.abs(flat[:, 1]).max() < 4e-4


def test_harmonics_stand_at_multiples_of_one_cycle_a_strip() -> None:
    frequency = np.fft.rfftfreq(4000)[1:]
    spectrum = ColumnSpectrum(frequency, np.ones(2000), np.ones(2000), None, 400.0)
    with style():
        plain, marked = column_spectrum(replace(spectrum, pitch_samples=None)), column_spectrum(spectrum)
        wide = column_spectrum(replace(spectrum, pitch_samples=7.0))
    at = [[line.get_xdata()[0] for line in f.axes[0].lines if len(set(line.get_xdata())) == 1] for f in (marked, plain)]
    assert at[0][:3] == pytest.approx([1 / 400, 2 / 400, 3 / 400])
    assert at[1] == []
    assert max(line.get_xdata()[0] for line in wide.axes[0].lines if len(set(line.get_xdata())) == 1) <= 0.5


def test_the_own_part_of_a_sweep_is_what_was_put_into_it(data) -> None:
    """It excludes a strip's mean, the linear sweep and the common part, and includes its own curvature."""
    at = np.linspace(-1, 1, 260)
    bend = np.array([0.0, 0.003, 0.0])[:, None] * (at**2 - np.mean(at**2))
    common = 0.02 * np.sin(2 * at)
    x = np.array([-3.2, 0.1, 3.2])[:, None] + 1.6 * at + common + bend
    found = own_sweeps(replace(data.fits.geometry, x_sample_mm=x, common_mm=common))
    assert np.abs(found - bend).max() < 1e-12


def test_the_median_curve_ends_where_the_first_curve_ends() -> None:
    """Strips without a curve are ignored; beyond a strip's end the median of the others would jump."""
    nan = np.nan
    rows = np.array([[1.0, 2, 3, 4], [3.0, 4, 5, nan], [nan] * 4, [5.0, 9, 7, 8]])
    assert np.array_equal(median_curve(rows), [3.0, 4.0, 5.0, nan], equal_nan=True)
    assert np.isnan(median_curve(np.full((2, 3), nan))).all()


def test_spread_indices_include_both_ends() -> None:
    assert spread_indices(1).tolist() == [0]
    assert spread_indices(3).tolist() == [0, 1, 2]
    assert spread_indices(10).tolist() == [0, 3, 6, 9]


def only(data: ReportData, *wanted: str) -> ReportData:
    """The page's data with only some of its fits and without pictures, which have their own tests."""
    parts = ("transfer", "banding", "drift", "geometry", "marks", "ties", "control", "uncertainty")
    fits = replace(data.fits, **{name: None for name in parts if name not in wanted})
    return replace(data, fits=fits, pairs=(), quality=(), map=None, spectrum=None, seams=None)


def without(data: ReportData, kind: int) -> ReportData:
    keep = data.residuals.kind != kind
    r = data.residuals
    return replace(
        data, residuals=DensityResiduals(r.kinds, r.kind[keep], r.density[keep], r.residual[keep], r.sigma[keep])
    )


def unknown(data: ReportData) -> ReportData:
    """A frame that could not be calibrated: tables of NaN, no residuals, no spectrum."""
    t, b, g = data.fits.transfer, data.fits.banding, data.fits.geometry
    nan = np.full(t.density.shape, np.nan)
    fits = replace(
        data.fits,
        transfer=replace(t, density=nan, sigma=nan, noise=nan, patch_used=np.zeros_like(t.patch_used)),
        banding=replace(b, common=0 * b.common, common_sigma=0 * b.common, own=0 * b.own, own_sigma=0 * b.own),
        geometry=replace(g, sigma_x_mm=g.sigma_x_mm * np.nan, sigma_y_mm=g.sigma_y_mm * np.nan),
    )
    return replace(data, fits=fits, residuals=None, noise=None, spectrum=None)


def off_the_moon(data: ReportData) -> ReportData:
    u = data.fits.uncertainty
    nan = np.full(len(u.place), np.nan)
    return replace(
        data, globe=None, map=None, fits=replace(
            data.fits, control=None, uncertainty=PlaceUncertainty(u.place, u.x_mm, u.y_mm, nan, nan, nan, nan, nan)
        ),
    )  # fmt: skip


def no_overlaps(data: ReportData) -> ReportData:
    return replace(without(data, 3), seams=None, fits=replace(data.fits, ties=None))


def few_residuals(data: ReportData) -> ReportData:
    one = np.ones(3)
    return replace(data, residuals=DensityResiduals(KINDS, np.zeros(3, int), one, 0 * one, one))


BARE = {
    "strokes without density": lambda data: without(data, 2),
    "no overlaps": no_overlaps,
    "nothing calibrated": unknown,
    "all off the Moon": off_the_moon,
    "three equal residuals": few_residuals,
    "granularity unstated": lambda data: replace(data, noise=replace(data.noise, grain_per_density=None)),
    "no patch usable": lambda data: replace(data, noise=SampleNoise(np.zeros(0), np.zeros(0), 3e-4)),
    "pointing unknown": lambda data: replace(data, fits=replace(data.fits, control=None, uncertainty=None)),
    "no fits at all": lambda data: replace(data, fits=None, residuals=None, noise=None),
}


PARTS = {
    "strokes without density": ("transfer",),
    "no overlaps": ("transfer", "ties"),
    "nothing calibrated": ("transfer", "banding", "geometry"),
    "all off the Moon": ("uncertainty",),
    "three equal residuals": (),
    "granularity unstated": ("transfer",),
    "no patch usable": ("transfer",),
    "pointing unknown": (),
}


@pytest.mark.parametrize("name", list(BARE))
def test_an_incomplete_frame_has_a_complete_page(data, name: str) -> None:
    lean = only(BARE[name](data), *PARTS[name]) if name in PARTS else replace(BARE[name](data), pairs=(), quality=())
    judge = judged(page(lean))
    assert (judge.faults, judge.open) == ([], [])


def test_the_table_of_places_marks_places_off_the_moon(data) -> None:
    lean = replace(only(data, "uncertainty"), residuals=None)
    text = page(lean)
    assert text.count("off the Moon</td>") == 1
    assert "11.3000° N" in text
    assert "31.2000° E" in text
    assert "312 m" in text
    nothing = page(replace(lean, fits=replace(lean.fits, uncertainty=None)))
    assert "that of places cannot be said" in nothing


@pytest.mark.parametrize("strips", [1, 2, 3])
def test_frames_of_few_strips_have_all_plots(strips: int) -> None:
    fits, noise = scene(strips, 300, 320).fits, None
    with style():
        for figure in (chosen_curves(fits.transfer), sweep_curves(fits.geometry, fits.line)):
            assert "<path" in drawing(figure, "few", "x")
        assert "<path" in drawing(noise_figure(fits.transfer, noise), "few", "x")


def scaled(data: ReportData, factor: float) -> ReportData:
    """Banding, drift, places and seams multiplied by a factor, which changes the lengths of numbers at the axes."""
    fits = data.fits
    times = {
        name: type(part)(**{field.name: factor * getattr(part, field.name) for field in fields(part)})
        for name, part in (("banding", fits.banding), ("drift", fits.drift), ("geometry", fits.geometry))
    }
    seams = replace(data.seams, jump=factor * data.seams.jump, noise_floor=factor * data.seams.noise_floor)
    return replace(data, fits=replace(fits, **times), seams=seams)


@pytest.mark.parametrize("factor", [0.003, 1.0, 37.0])
def test_all_texts_of_a_plot_are_inside_it_and_apart(data, factor: float) -> None:
    """Margins around axes are fixed in inches, not measured, so they must suffice for long numbers and for each row."""
    shown = scaled(data, factor)
    with style():
        made = {
            **report_drawings._tone_figures(shown.fits, shown.residuals, shown.noise),
            **report_drawings._geometry_figures(shown.fits, shown.globe),
            "seams": (seam_jumps(shown.seams), ""),
            "spectrum": (column_spectrum(shown.spectrum), ""),
        }
        for name, (figure, _) in made.items():
            figure.draw_without_rendering()
            box, whole = figure.get_tightbbox(), figure.bbox_inches
            assert min(box.x0, box.y0, whole.x1 - box.x1, whole.y1 - box.y1) > -0.01, name  # inches
            boxes = [ax.get_tightbbox() for ax in figure.axes]
            assert not any(one.overlaps(other) for one, other in combinations(boxes, 2)), name


def test_the_page_of_many_strips_stays_quick_to_load() -> None:
    """Sixty strips: all drawings together take less than three megabytes; pictures are limited in width."""
    text = page(replace(scene(60, 310, 320), pairs=(), quality=(), map=None))
    assert len(text) < 3_000_000


def test_ids_do_not_depend_on_the_last_digits_of_coordinates() -> None:
    """Drawings that look the same must have the same bytes, whatever ids the plotting library gave them (was a bug)."""
    drawn = '<g id="axes_1"><clipPath id="p{0}"><rect/></clipPath><path clip-path="url(#p{0})"/><use href="#m{0}"/></g>'
    one, two = (_with_unique_ids(drawn.format(hashed), "banding") for hashed in ("0c4d5ef8fc", "7ce39c4628"))
    assert one == two
    clip = '<clipPath id="banding-0"><rect/></clipPath><path clip-path="url(#banding-0)"/>'
    assert one == f'<g>{clip}<use href="#banding-1"/></g>'
