"""`calib bench speed`: from raw strips to the map, against the raster library's warp of one ready image."""

from pathlib import Path

import click

from calib.bench.figure import Figure
from calib.bench.speed import SIZES_MPX, bench_speed
from calib.bench.start_up import start_up
from calib.cli.bars import bars
from calib.cli.bench_options import (
    folder_option,
    json_option,
    keep_figures,
    kept_in,
    print_figures,
    rounds_option,
    sizes_option,
)
from calib.cli.options import threads_option


@click.command()
@sizes_option(SIZES_MPX)
@rounds_option
@folder_option
@threads_option
@json_option
def command(sizes: tuple[float, ...], rounds: int, out: Path | None, threads: int, json_path: Path | None) -> None:
    """Time the calibration and mapping of invented frames beside other tools that do parts of that job."""
    found: dict[float, list[Figure]] = {}
    with kept_in(out) as folder:
        for mpx in sizes:
            with bars(f"benchmark at {mpx:g} Mpx") as progress:
                place = folder / f"speed-{mpx:g}"
                found[mpx] = bench_speed(mpx, place, threads=threads, rounds=rounds, progress=progress)
            print_figures(f"{mpx:g} Mpx, medians of {rounds} rounds, {threads} threads", found[mpx])
    others = start_up(rounds)
    print_figures("start-up", others)
    keep_figures(json_path, [figure for figures in (*found.values(), others) for figure in figures])
