"""Many frames: what is done again and what is not, who fails alone, and what a death costs.

The workers are threads of this process wherever the processes themselves are not what is tested, and the one calibrated
frame serves for all: test_run_batch_kill.py and tests/cli/test_cli_batch.py calibrate frames of their own.
"""

import json
import logging
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from functools import partial
from io import StringIO
from multiprocessing import forkserver
from pathlib import Path

import pytest
from distributed import Client, LocalCluster
from threadpoolctl import threadpool_info

from calib.errors import CalibError, InputError
from calib.folder_lock import held
from calib.frame.frame import Frame
from calib.frame.read import read_frame
from calib.products.provenance import digests
from calib.run import frame_job
from calib.run.batch import all_frames, cluster, inputs, one_frame
from calib.run.batch.all_frames import Estimate, Standing, run_batch
from calib.run.batch.cluster import Workers, workers_here, workers_of
from calib.run.batch.ledger import LEDGER, Row, read_ledger
from calib.run.batch.page import PAGE
from calib.run.batch.task import JOB, Outcome, Task
from calib.run.fitting.fit import FrameFits
from calib.run.out_folder import claim
from calib.run.settings import Settings

GOOD, BROKEN = "tern2-0007", "broken"


@pytest.fixture(scope="module")
def scheduler() -> Iterator[LocalCluster]:
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, protocol="tcp", dashboard_address=":0"
    ) as threads:
        yield threads


class Night:
    """A folder of packages, its products, and what a batch over them said."""

    def __init__(self, place: Path, address: str) -> None:
        self.packages, self.out, self.address = place / "in", place / "out", address
        self.told: list[Standing] = []

    def run(self, *, settings: Settings | None = None, overwrite: bool = False) -> dict[str, Row]:
        self.told.clear()
        rows = run_batch(
            self.packages,
            self.out,
            partial(workers_of, self.address),
            settings=settings or Settings(),
            threads=1,
            overwrite=overwrite,
            tell=self.told.append,
        )
        assert read_ledger(self.out / LEDGER).keys() >= {row.frame for row in rows}
        return {row.frame: row for row in rows}

    def kept(self) -> list[str]:
        return [standing.last.frame for standing in self.told if standing.is_kept and standing.last]


