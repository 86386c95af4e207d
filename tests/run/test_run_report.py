"""What a run gathers for the report: joined columns at their places, residuals, noise, the globe."""

from dataclasses import replace

import numpy as np
import pytest

from calib.coordinates import GroundPoints
from calib.ground.sphere import ground_to_moon
from calib.products.report_checks import noise_figure
from calib.products.report_columns import banding_profiles
from calib.products.report_drawings import fit_drawings
from calib.products.report_plot import style
from calib.products.report_tone import transfer_panels
from calib.run.report.columns import ColumnMeans, joined_columns
from calib.run.report.contents import globe_of, sample_noise, shown_seams, tone_residuals
from calib.run.report.figures import figures_of
from calib.run.report.records import fits_file
from calib.run.sunlight import center_light, light_facts
from calib.sweep.tables import OUTSIDE
from calib.tone.noise import selwyn_variance
from calib.tone.tables import lost_tone


def test_a_joined_column_is_the_nearest_sample_of_the_strip_that_serves(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Means that tell their own film place: each column has its own x, to half a sample, from one side of the cut."""
    fits = calibrated.result.fits
    sources, scan = fits.sources(), fits.frame.scan
    own_x = np.concatenate([s.sweep.x_sample_mm + np.median(s.sweep.x_line_mm) for s in sources])
    strip = np.repeat(np.arange(len(sources)), sources[0].raster.n_samples).astype(float)
    joined = joined_columns(fits.frame, sources, ColumnMeans(own_x, strip, own_x))
    x_mm = scan.first_center_mm - scan.pitch_mm / 2 + np.arange(joined.after.size) * scan.sample_mm
    known = np.isfinite(joined.after)
    assert known.mean() > 0.97
    step = max(np.diff(s.sweep.x_sample_mm).max() for s in sources)
    assert np.abs(joined.after - x_mm)[known].max() <= step / 2 * (1 + 1e-9)
    nearest = np.abs(x_mm[:, None] - scan.first_center_mm - scan.pitch_mm * np.arange(len(sources))).min(axis=1)
    away = np.abs(x_mm - scan.first_center_mm - scan.pitch_mm * joined.before)
    assert away[known] == pytest.approx(nearest[known], abs=1e-9)
    assert joined.after.size == pytest.approx(len(sources) * scan.pitch_mm / scan.sample_mm, abs=1)


def test_patches_scatter_as_the_model_of_the_samples_noise_says(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Scatter over model, patch by patch: a few per cent, the scatter of a scatter; grain as Selwyn's law has it."""
    fits = calibrated.result.fits
    found = sample_noise(fits)
    patches = fits.tone.patches
    strips = patches.strip[patches.used & np.isfinite(patches.dn)]
    model = [
        fits.tone.strips[k].noise_density[np.abs(fits.tone.strips[k].density_of_dn - level).argmin()]
        for k, level in zip(strips, found.patch_density, strict=True)
    ]
    assert found.patch_density.size > 20
    assert np.median(found.patch_scatter / np.array(model)) == pytest.approx(1.0, abs=0.03)
    scan, film = fits.frame.scan, fits.frame.film
    assert found.grain_per_density == selwyn_variance(film.granularity, scan.sample_mm * scan.line_mm)
    unstated = replace(fits, frame=replace(fits.frame, film=film.model_copy(update={"granularity": None})))
    assert sample_noise(unstated).grain_per_density is None


def test_residuals_are_those_of_the_tone_and_none_where_there_are_none(calibrated) -> None:  # type: ignore[no-untyped-def]
    fits = calibrated.result.fits
    found, all_of_them = tone_residuals(fits), fits.tone.residuals
    assert found is not None
    assert found.kinds[int(found.kind[0])] == "wedge patches"
    assert np.array_equal(found.residual, all_of_them.residual_density)
    part = {name: getattr(all_of_them, name)[:0] for name in ("strip", "kind", "density")}
    nothing = replace(all_of_them, **part, residual_density=np.zeros(0), sigma_density=np.zeros(0))
    assert tone_residuals(replace(fits, tone=replace(fits.tone, residuals=nothing))) is None


def test_the_light_at_the_centre_is_that_of_spherical_trigonometry(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Incidence by the law of cosines, azimuth by the four-part formula, from the longitudes and latitudes alone."""
    result = calibrated.result
    view, sun, frame = result.maker.where.view, result.fits.sun, result.fits.frame
    light, globe = center_light(view, sun), globe_of(result.maker)
    assert light is not None
    assert globe is not None
    lon, lat, sun_lon, sun_lat = np.radians([*globe.center_deg, *sun.subsolar_deg])
    cosine = np.sin(lat) * np.sin(sun_lat) + np.cos(lat) * np.cos(sun_lat) * np.cos(sun_lon - lon)
    assert light.incidence_deg == pytest.approx(np.degrees(np.arccos(cosine)), abs=1e-6)
    north = np.cos(lat) * np.tan(sun_lat) - np.sin(lat) * np.cos(sun_lon - lon)
    azimuth = np.degrees(np.arctan2(np.sin(sun_lon - lon), north)) % 360
    assert light.sun_azimuth_deg == pytest.approx(azimuth, abs=1e-6)
    assert abs(light.incidence_deg - light.emission_deg) <= light.phase_deg
    assert light.phase_deg <= light.incidence_deg + light.emission_deg
    said = dict(light_facts(replace(frame, sun=None), sun, view))
    assert f"incidence {light.incidence_deg:.1f}," in said["light"]
    assert said["Sun computed"].startswith(f"subsolar lon {sun.subsolar_deg[0]:.3f},")
    assert "Sun computed" not in dict(light_facts(replace(frame, sun=sun), sun, view))


def test_the_globe_is_centred_on_the_frame_below_the_camera(calibrated) -> None:  # type: ignore[no-untyped-def]
    """The footprint lies about the centre; the camera is straight above the place it is said to be above."""
    maker = calibrated.result.maker
    globe = globe_of(maker)
    assert globe is not None
    lon, lat = globe.center_deg
    assert globe.footprint_lon_deg.min() < lon < globe.footprint_lon_deg.max()
    assert globe.footprint_lat_deg.min() < lat < globe.footprint_lat_deg.max()
    place = ground_to_moon(GroundPoints(*(np.array(v) for v in globe.camera_deg), np.array(0.0)))
    up = maker.where.view.pose.position_km
    assert np.cross(place, up) / np.linalg.norm(up) == pytest.approx([0, 0, 0], abs=1e-9)
    assert globe.sun_deg == pytest.approx(maker.fits.sun.subsolar_deg)


def test_line_jitter_is_a_figure_where_there_is_any(calibrated) -> None:  # type: ignore[no-untyped-def]
    result, fits = calibrated.result, calibrated.result.fits
    for jitter, shown in ((0.0, []), (0.31, [0.31])):
        sweep = replace(fits.sweep, figures={**fits.sweep.figures, "line_jitter_px": jitter})
        made = figures_of(replace(fits, sweep=sweep), result.seams, ColumnMeans(*np.zeros((3, 4))))
        assert [figure.value for figure in made if figure.name == "line jitter"] == shown


def test_nothing_is_drawn_of_marks_of_which_nothing_is_there(calibrated) -> None:  # type: ignore[no-untyped-def]
    """They lie beyond a strip's edge, or are lost with it: what their windows seem to say is no residual."""
    fits = calibrated.result.fits
    marks = fits.sweep.marks
    reason = tuple(OUTSIDE if row in (3, 5) else each for row, each in enumerate(marks.reason))
    changed = replace(fits, sweep=replace(fits.sweep, marks=replace(marks, reason=reason)))
    shown = fits_file(changed, calibrated.result.maker.where.view, "").marks
    assert shown is not None
    for column in (shown.before_x_mm, shown.before_y_mm, shown.residual_x_mm, shown.residual_y_mm):
        assert set(np.flatnonzero(np.isnan(column))) >= {3, 5}
        assert np.isfinite(column[shown.used & ~np.isin(np.arange(len(marks)), (3, 5))]).all()


def test_patches_that_were_not_measured_have_no_digital_number(calibrated) -> None:  # type: ignore[no-untyped-def]
    """They would be drawn beside the foot of the curve."""
    fits = calibrated.result.fits
    patches = fits.tone.patches
    dn = np.where(patches.strip == 1, np.nan, patches.dn)
    changed = replace(fits, tone=replace(fits.tone, patches=replace(patches, dn=dn)))
    record = fits_file(changed, calibrated.result.maker.where.view, "")
    assert record.transfer is not None
    assert np.array_equal(record.transfer.patch_dn, dn, equal_nan=True)
    with style():
        points = [line for line in transfer_panels(record.transfer).axes[0].lines if line.get_marker() == "o"]
    drawn = np.concatenate([np.isfinite(line.get_xydata()).all(axis=1) for line in points])
    assert np.count_nonzero(drawn) == 2 * np.count_nonzero(np.isfinite(dn))  # its density, and its residual


@pytest.mark.parametrize("lost", [[1, 2], [0, 1, 2, 3]])
def test_strips_that_carry_nothing_spoil_neither_figures_nor_drawings(calibrated, lost: list[int]) -> None:  # type: ignore[no-untyped-def]
    """What is said of all strips is said of those that carry something, and no curve of theirs is made up."""
    result, whole = calibrated.result, calibrated.result.fits
    tones = list(whole.tone.strips)
    for k in lost:
        raster = whole.frame.strips[k]
        tones[k] = lost_tone(raster.n_samples, raster.n_lines, tones[k].density_of_dn.size, "all of it dropped out")
    fits = replace(whole, tone=replace(whole.tone, strips=tuple(tones)))
    others = [k for k in range(len(tones)) if k not in lost]
    found = {figure.name: figure.value for figure in figures_of(fits, result.seams, ColumnMeans(*np.zeros((3, 4))))}
    record = fits_file(fits, result.maker.where.view, "")
    assert record.transfer is not None
    assert record.banding is not None
    assert record.drift is not None
    for table in (record.transfer.density, record.banding.own, record.banding.own_sigma, record.drift.density):
        assert np.flatnonzero(np.isfinite(table).any(axis=1)).tolist() == others
    drawn = fit_drawings(record, None, None, None)
    assert ("noise" in drawn) == bool(others)
    if not others:
        assert not {"film place", "column known to", "banding taken out"} & found.keys()
        return
    sigma = np.concatenate([tones[k].column_sigma for k in others])
    assert found["column known to"] == pytest.approx(np.sqrt(np.mean(sigma**2)))
    sweeps, scan = [whole.sweep.sweeps[k] for k in others], fits.frame.scan
    in_px = np.concatenate([(s.sigma_x_mm / scan.sample_mm, s.sigma_y_mm / scan.line_mm) for s in sweeps], axis=None)
    assert found["film place"] == pytest.approx(np.sqrt(np.mean(in_px**2)))
    with style():
        (model,) = noise_figure(record.transfer, None).axes[0].lines
        assert np.isfinite(model.get_ydata()).sum() > 100  # of 160 densities
        profiles = banding_profiles(record.banding).axes[1].get_legend_handles_labels()[1]
    assert profiles == [f"strip {k}" for k in others]


def test_the_page_marks_the_seams_that_are_warned_of(calibrated) -> None:  # type: ignore[no-untyped-def]
    seams = calibrated.result.seams
    jump = np.where(seams.strip == 1, 100.0, 0.1) * seams.floor
    shown = shown_seams(calibrated.result.fits, replace(seams, left=seams.right + jump))
    assert shown is not None
    assert shown.stands_out.tolist() == [False, True, False]
