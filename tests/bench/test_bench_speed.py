"""The speed benchmark: rivals do what they are said to do, ratios are taken within a round; nothing here is timed."""

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from calib.bench import speed, speed_rivals
from calib.bench.speed import Timed, figures_of, growth, in_turns
from calib.bench.speed_input import scene_of, speed_input
from calib.cli.main import commands
from calib.light.functions import DEFAULT_MODEL
from calib.run.map_product import map_maker
from calib.run.progress import silent


@pytest.mark.parametrize("mpx", [1.0, 10.0, 80.0, 640.0])
def test_a_scene_has_the_size_that_is_asked_for(mpx: float) -> None:
    scan = scene_of(mpx).scan
    assert scan.strips * 400 * scan.lines / 1e6 == pytest.approx(mpx, rel=0.001)
    assert 1.7 < scan.strips * 400 / scan.lines < 3.2


def test_every_job_runs_in_every_round_and_once_before() -> None:
    ran: list[str] = []
    found = in_turns({"a": lambda: ran.append("a"), "b": lambda: ran.append("b")}, 4, silent)
    assert (ran.count("a"), ran.count("b")) == (5, 5)
    assert {len(kind) for both in found.values() for kind in both} == {4}


def test_ratios_are_those_of_the_rounds_and_growth_that_of_the_sizes() -> None:
    """The machine halves its pace in the second round: seconds change, ratios do not."""
    others = (speed.FILM, speed.KERNEL, speed.EXACT, speed.CHAIN, speed.SPLINE, speed.CUBIC, speed.COPY)
    pace = dict.fromkeys(others, 1.0) | {speed.MAP: 3.0, speed.NODATA: 6.0, speed.FAST: 1.5}
    pace |= {speed.JOB: 3.0, speed.FITS: 1.2}
    found = {name: Timed((p, 2 * p, p), (p, p, p), 12.0) for name, p in pace.items()}
    figures = {figure.name: figure for figure in figures_of("12 Mpx", found, 1.5)}
    assert figures["whole job / warp with no-data"].found == pytest.approx(0.5)
    assert figures["whole job / warp with no-data"].reached
    assert figures["whole job / warp without no-data"].found == pytest.approx(2.0)
    assert not figures["whole job / warp without no-data"].reached
    assert figures["fits / whole job"].found == pytest.approx(0.4)
    assert not figures["fits / whole job"].reached
    assert figures[speed.MAP].found == pytest.approx(4.0)
    assert figures[speed.MAP].beside["ns/px"] == pytest.approx(250.0)
    slower = {name: Timed((2.5 * p,) * 3, (p,) * 3, 24.0) for name, p in pace.items()}
    by_size = {12.0: list(figures.values()), 24.0: figures_of("24 Mpx", slower, 1.5)}
    by_size[48.0] = figures_of("48 Mpx", {name: Timed((6 * p,) * 3, (5 * p,) * 3, 48.0) for name, p in pace.items()}, 2)
    grown = {figure.name: figure for figure in growth(by_size)}
    job = grown["whole job: cost of a pixel at 24 over that at 12 Mpx"]
    assert (job.found, job.beside["by processor time"]) == pytest.approx((1.25, 0.5))
    assert not job.reached
    fits = grown["fits: cost of a pixel at 48 over that at 12 Mpx"]
    assert (fits.found, fits.beside["by processor time"], fits.beside["s at 48 Mpx"]) == pytest.approx((1.5, 1.25, 7.2))
    assert growth({12.0: by_size[12.0]}) == []


def test_the_rival_warps_the_same_ground_onto_the_same_grid(tmp_path: Path) -> None:
    """A ready picture that is brighter to the north stays so and fills the map's grid."""
    made_of = speed_input(1.0, tmp_path, silent)
    maker = map_maker(made_of.fits, DEFAULT_MODEL)
    ready = speed_rivals.ready_picture(made_of, maker)
    ready.picture[:] = np.linspace(1.0, 0.0, len(ready.picture), dtype=np.float32)[:, np.newaxis]
    speed_rivals.warp(ready, 1, nodata=True)
    assert ready.out.shape == maker.grid.shape
    assert np.isfinite(ready.out).mean() > 0.85
    rows = np.nanmean(ready.out, axis=1)
    assert np.all(np.diff(rows[np.isfinite(rows)]) < 0)


def test_the_command_prints_and_writes_its_figures(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    timed: dict[str, Timed] = {}
    monkeypatch.setattr(
        speed, "figures_of", lambda scene, found, gb: timed.update(found) or figures_of(scene, found, gb)
    )
    told = ["bench", "speed", "--mpx", "1", "--rounds", "1", "--threads", "1", "--out", str(tmp_path / "kept")]
    done = CliRunner().invoke(commands, [*told, "--json", str(tmp_path / "found.json")])
    assert done.exit_code == 0, done.output
    rows = json.loads((tmp_path / "found.json").read_text())
    assert {row["name"] for row in rows} >= {
        speed.MAP,
        speed.NODATA,
        "peak memory, all products",
        speed.JOB,
        speed.FITS,
        "calib --help / import numpy",
    }
    assert all(row["found"] > 0 for row in rows)
    assert {len(one.seconds) for one in timed.values()} == {len(one.busy) for one in timed.values()} == {1}
    assert timed[speed.FITS].seconds[0] < timed[speed.JOB].seconds[0]
    assert sorted(p.name for p in (tmp_path / "kept" / "speed-1").iterdir()) == ["frame", "truth.npz"]
