"""The command itself, with its worker processes: killed, called again, and what it says and returns.

By hand, any number of kills: ``python tests/cli/test_cli_batch.py FOLDER KILLS SEED``.
"""

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from calib_demo.catalogue import scenario
from calib_demo.make import make_frame

from calib.cli.batch import _shown, span
from calib.cli.main import main
from calib.run.batch.all_frames import Standing
from calib.run.batch.ledger import LEDGER, Row, read_ledger
from calib.run.batch.page import PAGE
from calib.run.frame_job import run_frame

GOOD, BROKEN = "tern2-0041", "no-lens"
CALIB = [sys.executable, "-c", "from calib.cli.main import main; main()"]


def make_list(folder: Path) -> Path:
    """A list of a good frame and of one whose description is wrong."""
    small = scenario("small")
    made = replace(small, name=GOOD, seed=41, scan=replace(small.scan, strips=3, lines=520))
    make_frame(made, folder / "good")
    shutil.copytree(folder / "good", folder / BROKEN)
    text = (folder / "good" / "frame.toml").read_text().replace(GOOD, BROKEN)
    (folder / BROKEN / "frame.toml").write_text(text.replace("focal_length_mm", "focal_length_cm"))
    listing = folder / "night.txt"
    listing.write_text(f"# two frames\n{BROKEN}\ngood/frame.toml\n")
    return listing


def begun(listing: Path, out: Path) -> subprocess.Popen[bytes]:
    """The command, leader of its own group, once it has given the good frame to a worker."""
    ledger = out / LEDGER
    before = ledger.stat().st_mtime_ns if ledger.exists() else 0
    command = [*CALIB, "batch", str(listing), "--out", str(out), "--workers", "2"]
    child = subprocess.Popen(command, start_new_session=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    while child.poll() is None:
        time.sleep(0.02)
        if ledger.exists() and ledger.stat().st_mtime_ns > before and read_ledger(ledger)[GOOD].state != "waiting":
            break
    return child


def contents(out: Path) -> dict[str, bytes]:
    """Every file; of run.json all but the times."""
    found = {path.relative_to(out).as_posix(): path.read_bytes() for path in out.rglob("*") if path.is_file()}
    run = json.loads(found["run.json"])
    del run["timings"]
    return found | {"run.json": json.dumps(run).encode()}


def check_resumed(listing: Path, out: Path, single: Path) -> subprocess.CompletedProcess[str]:
    """Call again until the end: the products are those of a run of the frame alone, and there is nothing else."""
    command = [*CALIB, "batch", str(listing), "--out", str(out), "--workers", "2"]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 1, done.stderr
    assert sorted(path.name for path in out.iterdir()) == [LEDGER, PAGE, GOOD]
    assert contents(out / GOOD) == contents(single)
    assert {row.frame: row.state for row in read_ledger(out / LEDGER).values()} == {BROKEN: "failed", GOOD: "done"}
    return done


def test_a_killed_command_goes_on_where_it_was_and_says_who_failed(tmp_path: Path) -> None:
    """Only the command is killed: its workers end by themselves, and the next one waits for them where it must."""
    listing, out, single = make_list(tmp_path / "in"), tmp_path / "out", tmp_path / "single"
    run_frame(tmp_path / "in" / "good", single, threads=2, overwrite=False)
    child = begun(listing, out)
    time.sleep(0.3)
    child.kill()
    assert child.wait() == -signal.SIGKILL
    assert read_ledger(out / LEDGER)[GOOD].state == "begun"
    done = check_resumed(listing, out, single)
    failed, summary = done.stdout.splitlines()
    assert failed.startswith(f"failed: {BROKEN}: ")
    assert "focal_length_cm" in failed
    assert summary == f"1 of 2 frames done, 1 failed; ledger: {out / LEDGER}, with pictures: {out / PAGE}"
    assert f"] {GOOD}: done in " in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--workers", "2", "--scheduler", "tcp://10.0.0.5:8786"], "--workers and --scheduler exclude each other"),
        (["--workers", "0"], "Invalid value for '--workers'"),
        ([], "calib: {}: found nothing, expected a text file of paths to frame packages, or a folder of packages"),
    ],
)
def test_a_mistake_in_the_call_is_status_2_and_nothing_is_made(  # type: ignore[no-untyped-def]
    arguments: list[str], said: str, tmp_path: Path, monkeypatch, capsys
) -> None:
    listing, out = tmp_path / "absent.txt", tmp_path / "out"
    monkeypatch.setattr(sys, "argv", ["calib", "batch", str(listing), "--out", str(out), *arguments])
    with pytest.raises(SystemExit) as left:
        main()
    assert left.value.code == 2
    assert said.format(listing) in capsys.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize(
    ("seconds", "said"), [(0.4, "0 s"), (99.4, "99 s"), (100, "2 min"), (5900, "98 min"), (12000, "3 h 20 min")]
)
def test_times_are_said_as_a_person_says_them(seconds: float, said: str) -> None:
    assert span(seconds) == said


def kill_commands(folder: Path, kills: int, seed: int) -> int:
    """Kill the command so often, alone and with its group in turn, at moments spread over the time after the good
    frame is given to a worker; how often it ended before the signal.
    """
    listing, out, single, chance = make_list(folder / "in"), folder / "out", folder / "single", random.Random(seed)
    run_frame(folder / "in" / "good", single, threads=1, overwrite=False)
    ended, killed = 0, 0
    child, began = begun(listing, out), time.monotonic()
    child.wait()
    lasted = time.monotonic() - began
    shutil.rmtree(out)
    while killed < kills:
        child = begun(listing, out)
        time.sleep(chance.uniform(0, lasted))
        if child.poll() is None:
            killed += 1
            os.kill(child.pid if killed % 2 else -child.pid, signal.SIGKILL)
            assert child.wait() == -signal.SIGKILL
            assert read_ledger(out / LEDGER)
        else:
            ended += 1
        is_made = (out / GOOD / "run.json").exists()
        print(f"{killed} killed, {ended} ended, frame made: {is_made}", flush=True)
        if is_made:
            check_resumed(listing, out, single)
            shutil.rmtree(out)
    check_resumed(listing, out, single)
    return ended


def test_the_time_left_is_said_while_some_is_left(capsys) -> None:  # type: ignore[no-untyped-def]
    """Apart from a frame's reason, of which it would look a part."""
    row = Row("tern2-0143", "failed", "frame.toml", 1.0, "strips/000.tif: found a directory, expected a strip")
    with _shown("list.txt -> night") as (tell, _):
        tell(Standing(2, 1, row, False, 60.0))
        tell(Standing(2, 2, row, False, None))
    said = [line for line in capsys.readouterr().err.splitlines() if line.startswith("[")]
    assert said[0].endswith("expected a strip (about 60 s left)")
    assert said[1].endswith("expected a strip")


if __name__ == "__main__":
    kill_commands(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
