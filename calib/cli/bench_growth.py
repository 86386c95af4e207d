"""`calib bench growth`: what a pixel costs in a large frame beside a small one."""

from pathlib import Path

import click

from calib.bench.growth import SIZES_MPX, bench_growth
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
    """Time the calibration and mapping of invented frames of several sizes, in turns."""
    with kept_in(out) as folder, bars("benchmark of growth") as progress:
        found = bench_growth(sizes, folder, threads=threads, rounds=rounds, progress=progress)
    print_figures(f"growth with size, medians of {rounds} rounds, {threads} threads", found)
    keep_figures(json_path, found)
