"""How fast a frame goes from raw strips to its map, beside what the raster library needs to warp one ready image.

Everything runs in the same process in turns, each round in another order, and ratios are taken within a round: on a
shared machine seconds say little, ratios much. All figures are medians over the rounds. The whole job is timed as it
is run, fits and all; film, map and kernel also by themselves, with the simulator's own fits.
"""

import multiprocessing
import shutil
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calib.bench.figure import Figure, Reach
from calib.bench.scene import PACKAGE
from calib.bench.speed_input import speed_input
from calib.bench.speed_rivals import affine_warp, chain, ready_picture, spline_warp, warp
from calib.frame.read import read_frame
from calib.light.functions import DEFAULT_MODEL
from calib.ordered import in_order
from calib.products.provenance import peak_memory_mb
from calib.run.film_product import write_film
from calib.run.fit import fit_frame
from calib.run.frame_job import run_frame
from calib.run.map_product import map_block, map_maker, tiles, write_map
from calib.run.progress import Progress, silent

SIZES_MPX = (10.0, 40.0)
ROUNDS = 5
JOB, FITS = "whole job", "fits"
MAP, FILM, KERNEL, EXACT = "map, written", "film, written", "map, kernel alone", "map, written, every digit"
NODATA, FAST, CHAIN, COPY = "warp, no-data", "warp", "conventional chain", "memory copy"
SPLINE, CUBIC = "SciPy spline", "scikit-image warp"


@dataclass(frozen=True, slots=True)
class Timed:
    """Seconds of every round of one job, those its threads were at work, and how many million pixels one round made."""

    seconds: tuple[float, ...]
    busy: tuple[float, ...]
    mpx: float

    @property
    def median(self) -> float:
        """Median seconds."""
        return float(np.median(self.seconds))


def bench_speed(mpx: float, folder: Path, *, threads: int, rounds: int, progress: Progress = silent) -> list[Figure]:
    """All figures of one size; the frame is made in `folder` or found there."""
    made_of = speed_input(mpx, folder, progress)
    maker = map_maker(made_of.fits, DEFAULT_MODEL)
    ready, out = ready_picture(made_of, maker), folder / "made"
    places, room = list(tiles(maker.grid)), np.empty_like(ready.out)

    def kernel_alone() -> None:
        for _ in in_order(lambda place: map_block(maker, *place), places, threads):
            pass

    package, fitted = folder / PACKAGE, []

    def whole_job() -> None:
        started, busy = time.perf_counter(), time.process_time()
        fits = fit_frame(read_frame(package), threads=threads)
        fitted.append((time.perf_counter() - started, time.process_time() - busy))
        write_map(map_maker(fits, DEFAULT_MODEL, threads=threads), _emptied(out), threads, silent)

    jobs: dict[str, Callable[[], object]] = {
        JOB: whole_job,
        MAP: lambda: write_map(maker, _emptied(out), threads, silent),
        EXACT: lambda: write_map(maker, _emptied(out), threads, silent, exact=True),
        FILM: lambda: write_film(made_of.fits, _emptied(out), threads, silent),
        KERNEL: kernel_alone,
        NODATA: lambda: warp(ready, threads, nodata=True),
        FAST: lambda: warp(ready, threads, nodata=False),
        CHAIN: lambda: chain(made_of, ready, threads, _emptied(out) / "chain.tif"),
        SPLINE: lambda: spline_warp(ready),
        CUBIC: lambda: affine_warp(ready),
        COPY: lambda: np.copyto(room, ready.out),
    }
    timed = in_turns(jobs, rounds, progress)
    sizes = dict.fromkeys(jobs, maker.grid.rows * maker.grid.columns / 1e6) | {FILM: made_of.film_mpx}
    sizes[SPLINE], sizes[CUBIC] = spline_warp(ready) / 1e6, affine_warp(ready) / 1e6
    shutil.rmtree(out, ignore_errors=True)
    found = {name: Timed(*seconds, sizes[name]) for name, seconds in timed.items()}
    wall, busy = zip(*fitted[1:], strict=True)  # the first was before the rounds
    found[FITS] = Timed(wall, busy, sizes[MAP])
    return figures_of(f"{mpx:g} Mpx", found, peak_memory(package, out, threads))


