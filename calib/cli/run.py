"""`calib run`: one frame, from strips to map."""

from pathlib import Path

import click

from calib.cli.bars import bars
from calib.cli.options import out_option, overwrite_option, standard_option, threads_option
from calib.cli.tables import print_figures, print_warnings
from calib.run.frame_job import run_frame


@click.command()
@click.argument("frame", type=click.Path(path_type=Path))
@out_option
@threads_option
@overwrite_option
@standard_option
@click.option("--angles", is_flag=True, help="Write incidence, emission and phase of each map pixel too, in degrees.")
def command(frame: Path, out: Path, threads: int, overwrite: bool, standard: str, angles: bool) -> None:
    """Calibrate FRAME (its frame.toml, or the folder that holds it) and write the products to --out."""
    with bars(f"{frame} -> {out}") as progress:
        result = run_frame(
            frame, out, threads=threads, overwrite=overwrite, standard=standard, angles=angles, progress=progress
        )
    print_warnings(result.warnings)
    print_figures(result.figures)
    click.echo(f"report: {out / 'report.html'}")
