"""Measures the speedup of a batch by two workers over one: the same frames, one thread each, in turns.

The command is timed from start to end, as a user runs it.
"""

import shutil
import subprocess
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
from calib_demo.catalogue import scenario

from calib.bench.figure import Figure, Reach
from calib.bench.own_jobs import in_turns
from calib.bench.scene import PACKAGE, photographed
from calib.errors import CalibError
from calib.run.progress import Progress, silent

FRAMES = 8
WORKERS = (1, 2)
COMMAND = "from calib.cli.main import main; main()"


def bench_workers(
    scene: str, folder: Path, *, frames: int = FRAMES, rounds: int, progress: Progress = silent
) -> list[Figure]:
    """Time of a batch by one worker over that by two; its frames differ in their random seeds.

    They are made in `folder` or found there. Raises `CalibError` if a batch fails.
    """
    chosen, out = scenario(scene), folder / "made"
    for k in range(frames):
        other = replace(chosen, name=f"{chosen.name}-{k + 1}", seed=chosen.seed + k)
        photographed(other, folder / f"frame-{k + 1}", progress)
    listed = folder / "frames.txt"
    listed.write_text("".join(f"frame-{k + 1}/{PACKAGE}\n" for k in range(frames)), encoding="utf-8")

    def batch(workers: int) -> None:
        shutil.rmtree(out, ignore_errors=True)
        told = ["batch", str(listed), "--out", str(out), "--workers", str(workers), "--threads", "1"]
        done = subprocess.run([sys.executable, "-c", COMMAND, *told], check=False, capture_output=True, text=True)
        if done.returncode:
            raise CalibError(f"calib {' '.join(told)}: {done.stderr.strip()}")

    timed = in_turns({str(n): partial(batch, n) for n in WORKERS}, rounds, progress)
    shutil.rmtree(out, ignore_errors=True)
    return [figure_of(scene, timed["1"][0], timed["2"][0])]


def figure_of(scene: str, one: tuple[float, ...], two: tuple[float, ...]) -> Figure:
    """The median over the rounds of the speedup by two workers, from the seconds of each round."""
    beside = {"s by one": float(np.median(one)), "s by two": float(np.median(two))}
    return Figure(scene, "one worker / two workers", float(np.median(np.divide(one, two))), "", Reach(low=1.8), beside)
