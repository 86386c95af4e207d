"""`calib tie` as a user meets it: what it prints, the lines for the description, one-line mistakes."""

from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from calib_command import calib
from calib_demo.catalogue import scenario
from calib_demo.make import make_frame
from calib_demo.modern_map import ModernMap, write_modern_map
from calib_demo.truth import Truth

from calib.bench import perfect
from calib.camera.exterior import pose_of
from calib.frame.frame import Frame
from calib.frame.read import read_frame
from calib.run.fitting.fit import FrameFits
from calib.run.sunlight import sun_of
from calib.run.tie import job


@dataclass(frozen=True)
class Tied:
    folder: Path
    truth: Truth


@pytest.fixture(scope="module")
def tied(tmp_path_factory: pytest.TempPathFactory) -> Tied:
    """A small frame whose stated pointing is off by its sigmas, and a map of the same ground."""
    folder = tmp_path_factory.mktemp("tie")
    small = scenario("small")
    pointing = replace(small.pointing, is_wrong=True, sigma_position_km=0.1, sigma_attitude_deg=0.05)
    truth = make_frame(replace(small, pointing=pointing), folder / "frame")
    write_modern_map(truth, ModernMap((90.0, 1.0), 2.0, margin=0.35), folder / "map.tif")
    return Tied(folder, truth)


def perfect_fits(frame: Frame, truth: Truth) -> FrameFits:
    """What a perfect fit of places and tone would hand on; how it is fitted has its own tests."""
    parts = perfect.sources(frame, truth)
    sweep, tone = (
        SimpleNamespace(sweeps=tuple(p.sweep for p in parts), soft_mm=np.zeros((len(parts), 2))),
        SimpleNamespace(strips=tuple(p.tone for p in parts)),
    )
    pose, dropouts = pose_of(frame.pointing), tuple(p.dropouts for p in parts)
    return FrameFits(frame, dropouts, sweep, tone, pose, pose, None, sun_of(frame), ())  # type: ignore[arg-type]


def test_tie_says_how_far_the_pointing_was_off_and_how_to_use_the_file(tied: Tied, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    package = tied.folder
    monkeypatch.setattr(job, "fit_frame", lambda frame, **_: perfect_fits(frame, tied.truth))
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


def test_a_mistake_is_one_line_with_status_2(tied: Tied, tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    arguments = [
        "tie",
        str(tied.folder / "frame"),
        "--map",
        str(tmp_path / "none.tif"),
        "--out",
        str(tmp_path / "t.csv"),
    ]
    status, out, err = calib(arguments, monkeypatch, capsys)
    assert (status, out) == (2, "")
    assert err.strip().splitlines()[-1].startswith("calib: ")
    assert "--map: found" in err
    assert not (tmp_path / "t.csv").exists()
