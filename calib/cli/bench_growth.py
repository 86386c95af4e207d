"""`calib bench growth`: what a pixel costs in a large frame beside a small one."""

from contextlib import nullcontext
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from calib.bench.figure import write_json
from calib.bench.growth import SIZES_MPX, bench_growth
from calib.bench.speed import ROUNDS
from calib.cli.bars import bars
from calib.cli.bench_options import folder_option, json_option, print_figures
from calib.cli.options import threads_option


@click.command()
@click.option(
    "--mpx",
    "sizes",
    type=click.FloatRange(min=1),
    multiple=True,
    default=SIZES_MPX,
    show_default=True,
    help="Million pixels of film of a frame; may be given several times.",
)
@click.option("--rounds", type=click.IntRange(min=1), default=ROUNDS, show_default=True, help="Turns of every job.")
@folder_option
@threads_option
@json_option
def command(sizes: tuple[float, ...], rounds: int, out: Path | None, threads: int, json_path: Path | None) -> None:
    """Calibrate and map invented frames of several sizes, in the same turns."""
    with TemporaryDirectory() if out is None else nullcontext(out) as folder, bars("benchmark of growth") as progress:
        found = bench_growth(sizes, Path(folder), threads=threads, rounds=rounds, progress=progress)
    print_figures(f"growth with size, medians of {rounds} rounds, {threads} threads", found)
    if json_path is not None:
        json_path.parent.mkdir(parents=True, exist_ok=True)
        write_json(json_path, found)
