"""`calib bench` as a user meets it: help, one-line mistakes, the table and the file of figures."""

import json
from pathlib import Path

import pytest
from calib_command import calib

from calib.bench.figure import Figure, Reach
from calib.cli import bench_geometry, bench_tone
from calib.cli.bench import COMMANDS
from calib.run.progress import Progress


@pytest.mark.parametrize("name", COMMANDS)
def test_every_benchmark_has_help(name: str, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    status, out, _ = calib(["bench", name, "--help"], monkeypatch, capsys)
    assert status == 0
    assert "Usage" in out


@pytest.mark.parametrize("name", ["tone", "geometry"])
def test_an_unknown_scene_is_a_one_line_mistake(name: str, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    status, out, err = calib(["bench", name, "--scene", "moonless"], monkeypatch, capsys)
    assert (status, out) == (2, "")
    assert "moonless" in err
    assert len(err.splitlines()) == 1


def test_the_figures_go_to_the_table_and_to_the_file(tmp_path: Path, monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    """One line a figure, told whether it is reached; what could not be measured is null in the file."""
    seen: list[tuple[str, Path, int]] = []

    def measured(name: str, folder: Path, *, threads: int, progress: Progress) -> list[Figure]:
        seen.append((name, folder, threads))
        progress("measuring", 1.0)
        return [
            Figure(name, "banding left", 1.5, "D", Reach(high=1.2), {"rival": 30.0}),
            Figure(name, "amplitude", 99.5, "%", Reach(low=99.0)),
            Figure(name, "nothing to measure", float("nan"), "", Reach(-0.5, 0.5)),
        ]

    monkeypatch.setattr(bench_tone, "bench_tone", measured)
    out, path = tmp_path / "scenes", tmp_path / "deep" / "figures.json"
    arguments = ["bench", "tone", "--scene", "small", "--scene", "nadir", "--out", str(out), "--threads", "2"]
    status, printed, _ = calib([*arguments, "--json", str(path)], monkeypatch, capsys)
    assert status == 0
    assert seen == [("small", out / "small", 2), ("nadir", out / "nadir", 2)]
    lines = printed.splitlines()
    first = next(line for line in lines if line.startswith("banding left"))
    assert first.split() == ["banding", "left", "1.5", "D", "<=", "1.2", "no", "rival", "30"]
    assert next(line for line in lines if line.startswith("amplitude")).split()[-1] == "yes"
    rows = json.loads(path.read_text())
    assert [row["scene"] for row in rows] == ["small"] * 3 + ["nadir"] * 3
    assert rows[0]["reach"] == [None, 1.2]
    assert [row["reached"] for row in rows[:3]] == [False, True, None]
    assert rows[2]["found"] is None


def test_without_scenes_the_defaults_are_measured(monkeypatch, capsys) -> None:  # type: ignore[no-untyped-def]
    seen: list[str] = []

    def measured(name: str, folder: Path, *, threads: int, progress: Progress) -> list[Figure]:
        seen.append(name)
        return []

    monkeypatch.setattr(bench_geometry, "bench_geometry", measured)
    assert calib(["bench", "geometry"], monkeypatch, capsys)[0] == 0
    assert tuple(seen) == bench_geometry.SCENES
