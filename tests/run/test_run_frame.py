"""One frame from strips to products: what comes out is whole, true, and the same every time."""

import hashlib
import json
import re
import shutil
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest
import rasterio
from compliance_checker.runner import CheckSuite, ComplianceChecker
from pystac.validation import validate_dict
from rio_cogeo.cogeo import cog_validate

from calib.coordinates import FilmPoints
from calib.errors import InputError
from calib.film.interpolate import Sampled
from calib.film.kernels import DEFAULT_KERNEL, KERNELS
from calib.ground.block_places import placed
from calib.ground.locate import block
from calib.light.functions import DEFAULT_MODEL, to_standard
from calib.quality import BITS, DROPOUT, FILLED, MARK, SEAM
from calib.run import frame_job
from calib.run.demo.against_truth import dropouts, film_geometry, map_places, reflectance, tone
from calib.run.frame_job import run_frame
from calib.run.progress import silent
from calib.run.rasters.map import map_block, map_maker, write_map
from calib.run.rasters.map_finish import finished
from calib.run.rasters.map_light import RATIO_TOLERANCE, light_of
from calib.run.report.seams import check_seams
from calib.run.settings import Settings

RASTERS = (
    "film/density.tif",
    "film/quality.tif",
    "map/reflectance.tif",
    "map/sigma.tif",
    "map/normal.tif",
    "map/quality.tif",
)
PRODUCTS = (*RASTERS, "fits.nc", "report.html", "item.json", "run.json")


def read(path: Path) -> np.ndarray:
    with rasterio.open(path) as file:
        return file.read(1)


def products(out: Path) -> dict[str, bytes]:
    return {p.relative_to(out).as_posix(): p.read_bytes() for p in sorted(out.rglob("*")) if p.is_file()}


def without_times(content: bytes) -> dict:
    run = json.loads(content)
    run.pop("timings")
    return run


def test_every_product_is_there_and_nothing_else(calibrated) -> None:  # type: ignore[no-untyped-def]
    assert sorted(products(calibrated.result.out)) == sorted(PRODUCTS)


def test_the_provenance_names_what_went_in_and_what_came_out(calibrated) -> None:  # type: ignore[no-untyped-def]
    """The contract's keys; the digests are those that any other tool finds."""
    out, package = calibrated.result.out, calibrated.package
    run = json.loads((out / "run.json").read_text())
    assert set(run) >= {"inputs", "versions", "settings", "timings", "figures", "warnings", "photometric_model"}
    assert set(run["products"]) == set(PRODUCTS) - {"run.json"}
    assert {"frame.toml", "reseau.csv", "strips/000.tif"} <= set(run["inputs"])
    for folder, digests in ((out, run["products"]), (package, run["inputs"])):
        for name, digest in digests.items():
            assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest


@pytest.mark.parametrize("name", RASTERS)
def test_rasters_are_cloud_optimised(calibrated, name: str) -> None:  # type: ignore[no-untyped-def]
    """Outside check: rio-cogeo's validator."""
    valid, errors, _ = cog_validate(str(calibrated.result.out / name))
    assert valid, errors


