"""The speed benchmark: rivals do what they are said to do, ratios are taken within a round; nothing here is timed."""

import json
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner

from calib.bench import growth as growing
from calib.bench import speed, speed_rivals, workers
from calib.bench.growth import growth
from calib.bench.own_jobs import FILM, FITS, JOB, MAP, Timed, in_turns
from calib.bench.speed import figures_of
from calib.bench.speed_input import scene_of, speed_input
from calib.cli.main import commands
from calib.errors import CalibError
from calib.frame.read import read_frame
from calib.light.functions import DEFAULT_MODEL
from calib.run.progress import Progress, silent
from calib.run.rasters.map import map_maker


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


def test_ratios_are_those_of_the_rounds() -> None:
    """The machine halves its pace in the second round: seconds change, ratios do not."""
    others = (FILM, speed.KERNEL, speed.EXACT, speed.CHAIN, speed.SPLINE, speed.CUBIC, speed.COPY)
    pace = dict.fromkeys(others, 1.0) | {MAP: 3.0, speed.NODATA: 6.0, speed.FAST: 1.5}
    pace |= {JOB: 3.0, FITS: 1.2}
    found = {name: Timed((p, 2 * p, p), (p, p, p), 12.0) for name, p in pace.items()}
    figures = {figure.name: figure for figure in figures_of("12 Mpx", found, 1.5)}
    assert figures["whole job / warp with no-data"].found == pytest.approx(0.5)
    assert figures["whole job / warp with no-data"].reached
    assert figures["whole job / warp without no-data"].found == pytest.approx(2.0)
    assert not figures["whole job / warp without no-data"].reached
    assert figures["fits / whole job"].found == pytest.approx(0.4)
    assert not figures["fits / whole job"].reached
    assert figures[MAP].found == pytest.approx(4.0)
    assert figures[MAP].beside["ns/px"] == pytest.approx(250.0)


def test_growth_is_that_of_the_rounds_by_pixel() -> None:
    """The machine halves its pace in the second round for both sizes: seconds change, the ratio does not."""
    jobs = (JOB, FITS, MAP, FILM)
    small = {name: Timed((1.0, 2.0, 1.0), (1.0, 1.0, 1.0), 12.0) for name in jobs}
    large = {name: Timed((3.0, 6.0, 3.0), (2.5, 2.5, 2.5), 24.0) for name in jobs}
    largest = {name: Timed((4.2, 8.4, 4.2), (4.0, 4.0, 4.0), 48.0) for name in jobs}
    grown = {figure.name: figure for figure in growth({24.0: large, 12.0: small, 48.0: largest})}
    job = grown["whole job: cost of a pixel at 24 over that at 12 Mpx"]
    assert (job.found, job.beside["by processor time"], job.beside["s at 24 Mpx"]) == pytest.approx((1.5, 1.25, 3.0))
    assert not job.reached
    assert grown["whole job: cost of a pixel at 48 over that at 12 Mpx"].found == pytest.approx(1.05)
    assert grown["fits: cost of a pixel at 48 over that at 12 Mpx"].reached is None
    assert growth({12.0: small}) == []


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


def test_growth_has_all_sizes_in_the_same_turns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each size's jobs run in every round, and its figures are made of its own times."""
    ran: list[tuple[str, float]] = []

    def own(mpx: float, folder: Path, threads: int, _: Progress) -> SimpleNamespace:
        assert (folder, threads) == (tmp_path / f"speed-{mpx:g}", 1)
        jobs = {name: partial(ran.append, (name, mpx)) for name in (JOB, MAP, FILM)}

        def timed(seconds: dict[str, tuple[tuple[float, ...], tuple[float, ...]]]) -> dict[str, Timed]:
            assert {len(wall) for wall, _ in seconds.values()} == {2}
            return {name: Timed((mpx,) * 2, (mpx,) * 2, mpx) for name in (*seconds, FITS)}

        return SimpleNamespace(jobs=jobs, timed=timed, clear=lambda: None)

    monkeypatch.setattr(growing, "OwnJobs", SimpleNamespace(on=own))
    told = ["bench", "growth", "--mpx", "3", "--mpx", "2", "--rounds", "2", "--threads", "1", "--out", str(tmp_path)]
    done = CliRunner().invoke(commands, [*told, "--json", str(tmp_path / "found.json")])
    assert done.exit_code == 0, done.output
    assert {turn: ran.count(turn) for turn in ran} == {
        (name, mpx): 3 for name in (JOB, MAP, FILM) for mpx in (2.0, 3.0)
    }
    rows = json.loads((tmp_path / "found.json").read_text())
    assert [row["name"].split(":")[0] for row in rows] == [JOB, FITS, MAP, FILM]
    assert all(row["found"] == 1.0 for row in rows)


def test_a_batch_is_run_by_one_worker_and_by_two_in_turns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The commands that would be run, on frames that differ, and the median of the rounds' ratios."""
    ran: list[list[str]] = []

    def run(told: list[str], **_: bool) -> SimpleNamespace:
        ran.append(told[3:])
        return SimpleNamespace(returncode=len(ran) == 5, stderr="no room\n")

    monkeypatch.setattr(workers.subprocess, "run", run)
    (figure,) = workers.bench_workers("small", tmp_path, frames=2, rounds=1)
    assert sorted(told[told.index("--workers") + 1] for told in ran) == ["1", "1", "2", "2"]
    assert all(told[0] == "batch" and told[-2:] == ["--threads", "1"] for told in ran)
    listed = [tmp_path / line for line in Path(ran[0][1]).read_text().split()]
    frames = [read_frame(package / "frame.toml") for package in listed]
    assert len({frame.name for frame in frames}) == 2
    assert not np.array_equal(frames[0].strips[0].read(0, 50), frames[1].strips[0].read(0, 50))
    assert figure.name == "one worker / two workers"
    with pytest.raises(CalibError, match="no room"):
        workers.bench_workers("small", tmp_path, frames=2, rounds=1)
    busy = (9.0, 9.0, 9.0)
    by_workers = {"2": ((5.0, 10.0, 10.0), busy), "1": ((10.0, 20.0, 11.0), busy)}
    monkeypatch.setattr(workers, "in_turns", lambda *_: by_workers)
    (found,) = workers.bench_workers("small", tmp_path, frames=2, rounds=3)
    assert (found.found, found.reached) == (2.0, True)
    assert found.beside == {"s by one": 11.0, "s by two": 10.0}


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
        MAP,
        speed.NODATA,
        "peak memory, all products",
        JOB,
        FITS,
        "calib --help / import numpy",
    }
    assert all(row["found"] > 0 for row in rows)
    assert {len(one.seconds) for one in timed.values()} == {len(one.busy) for one in timed.values()} == {1}
    assert timed[FITS].seconds[0] < timed[JOB].seconds[0]
    assert sorted(p.name for p in (tmp_path / "kept" / "speed-1").iterdir()) == ["frame", "truth.npz"]
