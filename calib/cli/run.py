"""`calib run`: one frame, from strips to map."""

from pathlib import Path

import click

from calib.cli.bars import bars
from calib.cli.options import out_option, overwrite_option, settings_options, threads_option
from calib.cli.tables import print_figures, print_warnings
from calib.run.frame_job import run_frame
from calib.run.settings import Settings


@click.command()
@click.argument("frame", type=click.Path(path_type=Path))
@out_option
@threads_option
@overwrite_option
@settings_options
def command(frame: Path, out: Path, threads: int, overwrite: bool, settings: Settings) -> None:
    """Calibrate FRAME (its frame.toml, or the folder that holds it) and write the products to --out."""
    with bars(f"{frame} -> {out}") as progress:
        result = run_frame(frame, out, settings, threads=threads, overwrite=overwrite, progress=progress)
    print_warnings(result.warnings)
    print_figures(result.figures)
    click.echo(f"report: {out / 'report.html'}")
