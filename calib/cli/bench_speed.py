"""`calib bench speed`: from raw strips to the map, against the raster library's warp of one ready image."""

from contextlib import nullcontext
from pathlib import Path
from tempfile import TemporaryDirectory

import click

from calib.bench.figure import Figure, write_json
from calib.bench.speed import ROUNDS, SIZES_MPX, bench_speed
from calib.bench.start_up import start_up
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
    """Calibrate and map invented frames, in turns with what others need for less."""
    found: dict[float, list[Figure]] = {}
    with TemporaryDirectory() if out is None else nullcontext(out) as folder:
        for mpx in sizes:
            with bars(f"benchmark at {mpx:g} Mpx") as progress:
                place = Path(folder) / f"speed-{mpx:g}"
                found[mpx] = bench_speed(mpx, place, threads=threads, rounds=rounds, progress=progress)
            print_figures(f"{mpx:g} Mpx, medians of {rounds} rounds, {threads} threads", found[mpx])
    others = start_up(rounds)
    print_figures("start-up", others)
    if json_path is not None:
        json_path.parent.mkdir(parents=True, exist_ok=True)
        write_json(json_path, [figure for figures in (*found.values(), others) for figure in figures])
