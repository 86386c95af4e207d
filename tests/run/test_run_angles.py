"""The products that are only made when asked for, and what a run says of how well its places are known."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import netCDF4
import numpy as np
import pytest
import rasterio
from calib_demo.catalogue import scenario
from calib_demo.make import view_of as simulated_view
from rio_cogeo.cogeo import cog_validate

import calib
from calib.camera.exterior import pose_of
from calib.frame.camera import Camera
from calib.frame.pointing import PointingBySubPoint
from calib.ground.footprint import stated_covariance
from calib.ground.view import View
from calib.products.fits_pointing import PlaceUncertainty
from calib.products.stac import Asset
from calib.quality import OUTSIDE
from calib.run import frame_job
from calib.run.frame_job import run_frame
from calib.run.rasters.angles import ANGLES, angle_block, clear_angles
from calib.run.report.ellipses import PLACES, place_uncertainty
from calib.run.settings import Settings


def read(path: Path) -> np.ndarray:
    with rasterio.open(path) as file:
        return file.read(1)


@pytest.fixture(scope="module")
def with_angles(calibrated, tmp_path_factory):  # type: ignore[no-untyped-def]
    """The small frame run again with the angles, its fits taken over, its pointing's uncertainty stated."""
    fits = calibrated.result.fits
    known = replace(fits, pose=replace(fits.pose, sigma_position_km=0.3, sigma_attitude_deg=0.05))
    out = tmp_path_factory.mktemp("angles") / "out"
    patch = pytest.MonkeyPatch()
    patch.setattr(frame_job, "fit_frame", lambda *_, **__: known)
    result = run_frame(calibrated.package, out, Settings(angles=True), threads=2, overwrite=False)
    patch.undo()
    return result


def test_angles_are_rasters_on_the_grid_of_the_map(with_angles) -> None:  # type: ignore[no-untyped-def]
    """Known exactly where the ground lies in the format; outside check of the files: rio-cogeo."""
    folder = with_angles.out / "map"
    on = (read(folder / "quality.tif") & OUTSIDE) == 0
    with rasterio.open(folder / "reflectance.tif") as file:
        grid = (file.transform, file.crs, file.shape)
    for name in ANGLES:
        assert cog_validate(str(folder / f"{name}.tif"))[0]
        with rasterio.open(folder / f"{name}.tif") as file:
            assert (file.transform, file.crs, file.shape) == grid
            assert file.dtypes == ("float32",)
            assert file.units == ("degree",)
            np.testing.assert_array_equal(np.isfinite(file.read(1)), on)


def test_angles_are_those_of_the_truth(with_angles, calibrated) -> None:  # type: ignore[no-untyped-def]
    """The simulator's camera and Sun, and arithmetic written here, at scattered pixels: to 0.001 deg."""
    maker, truth = with_angles.maker, simulated_view(scenario("small"))
    random = np.random.default_rng(9)
    found = np.stack([read(with_angles.out / f"map/{name}.tif") for name in ANGLES])
    row, column = (part[random.choice(part.size, 500)] for part in np.nonzero(np.isfinite(found[0])))
    row, column = row[np.isfinite(found[0][row, column])], column[np.isfinite(found[0][row, column])]
    with rasterio.open(with_angles.out / "map/phase.tif") as file:
        east, north = file.xy(row, column)
    lon, lat = np.asarray(east) / (1737400.0 * np.pi / 180), np.asarray(north) / (1737400.0 * np.pi / 180)
    assert maker.grid.crs == "IAU_2015:30110"  # whose eastings and northings are arcs of the sphere
    zenith = _unit_of(np.radians(lon), np.radians(lat))
    sun = _unit_of(*np.radians(scenario("small").sun.subsolar_deg))
    away = truth.position_km - 1737.4 * zenith
    away /= np.linalg.norm(away, axis=-1, keepdims=True)
    cosines = (zenith @ sun, np.sum(zenith * away, axis=-1), away @ sun)
    assert row.size > 100
    for one, cosine in zip(found, cosines, strict=True):
        assert np.abs(one[row, column] - np.degrees(np.arccos(cosine))).max() < 0.001


def _unit_of(lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
    return np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)


def test_item_and_provenance_list_the_angles_only_where_they_are(with_angles, calibrated) -> None:  # type: ignore[no-untyped-def]
    for result, asked in ((with_angles, True), (calibrated.result, False)):
        item = json.loads((result.out / "item.json").read_text())
        run = json.loads((result.out / "run.json").read_text())
        assert run["settings"]["angles"] is asked
        for name in ANGLES:
            assert (name in item["assets"]) is asked
            assert (f"map/{name}.tif" in run["products"]) is asked
    digest = hashlib.sha256((with_angles.out / "map/phase.tif").read_bytes()).hexdigest()
    run = json.loads((with_angles.out / "run.json").read_text())
    item = json.loads((with_angles.out / "item.json").read_text())
    assert run["products"]["map/phase.tif"] == digest
    assert item["assets"]["phase"]["unit"] == "degree"
    assert item["assets"]["phase"]["file:checksum"] == "1220" + digest


