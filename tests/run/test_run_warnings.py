"""What a run must say although it goes on: jumping seams, missing strips, night, control that cannot be believed."""

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import ArrayLike

from calib.camera.exterior import Pose
from calib.frame.read import read_frame
from calib.frame.remarks import Remark
from calib.frame.strips import with_gap
from calib.quality import LOW_DENSITY, OUTSIDE
from calib.run import frame_job
from calib.run.fitting import fit, strip_warnings
from calib.run.fitting.first_places import FirstPlaces
from calib.run.preflight import preflight
from calib.run.rasters.map import MapPictures, map_warnings
from calib.run.rasters.previews import Preview
from calib.run.report.records import fits_file
from calib.run.report.seams import SeamCheck, seam_warnings
from calib.sweep.model import nominal_sweep
from calib.sweep.strip_order import LeftOut


def seams_of(strip: ArrayLike, jump: ArrayLike, right: ArrayLike = 0.8) -> SeamCheck:
    """Seams whose blocks differ by a jump; density of the right strip."""
    left = np.asarray(right) + np.asarray(jump)
    right = np.broadcast_to(right, left.shape)
    return SeamCheck(np.asarray(strip), np.zeros(left.size), left, np.asarray(right), np.full(left.size, 0.0025))


def test_control_points_that_nothing_checks_are_said() -> None:
    """With three points alone a blunder of 100 sigmas went into the pointing without a word."""
    pose = Pose(np.zeros(3), np.eye(3))
    free, given = pose, replace(pose, sigma_position_km=1.0, sigma_attitude_deg=1.0)

    def said_of(count: int, stated: Pose) -> list[str]:
        used = np.array([True] * count + [False])
        found = SimpleNamespace(used=used, variance_factor=1.0, pose=pose, rejected=())
        return fit._doubts(found, stated)  # type: ignore[arg-type]

    (said,) = said_of(3, free)
    assert said == "3 control points fixed the pointing with hardly a check: a blunder may go unnoticed"
    assert said_of(1, given)[0].startswith("1 control point fixed")
    assert said_of(4, free)
    assert said_of(5, free) == said_of(3, given) == []


def test_a_seam_that_jumps_is_named_and_the_others_are_not() -> None:
    seams = seams_of([0, 0, 1, 1], [0.002, -0.003, 0.030, 0.025])
    (said,) = seam_warnings(seams)
    assert said.startswith("seam between strips 1 and 2: density jumps by 11.0 times")
    assert [seams.stands_out(strip) for strip in range(3)] == [False, True, False]


def test_strips_that_show_other_film_are_told_from_one_whose_tone_jumps() -> None:
    """Differences that change with the picture all along a seam are no matter of tone: a strip lies elsewhere. Neither
    one jump of a gain, nor drift, nor what a place wrong by a little makes of the picture, nor the noise of even film
    is taken for that; and a seam of few blocks tells nothing."""
    rng = np.random.default_rng(4)
    here, there = 0.8 + 0.1 * rng.normal(size=(2, 12))
    jump, drift = np.where(np.arange(12) > 6, 0.3, 0.0), 0.3 * np.cos(np.arange(12) / 4)
    little = 0.3 * np.gradient(here)

    def is_other(difference: ArrayLike, right: ArrayLike) -> bool:
        return seams_of(np.full(np.size(right), 1), difference, right).shows_other_film(1)

    assert is_other(there - here, here)
    assert not is_other((there - here)[:4], here[:4])
    assert not any(is_other(tone, here) for tone in (jump, drift, little))
    assert not is_other(0.0025 * rng.normal(size=12), np.full(12, 0.8))
    both = seams_of([1] * 12 + [3] * 12, np.r_[there - here, here - there], np.r_[here, there])
    assert seam_warnings(both)[0].startswith(
        "two strips show different film where they should overlap, right of strips 1, 3: one of them is misplaced"
    )


def test_seams_that_mostly_jump_are_doubted_together_and_many_are_one_line() -> None:
    """No single strip's tone explains them: something is wrong with all."""

    def said_of(jumping: int, count: int) -> tuple[str, ...]:
        strip = np.arange(count)
        jump = np.where(strip < jumping, 0.03, 0.002)
        return seam_warnings(seams_of(strip, jump))

    assert len(said_of(2, 2)) == 2
    assert len(said_of(3, 6)) == 3
    together = said_of(4, 6)
    assert len(together) == 5
    assert together[0].startswith("density jumps at 4 of 6 seams: the strips' order, their direction (scan.reversed)")
    assert said_of(13, 40) == ("seams right of strips 0 to 12: density jumps by up to 12.0 times its noise",)
    assert len(said_of(40, 40)) == 2