@pytest.fixture
def night(calibrated, scheduler: LocalCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Night:  # type: ignore[no-untyped-def]
    """A night with one good frame, whose run takes the products that stand there ready and claims to have made them."""

    def ready_run(package: Path, out: Path, settings: Settings, *, threads: int, overwrite: bool) -> None:
        frame = read_frame(package)
        claim(out, overwrite=overwrite)
        shutil.copytree(calibrated.result.out, out, dirs_exist_ok=True)
        run = json.loads((out / "run.json").read_bytes())
        run |= {"inputs": digests(frame.inputs, frame.path.parent), "settings": asdict(settings)}
        (out / "run.json").write_text(json.dumps(run))

    monkeypatch.setattr(one_frame, "run_frame", ready_run)
    shutil.copytree(calibrated.package, tmp_path / "in" / "p1")
    return Night(tmp_path, scheduler.scheduler_address)


def test_a_broken_frame_fails_alone_and_only_what_changed_is_done_again(
    calibrated, night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:  # type: ignore[no-untyped-def]
    """The first time by a true run: same bytes as one of its own. Nothing is done twice."""

    def known_fits(frame: Frame, **_: object) -> FrameFits:
        return replace(calibrated.result.fits, frame=frame)

    monkeypatch.setattr(frame_job, "fit_frame", known_fits)
    monkeypatch.setattr(one_frame, "run_frame", frame_job.run_frame)
    good, broken = night.packages / "p1" / "frame.toml", night.packages / BROKEN / "frame.toml"
    broken.parent.mkdir()
    broken.write_text(good.read_text().replace("focal_length_mm", "focal_length_cm").replace("name =", "title ="))
    rows = night.run()
    assert (rows[GOOD].state, rows[BROKEN].state) == ("done", "failed")
    assert "focal_length_cm" in rows[BROKEN].reason
    assert "\n" not in rows[BROKEN].reason
    assert not (night.out / BROKEN).exists()
    assert rows[GOOD].figures["reseau marks used"] == calibrated.result.figures[0].value
    single = calibrated.result.out
    names = {path.relative_to(single) for path in single.rglob("*") if path.is_file()}
    assert {path.relative_to(night.out / GOOD) for path in (night.out / GOOD).rglob("*") if path.is_file()} == names
    assert [
        n for n in names if n.name != "run.json" and (single / n).read_bytes() != (night.out / GOOD / n).read_bytes()
    ] == []

    before = (night.out / GOOD / "run.json").read_bytes()
    shutil.rmtree(broken.parent)
    assert night.run()[GOOD] == replace(
        rows[GOOD], seconds=round(rows[GOOD].seconds or 0, 1), figures=night.run()[GOOD].figures
    )
    assert night.kept() == [GOOD]
    assert (night.out / GOOD / "run.json").read_bytes() == before

    (night.out / PAGE).write_text("what was here yesterday")
    good.write_text(good.read_text() + "# looked at again\n")
    assert night.run()[GOOD].made != rows[GOOD].made
    assert night.kept() == []
    assert json.loads((night.out / GOOD / "run.json").read_bytes())["inputs"] != json.loads(before)["inputs"]
    assert not (night.out / PAGE).exists()


def test_what_is_finished_is_known_by_every_byte_where_the_ledger_does_not_say(
    night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A kill between the last product and the ledger; strips that were copied and so have another time of change."""
    monkeypatch.setattr(inputs, "READ_WHOLE", 1000)
    night.run()
    (night.out / LEDGER).unlink()
    assert night.run()[GOOD].state == "done"
    assert night.kept() == [GOOD]
    made = read_ledger(night.out / LEDGER)[GOOD].made
    os.utime(night.packages / "p1" / "strips" / "000.tif", (1, 1))
    assert night.run()[GOOD].made != made
    assert night.kept() == [GOOD]
    strip = night.packages / "p1" / "strips" / "000.tif"
    content = bytearray(strip.read_bytes())
    content[len(content) // 2] ^= 1
    strip.write_bytes(content)
    assert night.run()[GOOD].state == "done"
    assert night.kept() == []
    (night.out / GOOD / "map" / "sigma.tif").unlink()
    night.run()
    assert night.kept() == []
    assert (night.out / GOOD / "map" / "sigma.tif").exists()


def test_other_settings_replace_what_the_batch_made_and_nothing_else_unasked(calibrated, night: Night) -> None:  # type: ignore[no-untyped-def]
    shutil.copytree(calibrated.result.out, night.out / GOOD)
    exact = Settings(exact=True)
    row = night.run(settings=exact)[GOOD]
    assert (row.state, row.made) == ("failed", "")
    assert "found the products of a finished run, expected an empty folder, or --overwrite" in row.reason
    assert night.run()[GOOD].state == "done"
    assert night.kept() == [GOOD]
    assert night.run(settings=exact)[GOOD].state == "done"
    assert night.kept() == []
    (night.out / LEDGER).unlink()
    assert night.run()[GOOD].state == "failed"
    assert night.run(overwrite=True)[GOOD].state == "done"


def test_any_other_failure_is_a_reason_too_and_the_next_batch_tries_again(
    night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_room(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device", "fits.nc")

    with monkeypatch.context() as patched:
        patched.setattr(one_frame, "run_frame", no_room)
        assert night.run()[GOOD].reason == "OSError: [Errno 28] No space left on device: 'fits.nc'"
        assert not (night.out / GOOD).exists()
    assert night.run()[GOOD].state == "done"


def test_one_batch_at_a_time_works_in_a_folder(night: Night) -> None:
    night.out.mkdir()
    with (
        held(night.out, wait=False),
        pytest.raises(InputError, match="--out: found a folder in which another run is at work"),
    ):
        night.run()
    assert list(night.out.iterdir()) == []


def test_a_scheduler_that_cannot_serve_is_a_mistake_in_the_call(night: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(cluster, "CONNECT_S", 0.3)
        with pytest.raises(InputError, match=r"--scheduler: found tcp://127.0.0.1:9, expected the address"):
            Night(night.out.parent, "tcp://127.0.0.1:9").run()
    assert not night.out.exists()
    monkeypatch.setattr(cluster, "OWN_VERSION", "99.0")
    with pytest.raises(CalibError, match=r"has calib .*; it needs version 99.0"):
        night.run()


def test_a_frame_whose_worker_dies_is_tried_again_and_then_has_failed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed as by an empty memory. A frame that dies once only is done, and none of the others is lost."""
    deaths = {"ever": 9, "once": 1}

    def dies(task: Task) -> Outcome:
        marks = tmp_path / f"{task.frame}.tries"
        with marks.open("a") as file:
            file.write("x")
        if len(marks.read_text()) <= deaths.get(task.frame, 0):
            os.kill(os.getpid(), signal.SIGKILL)
        return Outcome("done", 1.0)

    for name in ("a", "ever", "once", "z"):
        (tmp_path / "in" / name).mkdir(parents=True)
        (tmp_path / "in" / name / "frame.toml").write_text(f'name = "{name}"\n')
    monkeypatch.setattr(all_frames, "do_frame", dies)
    rows = run_batch(
        tmp_path / "in", tmp_path / "out", partial(workers_here, 2),
        settings=Settings(), threads=1, overwrite=False, tell=lambda standing: None,
    )  # fmt: skip
    assert {row.frame: row.state for row in rows} == {"a": "done", "once": "done", "ever": "failed", "z": "done"}
    assert next(row.reason for row in rows if row.frame == "ever").startswith("its worker died twice")
    tries = {path.stem: len(path.read_text()) for path in tmp_path.glob("*.tries")}
    assert tries.pop("ever") in (1, 2)  # its first worker may have died over another frame
    assert tries == {"a": 1, "once": 2, "z": 1}


def test_workers_here_are_forked_with_all_loaded_from_a_process_without_threads(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """None loads it for itself; and a fork of a process with threads may wait for ever for a lock that one held. That
    of linear algebra is told to have none, by an environment that is not left behind."""
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    forkserver._forkserver._stop()  # type: ignore[attr-defined]  # another test's, which began otherwise
    before = dict(os.environ)

    def loaded() -> tuple[bool, int, set[int]]:
        pools = {pool["num_threads"] for pool in threadpool_info()}
        return JOB in sys.modules, len(os.listdir(f"/proc/{os.getppid()}/task")), pools

    with workers_here(1) as workers:
        assert workers.client.submit(loaded).result() == (True, 1, {1})
    assert dict(os.environ) == before


def test_the_batch_itself_loads_nothing_that_calibrates() -> None:
    """Its workers do, and can be started the sooner."""
    code = f"import sys, calib.cli.batch; sys.exit(bool({{'numba', {JOB!r}}} & sys.modules.keys()))"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_a_scheduler_that_goes_ends_the_batch_and_not_the_frames(night: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    """Frames that nobody tried have not failed."""
    with LocalCluster(n_workers=1, threads_per_worker=1, processes=False, dashboard_address=":0") as own:

        @contextmanager
        def leaving() -> Iterator[Workers]:
            with Client(own, set_as_default=False) as client:
                yield Workers(client, None)

        def cancels(*_: object) -> Outcome:
            raise all_frames.CancelledError

        monkeypatch.setattr(all_frames, "_result", cancels)
        with pytest.raises(CalibError, match="the scheduler gave the frame tern2-0007 up; call again to go on"):
            run_batch(
                night.packages, night.out, leaving,
                settings=Settings(), threads=1, overwrite=False, tell=lambda standing: None,
            )  # fmt: skip
    assert read_ledger(night.out / LEDGER)[GOOD].state == "begun"


def test_the_library_logs_nothing_of_a_scheduler_that_goes(scheduler: LocalCluster) -> None:
    """Two tracebacks of its own stood above the batch's line that says the scheduler gave a frame up."""
    said, logger = StringIO(), logging.getLogger("distributed")
    handler = logging.StreamHandler(said)
    handler.setLevel(logging.ERROR)
    logger.addHandler(handler)
    try:
        with workers_of(scheduler.scheduler_address):
            logging.getLogger("distributed.client").error("Failed to reconnect")
        assert said.getvalue() == ""
        logging.getLogger("distributed.client").error("of somebody else")
        assert "of somebody else" in said.getvalue()
    finally:
        logger.removeHandler(handler)


HOLD = """
import sys, time
from pathlib import Path
from calib.folder_lock import held
with held(sys.argv[1], wait=False):
    print(flush=True)
    time.sleep(0.7)
    Path(sys.argv[2]).touch()
"""


def test_a_folder_in_which_another_process_works_is_waited_for(night: Night, tmp_path: Path) -> None:
    """A worker that was given up and writes on, on another machine: its folder is waited for."""
    task = Task(GOOD, night.packages / "p1" / "frame.toml", tmp_path / "x", Settings(), 1, "", False)
    (tmp_path / "x").mkdir()
    with subprocess.Popen([sys.executable, "-c", HOLD, tmp_path / "x", tmp_path / "left"], stdout=-1) as other:
        assert other.stdout is not None
        other.stdout.readline()
        assert one_frame.finish_frame(task).state == "done"
        assert (tmp_path / "left").exists()


def test_the_estimate_is_the_mean_of_what_was_done_now() -> None:
    """A frame that fails at once says nothing of how long the others take."""
    estimate = Estimate(10)
    assert estimate.after(Outcome("done", 500.0, is_kept=True), 2) is None
    assert estimate.after(Outcome("done", 60.0), 2) == pytest.approx((8 - 0.5) / 2 * 60)
    assert estimate.after(Outcome("failed", 20.0), 2) == pytest.approx((7 - 0.5) / 2 * 60)
    for _ in range(6):
        estimate.after(Outcome("done", 40.0), 2)
    assert estimate.after(Outcome("done", 40.0), 2) is None  # none is left