def in_turns(
    jobs: Mapping[str, Callable[[], object]], rounds: int, progress: Progress
) -> dict[str, tuple[tuple[float, ...], tuple[float, ...]]]:
    """Seconds of each job in each round, and seconds of processor time; every job runs once before, so that nothing is
    compiled or read first.
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


def figures_of(scene: str, found: Mapping[str, Timed], peak_gb: float) -> list[Figure]:
    """Throughput of every job, and the ratios that are to be reached."""

    def ratio(name: str, job: str, rival: str, reach: Reach | None) -> Figure:
        wall, busy = (
            float(np.median(np.divide(getattr(found[job], kind), getattr(found[rival], kind))))
            for kind in ("seconds", "busy")
        )
        return Figure(scene, name, wall, "", reach, {"by processor time": busy})

    pace = [Figure(scene, name, one.mpx / one.median, "Mpx/s", beside=_beside(one)) for name, one in found.items()]
    return [
        *pace,
        ratio("whole job / warp with no-data", JOB, NODATA, Reach(high=0.5)),
        ratio("whole job / warp without no-data", JOB, FAST, Reach(high=1.0)),
        ratio("whole job / conventional chain", JOB, CHAIN, Reach(high=0.15)),
        ratio("fits / whole job", FITS, JOB, Reach(high=0.35)),
        ratio("map written / warp with no-data", MAP, NODATA, None),
        ratio("map written / conventional chain", MAP, CHAIN, None),
        ratio("kernel alone / warp with no-data", KERNEL, NODATA, Reach(high=0.2)),
        ratio("rounding by sigma / every digit", MAP, EXACT, None),
        ratio("kernel alone / memory copy", KERNEL, COPY, None),
        Figure(scene, "peak memory, all products", peak_gb, "GB", Reach(high=2.0)),
    ]


def _beside(one: Timed) -> dict[str, float]:
    """Seconds, and nanoseconds of processor time to a pixel, which a busy machine changes less."""
    return {"s": one.median, "least s": min(one.seconds), "ns/px": 1e3 * float(np.median(one.busy)) / one.mpx}


def growth(by_size: Mapping[float, list[Figure]]) -> list[Figure]:
    """Cost of a pixel at each size over that at the smallest: whole job, its fits, the map and the film written."""
    small, *larger = sorted(by_size)

    def of(mpx: float, job: str) -> Figure:
        return next(figure for figure in by_size[mpx] if figure.name == job)

    return [
        Figure(
            f"{mpx:g} Mpx", f"{job}: cost of a pixel at {mpx:g} over that at {small:g} Mpx",
            of(small, job).found / of(mpx, job).found, "", reach,
            {
                "by processor time": of(mpx, job).beside["ns/px"] / of(small, job).beside["ns/px"],
                **{f"s at {size:g} Mpx": of(size, job).beside["s"] for size in (small, mpx)},
            },
        )
        for job, reach in ((JOB, Reach(high=1.05)), (FITS, None), (MAP, None), (FILM, None))
        for mpx in larger
    ]  # fmt: skip


def peak_memory(package: Path, out: Path, threads: int) -> float:
    """Peak resident gigabytes of a process of its own that makes all products of a frame, and removes them."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as alone:
        return alone.submit(_made_alone, package, out, threads).result()


def _made_alone(package: Path, out: Path, threads: int) -> float:
    run_frame(package, out, threads=threads, overwrite=True, standard=DEFAULT_MODEL)
    shutil.rmtree(out)
    return peak_memory_mb() / 1024


def _emptied(folder: Path) -> Path:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    return folder