def test_fits_say_what_their_wedge_contradicts_and_once_what_holds_of_several_strips(calibrated) -> None:  # type: ignore[no-untyped-def]
    """A run says all that the fits say, and what it finds of the seams and the map."""
    maker, seams = calibrated.result.maker, calibrated.result.seams
    known = maker.fits
    off = replace(known.tone.patches, residual_density=known.tone.patches.residual_density + 1)
    tone = replace(known.tone, patches=off, warnings=tuple(Remark("no tone", (k,)) for k in range(3)))
    fits = fit.with_pointing(known.frame, known.dropouts, known.sweep, tone)
    assert "strips 0 to 2, each: no tone" in fits.warnings
    assert any(": the wedge patches lie up to" in line for line in fits.warnings)
    jump = replace(seams, left=seams.left + 1)
    pictures = SimpleNamespace(reflectance=SimpleNamespace(picture=np.ones(1)))
    said = frame_job._warnings(replace(maker, fits=fits), SimpleNamespace(seams=jump), pictures)  # type: ignore[arg-type]
    assert said[: len(fits.warnings)] == fits.warnings
    assert said[len(fits.warnings)].startswith("density jumps at ")


def test_places_that_the_fit_does_not_know_to_the_px_are_said(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Marks at one sample of every strip leave the sweep to its prior; the sigmas told it, and no sentence did. Of a
    strip that was left out, and of one that carries nothing, nothing is said."""
    known = calibrated.result.maker.fits

    def said_of(sigma_x_px: list[float], out: Sequence[LeftOut] = ()) -> list[str]:
        scan, sweeps = known.frame.scan, known.sweep.sweeps
        sigma_mm = [np.full(sweep.n_lines, px * scan.sample_mm) for sweep, px in zip(sweeps, sigma_x_px, strict=True)]
        unsure = [replace(sweep, sigma_x_mm=each) for sweep, each in zip(sweeps, sigma_mm, strict=True)]
        sweep = replace(known.sweep, sweeps=tuple(unsure))
        fits = fit.with_pointing(known.frame, known.dropouts, sweep, known.tone, out)
        return [line for line in fits.warnings if ": film " in line]

    count = len(known.sweep.sweeps)
    assert not said_of([0.9] * count)
    tells = "(1-sigma, the median of a strip's lines): marks, wedge borders and overlaps do not determine it better"
    one, other = (known.frame.strips[k].called for k in (0, 1))
    unsure = [5.0, 2.84, *[0.1] * (count - 2)]
    assert said_of(unsure) == [f"{one} and {other}: film x is known only to 2.8 to 5 px {tells}"]
    out = [LeftOut(1, Remark("not of this frame", (1,)))]
    assert said_of(unsure, out) == [f"{one}: film x is known only to 5 px {tells}"]
    nominal = [nominal_sweep(known.frame.scan, strip) for strip in known.frame.strips]
    assert len(strip_warnings.place_warnings(known.frame, nominal, np.ones(count, bool))) == 2
    assert not strip_warnings.place_warnings(known.frame, nominal, np.zeros(count, bool))


def test_a_missing_number_among_the_strips_is_said(calibrated, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    """The strips behind the gap would lie one pitch off, and nothing in the description tells. Nothing more is said of
    it once the gap has been found."""
    package = tmp_path / "frame"
    shutil.copytree(calibrated.package, package)
    assert not any("numbered" in said for said in read_frame(package).warnings)
    for name, number in (("003", "007"), ("001", "003")):
        (package / "strips" / f"{name}.tif").rename(package / "strips" / f"{number}.tif")
    frame = read_frame(package)  # of strips 0, 2, 3, 7
    assert any("no strip is numbered 1, 4, 5, 6:" in said for said in frame.warnings)
    gapped = with_gap(frame, 1, 1, "no file holds it")
    (said,) = (said for said in gapped.warnings if "numbered" in said)
    assert said.startswith("no strip is numbered 4, 5, 6: unless something else shows a gap there, the strips before")
    assert len(gapped.warnings) == len(frame.warnings)


def test_a_frame_at_night_is_said(calibrated, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    package = tmp_path / "frame"
    shutil.copytree(calibrated.package, package)
    assert not any("Sun" in said for said in preflight(package)[1])
    lon, lat = calibrated.result.fits.sun.subsolar_deg
    text = (package / "frame.toml").read_text()
    start = text.index("subsolar_deg")
    away = f"subsolar_deg = [{(lon + 360.0) % 360.0 - 180.0}, {-lat}]"
    (package / "frame.toml").write_text(text[:start] + away + text[text.index("\n", start) :])
    assert any("the Sun is below the horizon" in said for said in preflight(package)[1])


def test_a_terrain_model_too_coarse_for_the_map_is_said(calibrated, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    """Nothing else tells that the map lies pixels off: its nodes are read as if the ground were straight between them.
    One that is fine enough is a fact and no warning."""
    package = tmp_path / "frame"
    shutil.copytree(calibrated.package, package)
    assert not any("nodes" in label for label, _ in preflight(package)[0])
    with (package / "frame.toml").open("a") as file:
        file.write('\n[terrain]\ndem = "dem.tif"\n')
    rough = np.random.default_rng(1).normal(0, 1, (180, 360)).astype(np.float32)
    said = {}
    for metres in (1.0, 500.0):
        profile = {"driver": "GTiff", "height": 180, "width": 360, "count": 1, "dtype": "float32"}
        place = {"crs": "IAU_2015:30100", "transform": Affine(1, 0, -180, 0, -1, 90)}
        with rasterio.open(package / "dem.tif", "w", **profile, **place) as file:
            file.write(metres * rough, 1)
        facts, said[metres] = preflight(package)
        assert "between the nodes move the map by" in dict(facts)["terrain nodes"]
    assert said[1.0] == ()
    (warning,) = said[500.0]
    assert warning.startswith("terrain.dem: its nodes lie 30,")
    assert "heights between the nodes move the map by" in warning


def test_what_the_first_places_say_is_not_lost(calibrated, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    """They alone see that a strip has none of its marks where others show theirs; and the frame goes on as they found
    it, with strips that are missing."""
    known = calibrated.result.fits
    frame = replace(known.frame, warnings=("as the first places found it",))
    places = FirstPlaces(frame, known.dropouts, known.sweep.sweeps, (), (Remark("it is not itself", (1,)),))
    for stage, made in {
        "first_places": places,
        "draft_tone": known.tone,
        "refine": known.sweep,
        "fit_tone": known.tone,
    }.items():
        monkeypatch.setattr(fit, stage, lambda *_, made=made, **__: made)
    found = fit.fit_frame(read_frame(calibrated.package))
    assert found.frame is frame
    assert set(found.warnings) == {
        "as the first places found it",
        f"{frame.strips[1].called}: it is not itself",
        *known.warnings,
    }


def test_an_empty_map_is_said() -> None:
    """All outside: the map lies beside the frame. Inside but without a value: nothing could be calibrated."""
    nothing = Preview(np.full((4, 4), np.nan, np.float32), {})
    beside, lost = (
        MapPictures(nothing, nothing, nothing, Preview(np.full((4, 4), bit, np.uint16), {OUTSIDE: share}))
        for bit, share in ((OUTSIDE, 1.0), (LOW_DENSITY, 0.0))
    )
    assert "beside the frame" in map_warnings(beside)[0]
    assert "nothing of this frame" in map_warnings(lost)[0]
    full = replace(lost, reflectance=Preview(np.full((4, 4), 0.1, np.float32), {}))
    assert map_warnings(full) == ()


def test_lines_that_show_other_film_are_left_out_and_all_is_fitted_anew(calibrated, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    """What is told of them only the finished fits can tell; and a strip of which most lines do is left out whole."""
    known = calibrated.result.fits
    count, n_lines = len(known.frame.strips), known.frame.strips[1].n_lines
    strange = ((), ((20, 60), (90, 95)), ((0, n_lines - 9),), *((),) * (count - 3))
    places = FirstPlaces(known.frame, known.dropouts, known.sweep.sweeps, (), ())
    tones, seen = [replace(known.tone, strange=strange), known.tone], []
    monkeypatch.setattr(fit, "first_places", lambda *_: places)
    monkeypatch.setattr(fit, "draft_tone", lambda frame, sweeps, dropouts, threads: seen.append(dropouts) or known.tone)
    monkeypatch.setattr(fit, "refine", lambda *_: known.sweep)
    monkeypatch.setattr(fit, "fit_tone", lambda *_, **__: tones.pop(0))
    found = fit.fit_frame(known.frame)
    assert not tones
    assert seen == [known.dropouts, found.dropouts]
    whole = known.dropouts[1].whole_lines()
    whole[20:60] = whole[90:95] = True
    assert (found.dropouts[1].whole_lines() == whole).all()
    assert found.dropouts[2].whole_lines().all()
    assert found.dropouts[0] is known.dropouts[0]
    one, other = (known.frame.strips[k].called for k in (1, 2))
    by = "they show different film from strip 0 and strip 2 there"
    assert f"{one}: lines 20 to 59, 90 to 94 of {n_lines} left out: {by}" in found.warnings
    assert any(line.startswith(f"{other}: left out: most of its lines show different") for line in found.warnings)
    before = [line for line in known.warnings if line.startswith("the tape")]
    assert [line for line in found.warnings if line.startswith("the tape")] in (before, []) or len(before) == 1


def test_what_a_strip_out_of_focus_smears_is_in_its_doubt_of_place(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Where the picture has slopes the map's sigma holds it; the others' sweeps stay as they are."""
    known = calibrated.result.fits
    soft = np.zeros((len(known.frame.strips), 2))
    soft[1] = 0.003, 0.004
    fits = replace(known, sweep=replace(known.sweep, soft_mm=soft))
    assert [a.sweep is b for a, b in zip(fits.sources(), known.sweep.sweeps, strict=True)] == [
        k != 1 for k in range(len(soft))
    ]
    for axis, mm in (("sigma_x_mm", 0.003), ("sigma_y_mm", 0.004)):
        before, found = getattr(known.sweep.sweeps[1], axis), getattr(fits.sources()[1].sweep, axis)
        np.testing.assert_allclose(found, np.hypot(before, mm))
    record = fits_file(fits, calibrated.result.maker.where.view, "").geometry
    assert record is not None
    assert np.array_equal(record.blur_mm, soft)  # so that a reader of fits.nc can say the same
