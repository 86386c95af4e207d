"""A batch killed at random moments and resumed: the same products, nothing half, nothing left over.

By hand, any number of kills: ``python tests/run/test_run_batch_kill.py FOLDER KILLS SEED``. A batch is killed by a
signal that nothing can catch, at moments spread evenly over most of the time that a batch takes, however loaded the
machine is. The children are forked from a process that made the fits once, since nothing is written while they are
made: so the kills fall where something is. tests/cli/test_cli_batch.py kills the command itself with its workers.
"""

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from calib_demo.catalogue import scenario
from calib_demo.make import make_frame
from distributed import Client, LocalCluster

from calib.frame.frame import Frame
from calib.frame.read import read_frame
from calib.run import frame_job
from calib.run.batch.all_frames import run_batch
from calib.run.batch.cluster import Workers
from calib.run.batch.ledger import LEDGER, read_ledger
from calib.run.fitting.fit import fit_frame
from calib.run.frame_job import PRODUCTS
from calib.run.settings import Settings

NAMES = ("tern2-0031", "tern2-0032")
KILLS = 8
EVERY = {LEDGER} | {f"{name}/{product}" for name in NAMES for product in (*PRODUCTS, "run.json")}


@dataclass
class Count:
    """What happened: batches killed over their work, batches that came to their end before the signal."""

    killed: int = 0
    finished: int = 0


@contextmanager
def two_threads() -> Iterator[Workers]:
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, processes=False, dashboard_address=":0") as cluster,
        Client(cluster, set_as_default=False) as client,
    ):
        yield Workers(client, None)


def make_packages(folder: Path) -> None:
    small = scenario("small")
    scan = replace(small.scan, strips=3, lines=520)
    for seed, name in enumerate(NAMES, start=31):
        make_frame(replace(small, name=name, seed=seed, scan=scan), folder / name)


def forked_batch(packages: Path, out: Path) -> int:
    """The process number of a child, leader of its own group, that runs a batch and exits with 0 if all was done."""
    child = os.fork()
    if child:
        return child
    status = 1
    try:
        os.setpgid(0, 0)
        rows = run_batch(
            packages, out, two_threads, settings=Settings(), threads=1, overwrite=False, tell=lambda standing: None
        )
        status = 0 if [row.state for row in rows] == ["done", "done"] else 1
    finally:
        os._exit(status)


def ended(child: int, within_s: float) -> bool:
    """Whether the batch came to its end, well, before so many seconds; it is killed with its group otherwise."""
    stop = time.monotonic() + within_s
    while time.monotonic() < stop:
        number, status = os.waitpid(child, os.WNOHANG)
        if number:
            assert status == 0
            return True
        time.sleep(0.01)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or status == 0
    return not os.WIFSIGNALED(status)


def contents(out: Path) -> dict[str, bytes]:
    """Every file of the batch; of run.json all but the times, of the ledger nothing (it holds times)."""
    found = {path.relative_to(out).as_posix(): path.read_bytes() for path in out.rglob("*") if path.is_file()}
    for name, content in found.items():
        if name.endswith("/run.json"):
            table = json.loads(content)
            del table["timings"]
            found[name] = json.dumps(table).encode()
    return found | {LEDGER: b""}


def unlike(out: Path, whole: dict[str, bytes]) -> list[str]:
    """Names that stand in one of two batches only, or not with the same bytes."""
    found = contents(out)
    return sorted(name for name in found.keys() | whole.keys() if found.get(name) != whole.get(name))


def check_killed(out: Path, whole: dict[str, bytes]) -> None:
    """What stands under a product's name is the product, and the ledger can be read and promises nothing."""
    if not out.exists():
        return
    for row in read_ledger(out / LEDGER).values():
        assert row.state in ("waiting", "begun", "done")
        assert row.state != "done" or (out / row.frame / "run.json").exists()
    left = {name: content for name, content in contents(out).items() if not Path(name).name.startswith(".")}
    assert left.keys() <= EVERY
    assert [name for name, content in left.items() if content != whole[name]] == []


def kill_batches(folder: Path, kills: int, seed: int) -> Count:
    packages, out, count, chance = folder / "packages", folder / "out", Count(), random.Random(seed)
    make_packages(packages)
    known = {name: fit_frame(read_frame(packages / name)) for name in NAMES}

    def known_fits(frame: Frame, **_: object) -> frame_job.FrameFits:
        return known[frame.name]

    frame_job.fit_frame = known_fits
    assert ended(forked_batch(packages, folder / "first"), 600)  # compiles what is not yet in the cache
    began = time.monotonic()
    assert ended(forked_batch(packages, folder / "whole"), 600)
    lasted = time.monotonic() - began
    whole = contents(folder / "whole")
    assert whole.keys() == EVERY
    while count.killed < kills:
        if not ended(forked_batch(packages, out), chance.uniform(0, 0.6 * lasted)):
            count.killed += 1
            check_killed(out, whole)
        else:
            count.finished += 1
            assert unlike(out, whole) == []
            shutil.rmtree(out)
    assert ended(forked_batch(packages, out), 600)
    assert unlike(out, whole) == []
    assert all(row.state == "done" for row in read_ledger(out / LEDGER).values())
    return count


def test_a_batch_killed_at_random_moments_gives_the_same_products_and_leaves_nothing_else(tmp_path: Path) -> None:
    command = [sys.executable, __file__, str(tmp_path), str(KILLS), "1971"]
    done = subprocess.run(command, capture_output=True, text=True, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"})
    assert done.returncode == 0, done.stderr[-4000:]
    assert f"{KILLS} killed" in done.stdout


if __name__ == "__main__":
    happened = kill_batches(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
    print(f"{happened.killed} killed, {happened.finished} finished before the signal")
