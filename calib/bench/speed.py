"""Measures the speed from raw strips to the map, compared with the raster library's warp of one ready image.

All jobs run in the same process in turns, each round in another order, and ratios are taken within a round, because on
a shared machine ratios are more reliable than seconds. All figures are medians over the rounds. The whole job is timed
with its fits; film, map and kernel are also timed separately, with the simulator's fits.
"""

import multiprocessing
import shutil
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from calib.bench.figure import Figure, Reach
from calib.bench.own_jobs import FITS, JOB, MAP, OwnJobs, Timed, emptied, in_turns
from calib.bench.scene import PACKAGE
from calib.bench.speed_rivals import affine_warp, chain, ready_picture, spline_warp, warp
from calib.ordered import in_order
from calib.products.provenance import peak_memory_mb
from calib.run.frame_job import run_frame
from calib.run.progress import Progress, silent
from calib.run.rasters.map import map_block, tiles, write_map

SIZES_MPX = (10.0, 40.0)
KERNEL, EXACT = "map, kernel alone", "map, written, every digit"
NODATA, FAST, CHAIN, COPY = "warp, no-data", "warp", "conventional chain", "memory copy"
SPLINE, CUBIC = "SciPy spline", "scikit-image warp"


def bench_speed(mpx: float, folder: Path, *, threads: int, rounds: int, progress: Progress = silent) -> list[Figure]:
    """All figures of one size; the frame is made in `folder` or found there."""
    own = OwnJobs.on(mpx, folder, threads, progress)
    maker, ready, out = own.maker, ready_picture(own.made_of, own.maker), own.out
    places, room = list(tiles(maker.grid)), np.empty_like(ready.out)

    def kernel_alone() -> None:
        for _ in in_order(lambda place: map_block(maker, *place), places, threads):
            pass

    jobs: dict[str, Callable[[], object]] = {
        **own.jobs,
        EXACT: lambda: write_map(maker, emptied(out), threads, silent, exact=True),
        KERNEL: kernel_alone,
        NODATA: lambda: warp(ready, threads, nodata=True),
        FAST: lambda: warp(ready, threads, nodata=False),
        CHAIN: lambda: chain(own.made_of, ready, threads, emptied(out) / "chain.tif"),
        SPLINE: lambda: spline_warp(ready),
        CUBIC: lambda: affine_warp(ready),
        COPY: lambda: np.copyto(room, ready.out),
    }
    timed = in_turns(jobs, rounds, progress)
    sizes = dict.fromkeys(jobs, own.map_mpx)
    sizes[SPLINE], sizes[CUBIC] = spline_warp(ready) / 1e6, affine_warp(ready) / 1e6
    own.clear()
    found = {name: Timed(*seconds, sizes[name]) for name, seconds in timed.items()} | own.timed(timed)
    return figures_of(f"{mpx:g} Mpx", found, peak_memory(folder / PACKAGE, out, threads))


def figures_of(scene: str, found: Mapping[str, Timed], peak_gb: float) -> list[Figure]:
    """Throughput of every job, and the ratios with their targets."""

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
    """Text with seconds, and nanoseconds of processor time per pixel, which a busy machine changes less."""
    return {"s": one.median, "least s": min(one.seconds), "ns/px": 1e3 * float(np.median(one.busy)) / one.mpx}


def peak_memory(package: Path, out: Path, threads: int) -> float:
    """Peak resident memory (GB) of a separate process that makes all products of a frame, which are then removed."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as alone:
        return alone.submit(_made_alone, package, out, threads).result()


def _made_alone(package: Path, out: Path, threads: int) -> float:
    run_frame(package, out, threads=threads, overwrite=True)
    shutil.rmtree(out)
    return peak_memory_mb() / 1024
