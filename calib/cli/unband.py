"""`calib unband`: the vertical banding out of a plain image."""

from pathlib import Path

import click

from calib.cli.bars import bars
from calib.cli.options import out_file_option
from calib.run.image.unband import unband_file


@click.command()
@click.argument("image", type=click.Path(path_type=Path))
@out_file_option
@click.option(
    "--pattern",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Raster that receives the pattern taken out.  [default: OUT with .pattern.tif]",
)
@click.option(
    "--period", type=click.FloatRange(min=2), help="Pitch of the banding in columns; searched for if not given."
)
@click.option("--as-float", is_flag=True, help="Write float32 instead of the image's own type.")
def command(image: Path, out: Path, pattern: Path | None, period: float | None, as_float: bool) -> None:
    """Take vertical banding out of the raster IMAGE, which may be of unknown origin.

    The pattern taken out, an image one row high, is written beside the result: check that it shows no ground.
    """
    beside = pattern or out.with_suffix(".pattern.tif")
    with bars(f"{image} -> {out}") as progress:
        found = unband_file(image, out, beside, period=period, as_float=as_float, progress=progress)
    pitch = "does not repeat" if found.period is None else f"repeats every {found.period:.2f} columns"
    share = found.share
    taken = "no banding found" if share < 0.0005 else f"the banding {pitch}"
    click.echo(f"unbanded: {out} ({taken}; {100 * share:.1f} % of the columns' variance taken out)")
    click.echo(f"pattern taken out: {beside}; check that it shows no ground")
