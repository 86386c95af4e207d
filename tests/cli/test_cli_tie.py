"""`calib tie` as a user meets it, from strips on disk to the lines for the description."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest
from calib_demo.catalogue import scenario
from calib_demo.make import make_frame
from calib_demo.modern_map import ModernMap, write_modern_map

from calib.cli.main import main
from calib.frame.read import read_frame


def calib(
    arguments: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> tuple[int, str, str]:
    """Exit status, standard output and standard error of one call."""
    monkeypatch.setattr(sys, "argv", ["calib", *arguments])
    try:
        main()
        status = 0
    except SystemExit as exit_:
        status = int(exit_.code or 0)
    out, err = capsys.readouterr()
    return status, out, err


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small frame whose stated pointing is off by its sigmas, and a map of the same ground."""
    folder = tmp_path_factory.mktemp("tie")
    small = scenario("small")
    pointing = replace(small.pointing, is_wrong=True, sigma_position_km=0.1, sigma_attitude_deg=0.05)
    truth = make_frame(replace(small, pointing=pointing), folder / "frame")
    write_modern_map(truth, ModernMap((90.0, 1.0), 1.2, margin=0.35), folder / "map.tif")
    return folder


def test_tie_says_how_far_the_pointing_was_off_and_how_to_use_the_file(package: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    out_file = package / "frame" / "found.csv"
    arguments = ["tie", str(package / "frame"), "--map", str(package / "map.tif"), "--out", str(out_file)]
    status, out, _ = calib(arguments, monkeypatch, capsys)
    assert status == 0
    for label in ("pointing was off", "residuals before", "residuals after", "points", "left out"):
        assert label in out
    lines = out.strip().splitlines()[-2:]
    assert lines == ["[control]", 'points = "found.csv"']
    with (package / "frame" / "frame.toml").open("a") as file:
        file.write("\n" + "\n".join(lines) + "\n")
    control = read_frame(package / "frame").control
    assert control is not None
    assert len(control.ids) >= 20
    assert out_file.with_suffix(".html").exists()


def test_a_mistake_is_one_line_with_status_2(package: Path, tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    arguments = ["tie", str(package / "frame"), "--map", str(tmp_path / "none.tif"), "--out", str(tmp_path / "t.csv")]
    status, out, err = calib(arguments, monkeypatch, capsys)
    assert (status, out) == (2, "")
    assert err.strip().splitlines()[-1].startswith("calib: ")
    assert "--map: found" in err
    assert not (tmp_path / "t.csv").exists()
