"""The command line as a user meets it: help, one-line mistakes with exit status 2, and the stand-alone uses."""

import errno
import os
import re
import signal
import subprocess
import sys
import warnings
from pathlib import Path
from types import SimpleNamespace

import click
import numpy as np
import pytest
import rasterio
from affine import Affine
from calib_command import calib
from calib_demo.catalogue import scenario
from calib_demo.make import make_frame
from click.testing import CliRunner
from scipy.ndimage import gaussian_filter

from calib.cli import main as main_module
from calib.cli import unband as unband_module
from calib.cli.main import COMMANDS
from calib.cli.options import settings_options
from calib.run.settings import Settings


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cli") / "frame"
    make_frame(scenario("small"), folder)
    return folder


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(name: str, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    status, out, _ = calib([name, "--help"], monkeypatch, capsys)
    assert status == 0
    assert "Usage" in out


def test_the_list_of_commands_imports_no_heavy_library() -> None:
    """Help must be quick: none of the libraries that take a tenth of a second may be loaded for it."""
    code = (
        "import sys; sys.argv=['calib','--help']\nimport calib.cli.main as m\ntry: m.main()\nexcept SystemExit: pass\n"
    )
    heavy = "print([n for n in ('numpy','scipy','xarray','rasterio','numba','matplotlib','dask') if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code + heavy], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_run_begins_without_what_only_its_report_needs() -> None:
    code = "import sys, calib.cli.run; print([n for n in ('matplotlib','jinja2','PIL') if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_check_says_what_it_sees(package: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    status, out, err = calib(["check", str(package)], monkeypatch, capsys)
    assert (status, err) == (0, "")
    for label in ("strips", "step wedge", "reseau", "footprint", "map grid", "map products"):
        assert label in out


def test_each_mistake_is_one_line_with_status_2(package: Path, tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    broken = tmp_path / "frame.toml"
    broken.write_text((package / "frame.toml").read_text().replace("focal_length_mm", "focal_length_cm"))
    status, out, err = calib(["run", str(broken), "--out", str(tmp_path / "out")], monkeypatch, capsys)
    assert status == 2
    assert out == ""
    misspelt, missing = (line for line in err.splitlines() if "expected" in line)
    assert misspelt.startswith(f"calib: {broken}: camera.focal_length_cm: found an unknown key")
    assert missing.startswith(f"calib: {broken}: camera.focal_length_mm: found nothing")
    assert not (tmp_path / "out").exists()


def density_raster(path: Path, values: np.ndarray, sample_mm: float) -> None:
    rows, columns = values.shape
    transform = Affine(sample_mm, 0, -columns / 2 * sample_mm, 0, sample_mm, -rows / 2 * sample_mm)
    with rasterio.open(
        path, "w", driver="GTiff", height=rows, width=columns, count=1, dtype="float32", transform=transform
    ) as file:
        file.write(values.astype(np.float32), 1)


CAMERA = """[camera]
focal_length_mm = 100.0
principal_point_mm = [0.0, 0.0]
format_mm = [2.0, 2.0]
f_number = 5.6
transmittance = 0.9
"""
STRAIGHT_DOWN = """[pointing]
sub_point_deg = [10.0, 0.0]
altitude_km = 100.0
tilt_deg = 0.0
tilt_azimuth_deg = 0.0
swing_deg = 180.0
"""


def test_reflectance_of_a_plain_image_is_the_contracts_formula(tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    """Density 1 on a straight curve of gamma 1 is log H = 0: rho = 4 N2 d2 / (E T t) on the axis."""
    density_raster(tmp_path / "d.tif", np.ones((101, 101)), 0.01)
    (tmp_path / "how.toml").write_text(
        "shutter_s = 0.02\n"
        + CAMERA
        + "[characteristic]\nlog_exposure = [-1.0, 0.0, 1.0]\ndensity = [0.0, 1.0, 2.0]\n"
        + "[sun]\nsubsolar_deg = [0.0, 0.0]\ndistance_au = 1.0\nilluminance_lx_1au = 128000.0\n"
    )
    arguments = ["reflectance", str(tmp_path / "d.tif"), str(tmp_path / "how.toml"), "--out", str(tmp_path / "r.tif")]
    assert calib(arguments, monkeypatch, capsys)[0] == 0
    with rasterio.open(tmp_path / "r.tif") as file:
        found = file.read(1)
    assert found[50, 50] == pytest.approx(4 * 5.6**2 / (128000 * 0.9 * 0.02), rel=1e-6)
    assert found[0, 0] > found[50, 50]  # cos^4: the corner got less light


def test_how_much_of_a_result_holds_a_value_is_said(tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    """A quarter of the densities lie beyond the curve; a map beside the image holds nothing, and was silent."""
    density = np.ones((100, 100))
    density[:25] = 3.0
    density_raster(tmp_path / "d.tif", density, 0.01)
    (tmp_path / "how.toml").write_text(
        "shutter_s = 0.02\n"
        + CAMERA
        + "[characteristic]\nlog_exposure = [-1.0, 0.0, 1.0]\ndensity = [0.0, 1.0, 2.0]\n"
        + "[sun]\nsubsolar_deg = [0.0, 0.0]\ndistance_au = 1.0\nilluminance_lx_1au = 128000.0\n"
    )
    paths = [str(tmp_path / name) for name in ("d.tif", "how.toml", "r.tif")]
    _, out, _ = calib(["reflectance", *paths[:2], "--out", paths[2]], monkeypatch, capsys)
    assert "(75.0 % of its pixels hold a value)" in out
    assert "outside the densities of the characteristic curve, 0 to 2" in out
    (tmp_path / "where.toml").write_text(
        CAMERA
        + STRAIGHT_DOWN
        + '[map]\ncrs = "+proj=eqc +R=1737400"\npixel_m = 100.0\nbounds = [600000.0, 0.0, 601000.0, 1000.0]\n'
    )
    _, out, err = calib(
        ["to-map", paths[0], str(tmp_path / "where.toml"), "--out", str(tmp_path / "m.tif")], monkeypatch, capsys
    )
    assert "the map holds no value" in out + err


def test_a_plain_image_is_put_on_the_map(tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    """Straight down with north up: columns run east, rows south, the scale is altitude over focal length."""
    row, column = np.mgrid[:101, :101]
    density_raster(tmp_path / "i.tif", row + column / 1000.0, 0.01)
    (tmp_path / "how.toml").write_text(CAMERA + STRAIGHT_DOWN + "[map]\npixel_m = 10.0\n")
    arguments = ["to-map", str(tmp_path / "i.tif"), str(tmp_path / "how.toml"), "--out", str(tmp_path / "m.tif")]
    assert calib(arguments, monkeypatch, capsys)[0] == 0
    with rasterio.open(tmp_path / "m.tif") as file:
        found, (x, y) = file.read(1), (np.radians(10.0) * 1737400.0, 0.0)
        at_row, at_column = ~file.transform @ (x, y)
    middle = found[int(at_column), int(at_row)]
    assert middle == pytest.approx(50 + 0.05, abs=0.6)
    assert np.isfinite(found).sum() > 95 * 95
    south = found[int(at_column) + 20, int(at_row)]
    assert south - middle == pytest.approx(20.0, abs=0.05)


def test_unbanding_takes_out_the_pattern_and_shows_it(tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    """A known pattern of pitch 40 on rough ground: little of it is left, and the type is the input's own."""
    chance = np.random.default_rng(5)
    ground = (
        gaussian_filter(chance.standard_normal((600, 400)), 4) * 800 + 20_000 + 40 * chance.standard_normal((600, 400))
    )
    pattern = np.tile(chance.standard_normal(40), 10) * 60
    image = np.rint(ground + pattern).astype(np.uint16)
    with rasterio.open(
        tmp_path / "b.tif",
        "w",
        driver="GTiff",
        height=600,
        width=400,
        count=1,
        dtype="uint16",
        transform=Affine.scale(2),
    ) as file:
        file.write(image, 1)
    arguments = ["unband", str(tmp_path / "b.tif"), "--out", str(tmp_path / "u.tif")]
    status, out, _ = calib(arguments, monkeypatch, capsys)
    assert status == 0
    assert float(re.search(r"the banding repeats every ([\d.]+) columns", out)[1]) == pytest.approx(40, abs=0.1)
    with rasterio.open(tmp_path / "u.tif") as file, rasterio.open(tmp_path / "u.pattern.tif") as taken:
        assert file.dtypes == ("uint16",)
        left = (file.read(1).astype(float) - ground).mean(axis=0)
        removed = taken.read(1)[0]
        assert taken.descriptions == ("banding taken out of each column",)
    assert left.std() < 0.35 * pattern.std()
    assert np.corrcoef(removed, pattern)[0, 1] > 0.95


def write_nowhere(path: Path, values: np.ndarray) -> None:
    """A raster without a transform."""
    rows, columns = values.shape
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with rasterio.open(
            path, "w", driver="GTiff", height=rows, width=columns, count=1, dtype=values.dtype.name
        ) as file:
            file.write(values, 1)


def test_unbanding_an_image_that_lies_nowhere_is_no_matter(tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    """The raster library warned of it in its own words, once for each file; a warning fails a test here."""
    write_nowhere(tmp_path / "b.tif", np.random.default_rng(1).integers(90, 110, (90, 80)).astype(np.uint8))
    status, _, err = calib(["unband", str(tmp_path / "b.tif"), "--out", str(tmp_path / "u.tif")], monkeypatch, capsys)
    assert status == 0
    assert "Warning" not in err


def test_unbanding_that_finds_nothing_says_so(tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    found = SimpleNamespace(share=0.0004, period=40.0)
    monkeypatch.setattr(unband_module, "unband_file", lambda *_, **__: found)
    (tmp_path / "b.tif").write_bytes(b"")
    status, out, _ = calib(["unband", str(tmp_path / "b.tif"), "--out", str(tmp_path / "u.tif")], monkeypatch, capsys)
    assert status == 0
    assert "(no banding found; 0.0 % of the columns' variance taken out)" in out


def test_an_image_without_a_place_on_the_film_is_a_mistake(tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    write_nowhere(tmp_path / "i.tif", np.ones((8, 8), np.float32))
    (tmp_path / "how.toml").write_text(CAMERA + STRAIGHT_DOWN)
    arguments = ["to-map", str(tmp_path / "i.tif"), str(tmp_path / "how.toml"), "--out", str(tmp_path / "m.tif")]
    status, _, err = calib(arguments, monkeypatch, capsys)
    assert status == 2
    assert "transform" in err
    assert "--sample-mm" in err


def test_an_image_that_lies_nowhere_is_put_on_the_film_without_a_warning(tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    """The raster library warned, when the pixels were read, of what `--sample-mm` had answered."""
    write_nowhere(tmp_path / "i.tif", np.ones((40, 40), np.float32))
    (tmp_path / "how.toml").write_text(CAMERA + STRAIGHT_DOWN)
    paths = [str(tmp_path / name) for name in ("i.tif", "how.toml", "m.tif")]
    arguments = ["to-map", *paths[:2], "--out", paths[2], "--sample-mm", "0.05"]
    status, _, err = calib(arguments, monkeypatch, capsys)
    assert status == 0
    assert "Warning" not in err


def test_an_interrupted_command_dies_of_the_interrupt() -> None:
    """Status 1 is that of a batch with failed frames; and a shell's loop ends only if what it called died of Ctrl-C.
    Where the tests run in the background their shell has had interrupts ignored."""
    code = (
        "import os, signal, sys, click, calib.cli.main as m\nsys.argv = ['calib', 'run']\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "m.commands.get_command = lambda *_: click.Command('run', callback=lambda: os.kill(os.getpid(), 2))\nm.main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (done.returncode, done.stderr.strip()) == (-signal.SIGINT, "calib: interrupted")


def test_a_disk_that_is_full_is_one_line(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """The products that stand are whole; other failures of the system are not taken for it."""

    def fails(error: int) -> None:
        def write(**_: object) -> None:
            raise OSError(error, os.strerror(error), "out/film/density.tif")

        monkeypatch.setattr(main_module, "commands", write)
        main_module.main()

    with pytest.raises(SystemExit, match="2"):
        fails(errno.ENOSPC)
    said = "calib: found No space left on device (out/film/density.tif), expected room for all that is written\n"
    assert capsys.readouterr().err == said
    with pytest.raises(OSError, match="Bad file descriptor"):
        fails(errno.EBADF)


def test_every_setting_of_the_command_line_reaches_the_job() -> None:
    """A flag that was not passed on would change nothing, and no one would notice."""
    told: list[Settings] = []
    command = click.command()(settings_options(lambda settings: told.append(settings)))
    for arguments in ([], ["--standard", "hapke", "--angles", "--kernel", "cubic", "--exact"]):
        assert CliRunner().invoke(command, arguments).exit_code == 0
    assert told == [Settings(), Settings(standard="hapke", angles=True, kernel="cubic", exact=True)]