def test_other_products_do_not_know_of_the_angles(with_angles, calibrated) -> None:  # type: ignore[no-untyped-def]
    for name in ("reflectance", "sigma", "normal", "quality"):
        first, again = (out / f"map/{name}.tif" for out in (calibrated.result.out, with_angles.out))
        assert first.read_bytes() == again.read_bytes()


def test_the_lazy_map_has_the_same_angles(with_angles) -> None:  # type: ignore[no-untyped-def]
    lunar = calib.lunar_map(with_angles.fits, angles=True)
    assert set(lunar.data_vars) - set(calib.lunar_map(with_angles.fits).data_vars) == set(ANGLES)
    made = lunar[list(ANGLES)].compute()
    for name in ANGLES:
        assert made[name].attrs["units"] == "degree"
        np.testing.assert_array_equal(made[name].values, read(with_angles.out / f"map/{name}.tif"))


def test_blocks_of_angles_do_not_depend_on_their_size(with_angles) -> None:  # type: ignore[no-untyped-def]
    whole = angle_block(with_angles.maker.where, slice(0, 300), slice(0, 300))
    part = angle_block(with_angles.maker.where, slice(101, 256), slice(37, 300))
    np.testing.assert_array_equal(part.emission, whole.emission[101:256, 37:])


def test_angles_of_an_earlier_run_are_taken_away(tmp_path: Path) -> None:
    for name in (*ANGLES, "reflectance"):
        (tmp_path / f"{name}.tif").write_bytes(b"old")
    clear_angles(tmp_path)
    clear_angles(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["reflectance.tif"]


def test_the_ellipses_are_kept_with_the_fits_and_with_the_item(with_angles, calibrated) -> None:  # type: ignore[no-untyped-def]
    """The same numbers in fits.nc and item.json; none where the uncertainty of the pointing is not stated."""
    with netCDF4.Dataset(with_angles.out / "fits.nc") as fits:
        assert tuple(fits["place_name"][:]) == PLACES
        major = np.asarray(fits["place_semi_major"][:])
    properties = json.loads((with_angles.out / "item.json").read_text())["properties"]
    corners = properties["calib:corner_uncertainty"]["corners"]
    assert [corner["corner"] for corner in corners] == list(PLACES[1:])
    kept = [properties["calib:position_uncertainty"]["semi_major_m"], *(c["semi_major_m"] for c in corners)]
    np.testing.assert_allclose(kept, major, rtol=1e-3)
    assert (major > 300).all()  # position 0.3 km, and 0.05 deg from 62 km more
    assert (major < 320).all()
    with netCDF4.Dataset(calibrated.result.out / "fits.nc") as fits:
        assert "place_semi_major" not in fits.variables


def looking(tilt_deg: float, sigma_km: float | None = 0.3) -> View:
    camera = Camera(
        focal_length_mm=60.0, principal_point_mm=(0.0, 0.0), format_mm=(40.0, 40.0), f_number=5.6, transmittance=0.8
    )
    pointing = PointingBySubPoint(
        sub_point_deg=(30.0, 10.0), altitude_km=100.0, tilt_deg=tilt_deg, tilt_azimuth_deg=90.0, swing_deg=180.0,
        sigma_position_km=sigma_km, sigma_attitude_deg=0.05,
    )  # fmt: skip
    return View(camera, pose_of(pointing))


def uncertainty(view: View, resection: object = None) -> PlaceUncertainty | None:
    return place_uncertainty(SimpleNamespace(resection=resection, pose=view.pose), view)  # type: ignore[arg-type]


def test_corners_that_miss_the_moon_say_so() -> None:
    """Looking east with the horizon in the frame; image up lies to the east."""
    found = uncertainty(looking(60.0))
    assert found is not None
    by_name = dict(zip(found.place, found.on_moon, strict=True))
    assert by_name == {
        "centre": True, "upper left": False, "upper right": False, "lower right": True, "lower left": True,
    }  # fmt: skip
    assert np.isnan(found.semi_major_m[~found.on_moon]).all()
    # an oblique view is worst known along its azimuth; meridians converge by a degree between camera and place
    assert found.azimuth_deg[0] == pytest.approx(91.0, abs=0.5)


def test_a_refined_pointing_counts_with_its_own_covariance() -> None:
    view = looking(20.0)
    given, halved = uncertainty(view), uncertainty(view, SimpleNamespace(covariance=stated_covariance(view.pose) / 4))
    assert given is not None
    assert halved is not None
    np.testing.assert_allclose(halved.semi_major_m, given.semi_major_m / 2, rtol=1e-6)


def test_without_both_sigmas_nothing_is_said() -> None:
    assert uncertainty(looking(20.0, sigma_km=None)) is None


def test_assets_of_angles_have_their_unit() -> None:
    assert all(isinstance(asset, Asset) and asset.unit == "degree" for asset in frame_job.ANGLE_ASSETS)
