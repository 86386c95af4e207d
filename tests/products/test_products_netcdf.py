"""fits.nc: checked by the CF compliance checker, read back by xarray, the same bytes each time."""

import json
import subprocess
import sys
import time

import netCDF4
import numpy as np
import pytest
import xarray as xr

from calib.products.fits import (
    Banding,
    Drift,
    FitsFile,
    MarkResiduals,
    ScanGeometry,
    TieResiduals,
    TransferCurves,
    write_fits,
)
from calib.products.fits_pointing import ControlResiduals, PlaceUncertainty, Pointing
from calib.products.netcdf import Variable, write_netcdf

STRIPS, SAMPLES, LINES = 3, 20, 12
CHECK = """
import sys
from compliance_checker.runner import CheckSuite, ComplianceChecker
CheckSuite.load_all_available_checkers()
for name in sys.argv[1:]:
    ComplianceChecker.run_checker(name, ["cf:1.11"], 0, "strict", output_filename=name + ".json", output_format="json")
"""


def whole_file() -> FitsFile:
    rng = np.random.default_rng(5)

    def some(*shape):
        return rng.normal(size=shape)

    def table(n):
        return np.arange(n) % STRIPS

    line = np.arange(0, 2 * LINES, 2)
    n_lines = np.array([24, 24, 17])
    beyond = line[None, :] >= n_lines[:, None]

    def along():
        return np.where(beyond, np.nan, some(STRIPS, LINES))

    curves = [np.sort(some(STRIPS, 16), axis=1) for _ in range(3)]
    return FitsFile(
        frame="tern2-0143",
        history="calib 0.1.0: calib run",
        n_lines=n_lines,
        line=line,
        pointing=Pointing(
            some(3), np.array([1.0, 0, 0, 0]), some(3) ** 2, some(3) ** 2, np.eye(6), some(3), np.array([0.9, 0.0, 3.0])
        ),
        transfer=TransferCurves(
            np.arange(0, 256, 16), *curves, np.array([3, 3, 3]), np.array([250, 250, 240]),
            table(9), some(9), some(9), some(9), some(9), some(9) > 0,
        ),
        banding=Banding(some(SAMPLES), some(SAMPLES), some(STRIPS, SAMPLES), some(STRIPS, SAMPLES)),
        drift=Drift(along(), along()),
        geometry=ScanGeometry(
            some(STRIPS, SAMPLES), along(), along(), some(STRIPS, SAMPLES), along(), along(), *(some(SAMPLES),) * 2,
            some(STRIPS, 2),
        ),
        marks=MarkResiduals(
            table(4), ["m1", "m2", "m3", "m4"], *(some(4) for _ in range(10)),
            np.array([True, True, False, True]), ["", "", "cut by the strip's edge", ""],
        ),
        ties=TieResiduals(table(30), *(some(30) for _ in range(6)), some(30) > 0),
        control=ControlResiduals(["c1", "c2"], *(some(2) for _ in range(7)), np.array([True, False])),
        uncertainty=PlaceUncertainty(
            ["centre", "upper left"], some(2), some(2), *(np.array([v, np.nan]) for v in (21.4, 3.1, 412, 300, 77.0))
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    path = tmp_path_factory.mktemp("fits") / "fits.nc"
    write_fits(path, whole_file())
    return path


def faults(verdict) -> set[tuple[str, str]]:
    found = json.loads(verdict.read_text())["cf:1.11"]
    levels = ("high_priorities", "medium_priorities")
    return {(one["name"], message) for level in levels for one in found[level] for message in one["msgs"]}


def test_cf_compliance_checker_finds_no_fault(file, tmp_path):
    """An independent check: compliance-checker with its own tables of CF 1.11, no network.

    A faulty file shows that it does find faults.
    """
    faulty = tmp_path / "faulty.nc"
    write_netcdf(faulty, {}, [Variable("a", ("line",), np.zeros(3), "a", "furlongs per moon")])
    command = [sys.executable, "-W", "ignore", "-c", CHECK, str(file), str(faulty)]
    subprocess.run(command, check=True, timeout=120)
    assert faults(file.with_name("fits.nc.json")) == set()
    assert any("furlongs" in message for _, message in faults(faulty.with_name("faulty.nc.json")))


def test_xarray_reads_back_what_was_written(file):
    fits = whole_file()
    with xr.open_dataset(file) as read:
        assert read.attrs["Conventions"] == "CF-1.11"
        assert np.array_equal(read.transfer_density, fits.transfer.density)
        assert np.array_equal(read.y_line, fits.geometry.y_line_mm, equal_nan=True)
        assert np.array_equal(np.stack([read.blur_x, read.blur_y], axis=1), fits.geometry.blur_mm)
        assert np.isnan(read.drift_density.sel(strip=2, line=18))
        assert np.isfinite(read.drift_density.sel(strip=2, line=16))
        assert list(read.mark_reason.values) == list(fits.marks.reason)
        assert list(read.mark_used.values) == [1, 1, 0, 1]
        assert read.camera_position.attrs["units"] == "km"
        assert read.camera_velocity.attrs["units"] == "km s-1"
        assert list(read.place_name.values) == ["centre", "upper left"]
        assert list(read.place_on_moon.values) == [1, 0]
        assert read.place_semi_major[0] == 412
        assert np.isnan(read.place_semi_major[1])
        assert {"place_longitude", "place_latitude"} <= set(read.place_semi_major.coords)


def test_the_same_fits_give_the_same_bytes(file, tmp_path):
    time.sleep(1.1)  # a time stamp would have whole seconds
    write_fits(tmp_path / "again.nc", whole_file())
    assert (tmp_path / "again.nc").read_bytes() == file.read_bytes()


def test_sections_without_values_are_left_out(tmp_path):
    fits = FitsFile("x", "h", np.array([5]), np.arange(5), Pointing(np.ones(3), np.array([1.0, 0, 0, 0])))
    write_fits(tmp_path / "fits.nc", fits)
    with netCDF4.Dataset(tmp_path / "fits.nc") as read:
        assert set(read.variables) == {"strip", "n_lines", "line", "camera_position", "camera_to_moon"}


def test_a_frame_without_ties_can_be_written(tmp_path):
    none = TieResiduals(np.zeros(0, int), *(np.zeros(0) for _ in range(6)), np.zeros(0, bool))
    pointing = Pointing(np.ones(3), np.array([1.0, 0, 0, 0]))
    write_fits(tmp_path / "fits.nc", FitsFile("x", "h", np.array([5]), np.arange(5), pointing, ties=none))
    with netCDF4.Dataset(tmp_path / "fits.nc") as read:
        assert read["tie_x"].shape == (0,)


def test_a_contradicting_shape_is_an_error_that_names_the_variable(tmp_path):
    variables = [Variable("a", ("line",), np.zeros(3), "a"), Variable("b", ("line",), np.zeros(4), "b")]
    with pytest.raises(ValueError, match="b: has 4 along line, variables before it have 3"):
        write_netcdf(tmp_path / "x.nc", {}, variables)
    assert list(tmp_path.iterdir()) == []
