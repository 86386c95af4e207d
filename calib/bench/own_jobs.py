"""The benchmark jobs of this toolkit on a frame of a given size, and their timing."""

import shutil
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calib.bench.scene import PACKAGE
from calib.bench.speed_input import SpeedInput, speed_input
from calib.frame.read import read_frame
from calib.light.functions import DEFAULT_MODEL
from calib.run.fitting.fit import fit_frame
from calib.run.progress import Progress, silent
from calib.run.rasters.film import write_film
from calib.run.rasters.map import MapMaker, map_maker, write_map

ROUNDS = 5
JOB, FITS, MAP, FILM = "whole job", "fits", "map, written", "film, written"
Seconds = tuple[tuple[float, ...], tuple[float, ...]]
"""Of each round, and those its threads were at work."""


@dataclass(frozen=True, slots=True)
class Timed:
    """Seconds of one job in each round, its processor seconds, and the million pixels made per round."""

    seconds: tuple[float, ...]
    busy: tuple[float, ...]
    mpx: float

    @property
    def median(self) -> float:
        """Median seconds."""
        return float(np.median(self.seconds))


@dataclass(frozen=True, slots=True, eq=False)
class OwnJobs:
    """The whole job, film and map of one frame, and the time of the fits in each whole job (`fitted`)."""

    made_of: SpeedInput
    maker: MapMaker
    out: Path
    jobs: Mapping[str, Callable[[], object]]
    fitted: list[tuple[float, float]]

    @classmethod
    def on(cls, mpx: float, folder: Path, threads: int, progress: Progress) -> "OwnJobs":
        """The jobs on a frame of a size, made in `folder` or found there; film and map use the simulator's fits."""
        made_of = speed_input(mpx, folder, progress)
        maker, out = map_maker(made_of.fits, DEFAULT_MODEL), folder / "made"
        fitted: list[tuple[float, float]] = []

        def whole_job() -> None:
            started, busy = time.perf_counter(), time.process_time()
            fits = fit_frame(read_frame(folder / PACKAGE), threads=threads)
            fitted.append((time.perf_counter() - started, time.process_time() - busy))
            write_map(map_maker(fits, DEFAULT_MODEL, threads=threads), emptied(out), threads, silent)

        jobs: dict[str, Callable[[], object]] = {
            JOB: whole_job,
            MAP: lambda: write_map(maker, emptied(out), threads, silent),
            FILM: lambda: write_film(made_of.fits, emptied(out), threads, silent),
        }
        return cls(made_of, maker, out, jobs, fitted)

    @property
    def map_mpx(self) -> float:
        """Million pixels of the map."""
        return self.maker.grid.rows * self.maker.grid.columns / 1e6

    def timed(self, seconds: Mapping[str, Seconds]) -> dict[str, Timed]:
        """The times measured by `in_turns`, with those of the fits added."""
        sizes = {JOB: self.map_mpx, MAP: self.map_mpx, FILM: self.made_of.film_mpx}
        wall, busy = zip(*self.fitted[1:], strict=True)  # the first is the run before the rounds
        return {name: Timed(*seconds[name], size) for name, size in sizes.items()} | {
            FITS: Timed(wall, busy, self.map_mpx)
        }

    def clear(self) -> None:
        """Remove the products of the jobs."""
        shutil.rmtree(self.out, ignore_errors=True)


def in_turns(jobs: Mapping[str, Callable[[], object]], rounds: int, progress: Progress) -> dict[str, Seconds]:
    """Seconds and processor seconds of each job in each round. Every job runs once before, so that compilation and
    first reading are not timed.
    """
    chance = np.random.default_rng(1)
    seconds: dict[str, list[tuple[float, float]]] = {name: [] for name in jobs}
    for turn in range(rounds + 1):
        for name in chance.permutation(list(jobs)).tolist():
            started, busy = time.perf_counter(), time.process_time()
            jobs[name]()
            if turn > 0:
                seconds[name].append((time.perf_counter() - started, time.process_time() - busy))
        progress("taking turns", (turn + 1) / (rounds + 1))
    return {name: (tuple(wall for wall, _ in both), tuple(busy for _, busy in both)) for name, both in seconds.items()}


def emptied(folder: Path) -> Path:
    """Remove the content of a folder; returns the folder."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    return folder
