"""Measures the start-up time of the command line, compared with importing numpy."""

import subprocess
import sys

import numpy as np

from calib.bench.figure import Figure, Reach
from calib.bench.own_jobs import in_turns
from calib.run.progress import silent

HELP, RIVAL = ("from calib.cli.main import main; main()", "--help"), ("import numpy",)


def start_up(rounds: int) -> list[Figure]:
    """Time of `calib --help` over that of importing numpy, each in a new process, in turns."""
    jobs = {name: lambda code=code: _run(*code) for name, code in (("help", HELP), ("numpy", RIVAL))}
    timed = in_turns(jobs, rounds, silent)
    seconds = {name: np.array(wall) for name, (wall, _) in timed.items()}
    beside = {f"{name} s": float(np.median(wall)) for name, wall in seconds.items()}
    found = float(np.median(seconds["help"] / seconds["numpy"]))
    return [Figure("start-up", "calib --help / import numpy", found, "", Reach(high=2.0), beside)]


def _run(code: str, *arguments: str) -> None:
    subprocess.run([sys.executable, "-c", code, *arguments], check=True, stdout=subprocess.DEVNULL)
