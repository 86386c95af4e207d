"""Measures how the time per pixel changes with the frame's size, by timing frames of several sizes in turns.

Each size is compared with the smallest one of the same round, so that a slower machine slows both.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from calib.bench.figure import Figure, Reach
from calib.bench.own_jobs import FILM, FITS, JOB, MAP, OwnJobs, Timed, in_turns
from calib.run.progress import Progress, silent

SIZES_MPX = (20.0, 640.0)  # a frame that fits into memory many times, and one of full size


def bench_growth(
    sizes: Sequence[float], folder: Path, *, threads: int, rounds: int, progress: Progress = silent
) -> list[Figure]:
    """Time per pixel at each size over that at the smallest: whole job, its fits, writing of the map and of the film.

    Frames are made in `folder` or found there, as for `calib bench speed`.
    """
    own = {mpx: OwnJobs.on(mpx, folder / f"speed-{mpx:g}", threads, progress) for mpx in sorted(set(sizes))}
    jobs = {f"{name}, {mpx:g} Mpx": job for mpx, some in own.items() for name, job in some.jobs.items()}
    timed = in_turns(jobs, rounds, progress)
    by_size = {}
    for mpx, some in own.items():
        some.clear()
        by_size[mpx] = some.timed({name: timed[f"{name}, {mpx:g} Mpx"] for name in some.jobs})
    return growth(by_size)


def growth(by_size: Mapping[float, Mapping[str, Timed]]) -> list[Figure]:
    """The figures of jobs timed in the same rounds; none if there is only one size."""
    small, *larger = sorted(by_size)

    def of(mpx: float, job: str, reach: Reach | None) -> Figure:
        here, there = by_size[mpx][job], by_size[small][job]
        wall, busy = (
            float(np.median(np.divide(getattr(here, kind), getattr(there, kind)))) * there.mpx / here.mpx
            for kind in ("seconds", "busy")
        )
        beside = {"by processor time": busy, f"s at {small:g} Mpx": there.median, f"s at {mpx:g} Mpx": here.median}
        name = f"{job}: cost of a pixel at {mpx:g} over that at {small:g} Mpx"
        return Figure(f"{mpx:g} Mpx", name, wall, "", reach, beside)

    reaches = {JOB: Reach(high=1.05), FITS: None, MAP: None, FILM: None}
    return [of(mpx, job, reach) for job, reach in reaches.items() for mpx in larger]