def test_the_fits_are_a_cf_file(calibrated, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    """Outside check: compliance-checker, CF 1.11."""
    CheckSuite.load_all_available_checkers()
    passed, errors = ComplianceChecker.run_checker(
        ds_loc=str(calibrated.result.out / "fits.nc"),
        checker_names=["cf:1.11"],
        verbose=0,
        criteria="normal",
        output_filename=str(tmp_path / "cf.txt"),
        output_format="text",
    )
    assert passed
    assert not errors


def test_the_item_is_valid_stac(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Outside check: pystac's core schema; extension schemas cannot be had without a network."""
    item = json.loads((calibrated.result.out / "item.json").read_text())
    validate_dict({**item, "stac_extensions": []})
    assert set(item["assets"]) >= {"reflectance", "sigma", "normal", "quality", "fits", "report"}


def test_every_nan_has_a_bit_and_filled_pixels_say_of_what(calibrated) -> None:  # type: ignore[no-untyped-def]
    out = calibrated.result.out
    for value, quality in (("film/density.tif", "film/quality.tif"), ("map/reflectance.tif", "map/quality.tif")):
        bits = read(out / quality)
        assert not (np.isnan(read(out / value)) & (bits == 0)).any()
        assert (bits & SEAM).any()
    bits = read(out / "map/quality.tif")
    assert ((bits & (MARK | FILLED)) == (MARK | FILLED)).any()
    assert np.array_equal(np.isnan(read(out / "map/reflectance.tif")), np.isnan(read(out / "map/sigma.tif")))


def test_the_film_is_where_the_marks_say(calibrated) -> None:  # type: ignore[no-untyped-def]
    """The small frame has a fifth of the demo's marks: its bound is looser than that of the demo."""
    (rms, worst) = film_geometry(calibrated.result.fits, calibrated.truth)
    assert rms.found < 0.35
    assert worst.found < 1.5
    assert rms.found < 2.0 * rms.limit


def test_the_map_is_where_the_film_says(calibrated) -> None:  # type: ignore[no-untyped-def]
    maker = map_maker(calibrated.result.fits, DEFAULT_MODEL)
    rms, _ = map_places(maker, calibrated.truth)
    assert rms.found < 0.35


def test_banding_seams_dropouts_and_reflectance(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Banding under 3x its floor, seams under 2x, reflectance within 1 %, all dropouts flagged."""
    fits, truth = calibrated.result.fits, calibrated.truth
    maker = map_maker(fits, DEFAULT_MODEL)
    (banding,) = tone(fits, maker.sources, truth, threads=2)
    assert banding.ratio is not None
    assert banding.ratio < 3
    assert check_seams(fits).ratio() < 2
    median, _, one, two = reflectance(maker, truth, calibrated.result.out, threads=2)
    assert median.found < 1.0
    assert 58 < one.found < 80
    assert 88 < two.found < 99
    flagged, mistaken = dropouts(fits, truth)
    assert flagged.found > 99.5
    assert mistaken.found < 0.05


def test_planted_dropouts_carry_their_bit_on_the_film(calibrated) -> None:  # type: ignore[no-untyped-def]
    assert (read(calibrated.result.out / "film/quality.tif") & DROPOUT).any()


def test_the_same_input_gives_the_same_bytes_for_any_number_of_threads(calibrated, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    run_frame(calibrated.package, tmp_path / "again", threads=1, overwrite=False)
    first, again = products(calibrated.result.out), products(tmp_path / "again")
    assert without_times(first.pop("run.json")) == without_times(again.pop("run.json"))
    assert [name for name in first if first[name] != again[name]] == []


def test_rounding_is_bounded_by_sigma_said_in_the_header_and_off_on_request(calibrated, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    result = calibrated.result
    write_map(result.maker, tmp_path, 2, silent, exact=True)
    sigma = read(tmp_path / "sigma.tif")
    for name in ("reflectance", "normal"):
        exact, kept = read(tmp_path / f"{name}.tif"), read(result.out / f"map/{name}.tif")
        ratio = exact / read(tmp_path / "reflectance.tif")
        assert np.array_equal(np.isnan(exact), np.isnan(kept))
        assert np.nanmax(np.abs(kept - exact) / (sigma * ratio)) < 1.001 / 16
        assert np.nanmedian(np.abs(kept - exact) / (sigma * ratio)) > 0.02
    assert np.nanmax(np.abs(read(result.out / "map/sigma.tif") / sigma - 1)) <= 1 / 128
    for path, said in (
        (tmp_path / "sigma.tif", "none"),
        (result.out / "map/sigma.tif", "each sigma is off by at most 1/"),
    ):
        with rasterio.open(path) as file:
            assert file.tags()["rounding"].startswith(said)
            assert file.tags()["kernel"] == DEFAULT_KERNEL
    settings = json.loads((result.out / "run.json").read_text())["settings"]
    assert (settings["kernel"], settings["exact"]) == (DEFAULT_KERNEL, False)


def test_a_raster_that_was_carried_away_says_what_it_is(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Frame, time and software in every header; the bits' meaning in a mask's, the model's name in normal.tif's."""
    frame = calibrated.result.fits.frame
    for path in sorted(calibrated.result.out.glob("*/*.tif")):
        with rasterio.open(path) as file:
            said = file.tags()
            assert file.units == ((None,) if path.name == "quality.tif" else ("1",))
        assert said["frame"] == frame.name
        assert datetime.fromisoformat(said["exposure"]) == frame.exposure.mid_time
        assert said["TIFFTAG_SOFTWARE"] == f"calib {version('calib')}"
        assert ("axes" in said) == (path.parent.name == "film")
        assert said.get("photometric_model") == (DEFAULT_MODEL if path.name == "normal.tif" else None)
        if path.name == "quality.tif":
            assert all(f"{bit.value} {bit.name}: {bit.meaning}" in said["quality_bits"] for bit in BITS)


def test_the_history_holds_the_sun(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Whether it was stated or computed: the reflectance hangs on it."""
    sun = json.loads((calibrated.result.out / "run.json").read_text())["sun"]
    fits = calibrated.result.fits
    assert sun["subsolar_deg"] == list(fits.sun.subsolar_deg)
    assert (sun["distance_au"], sun["illuminance_lx_1au"]) == (fits.sun.distance_au, fits.sun.illuminance_lx_1au)
    assert sun["from"] == ("the time of the exposure" if fits.frame.sun is None else "the description")


def test_light_by_tables_is_light_by_the_pixel(calibrated) -> None:  # type: ignore[no-untyped-def]
    """Factor and ratio of a block against the functions themselves at its pixels."""
    maker, at = calibrated.result.maker, (slice(100, 300), slice(90, 260))
    seen, located = placed(maker.where, *at), block(maker.where, *at)
    on = np.isfinite(located.film.x_mm)
    assert np.array_equal(np.isfinite(seen.pixels().x_mm), on)
    light = light_of(maker.factor, maker.standard, maker.where, seen, maker.light.part(*at), *at)
    assert light.pixels.size == 0
    one = Sampled(*(np.ones(on.size, np.float32) for _ in range(2)), np.zeros(on.size, np.uint16))
    made = finished(one, light, located.quality, exact=True)
    angles = (located.incidence_deg, located.emission_deg, located.phase_deg)
    ratio = made.normal / made.reflectance
    assert on.mean() > 0.5
    assert np.nanmax(np.abs(ratio / to_standard(maker.standard, *angles) - 1)[on]) < RATIO_TOLERANCE
    factor = maker.factor.exact(FilmPoints(located.film.x_mm[on], located.film.y_mm[on]))
    assert np.abs(made.reflectance[on] / factor - 1).max() < RATIO_TOLERANCE


def test_another_kernel_makes_another_map_and_an_unknown_one_is_refused_before_anything_is_written(
    calibrated, tmp_path: Path
) -> None:  # type: ignore[no-untyped-def]
    fits, at = calibrated.result.fits, (slice(100, 300), slice(90, 260))
    made = {name: map_block(map_maker(fits, DEFAULT_MODEL, name), *at) for name in KERNELS}
    noise = {name: float(np.nanmedian(block.sigma)) for name, block in made.items()}
    assert noise["bilinear"] < noise["cubic"] < noise["six-point"] < noise["lanczos"]
    with pytest.raises(ValueError, match="kernel 'sinc'"):
        run_frame(calibrated.package, tmp_path / "x", Settings(kernel="sinc"), threads=1, overwrite=False)
    assert not (tmp_path / "x").exists()


def test_a_finished_run_is_not_replaced_unasked(calibrated) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=r"--out: found the products of a finished run, expected .*--overwrite"):
        run_frame(calibrated.package, calibrated.result.out, threads=1, overwrite=False)


def test_a_folder_that_cannot_be_made_is_said(calibrated, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=r"--out: found File name too long .* expected a folder that can be made"):
        run_frame(calibrated.package, tmp_path / ("x" * 300), threads=1, overwrite=False)


def test_fits_that_fail_leave_the_folder_as_it_was(calibrated, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:  # type: ignore[no-untyped-def]
    """No empty folders; what a user had there stays; the finished run that was to be replaced is still one."""

    def fails(*_: object, **__: object) -> None:
        raise InputError("002.tif", "scan.strips", "damaged data in lines 3 to 9", "data that can be decoded")

    monkeypatch.setattr(frame_job, "fit_frame", fails)
    shutil.copytree(calibrated.result.out, tmp_path / "finished")
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("mine")
    for out in (tmp_path / "new" / "out", tmp_path / "mine", tmp_path / "finished"):
        with pytest.raises(InputError, match="damaged data"):
            run_frame(calibrated.package, out, threads=1, overwrite=True)
    assert not (tmp_path / "new").exists()
    assert [path.name for path in (tmp_path / "mine").rglob("*")] == ["notes.txt"]
    assert products(tmp_path / "finished") == products(calibrated.result.out)
    assert (tmp_path / "finished" / "run.json").exists()


def test_a_run_that_dies_leaves_no_half_product(calibrated, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:  # type: ignore[no-untyped-def]
    def dies(*_: object) -> None:
        raise KeyboardInterrupt

    out = tmp_path / "out"
    monkeypatch.setattr(frame_job, "fit_frame", lambda *_, **__: calibrated.result.fits)
    monkeypatch.setattr(frame_job, "write_fits", dies)
    with pytest.raises(KeyboardInterrupt):
        run_frame(calibrated.package, out, threads=1, overwrite=False)
    left = products(out)
    assert set(left) == set(RASTERS)
    whole = products(calibrated.result.out)
    assert all(left[name] == whole[name] for name in RASTERS)
    monkeypatch.undo()
    monkeypatch.setattr(frame_job, "fit_frame", lambda *_, **__: calibrated.result.fits)
    run_frame(calibrated.package, out, threads=2, overwrite=False)
    assert sorted(products(out)) == sorted(PRODUCTS)


def test_a_run_that_dies_over_a_finished_one_does_not_look_finished(calibrated, tmp_path: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    def dies(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    shutil.copytree(calibrated.result.out, tmp_path / "out")
    monkeypatch.setattr(frame_job, "fit_frame", lambda *_, **__: calibrated.result.fits)
    monkeypatch.setattr(frame_job, "write_film", dies)
    with pytest.raises(KeyboardInterrupt):
        run_frame(calibrated.package, tmp_path / "out", threads=1, overwrite=True)
    assert not (tmp_path / "out" / "run.json").exists()


def test_the_page_says_how_well_the_map_s_values_are_known(calibrated) -> None:  # type: ignore[no-untyped-def]
    """By pictures made smaller: nearly what all pixels of the map say."""
    with (
        rasterio.open(calibrated.result.out / "map" / "sigma.tif") as sigma,
        rasterio.open(calibrated.result.out / "map" / "reflectance.tif") as value,
    ):
        share = 100 * np.nanmedian(sigma.read(1) / value.read(1))
    page = (calibrated.result.out / "report.html").read_text()
    said = re.search(r"median ([\d.]+) % of the reflectance", page)
    assert said is not None
    assert float(said[1]) == pytest.approx(share, rel=0.1)


def test_nothing_is_written_for_a_camera_that_misses_the_moon(calibrated, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    text = (calibrated.package / "frame.toml").read_text()
    start = text.index("[pointing]")
    stop = text.index("\n[", start + 1)
    away = """[pointing]
sub_point_deg = [0.0, 0.0]
altitude_km = 60.0
tilt_deg = 170.0
tilt_azimuth_deg = 0.0
swing_deg = 180.0
"""
    package = tmp_path / "frame"
    shutil.copytree(calibrated.package, package)
    (package / "frame.toml").write_text(text[:start] + away + text[stop:])
    with pytest.raises(InputError, match="pointing: found a frame that misses the Moon"):
        run_frame(package, tmp_path / "out", threads=1, overwrite=False)
    assert not (tmp_path / "out").exists()
