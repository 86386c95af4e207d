"""`calib tie`: control points for a frame, found in a modern map."""

from pathlib import Path

import click

from calib.cli.bars import bars
from calib.cli.tables import print_warnings
from calib.run.tie.job import tie_frame
from calib.run.tie.words import facts_of


@click.command()
@click.argument("frame", type=click.Path(path_type=Path))
@click.option(
    "--map",
    "modern",
    type=click.Path(path_type=Path),
    required=True,
    help="A georeferenced picture of the same ground: one band, any projection of the Moon, any Sun.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    help="The control file (CSV) to be written; a page with the same name and the ending .html comes beside it.",
)
@click.option(
    "--search-km",
    type=click.FloatRange(min=0, min_open=True),
    default=None,
    help="How far on the ground the stated pointing may be off. Default: four of its stated sigmas, or 2 km.",
)
@click.option("--overwrite", is_flag=True, help="Replace a control file that is there already.")
def command(frame: Path, modern: Path, out: Path, search_km: float | None, overwrite: bool) -> None:
    """Find points of FRAME (its frame.toml, or the folder that holds it) in a modern map.

    Writes them as a control file and says how far the pointing was off. Where the frame cannot be found for sure,
    nothing is written.
    """
    with bars(f"{frame} in {modern} -> {out}") as progress:
        result = tie_frame(frame, modern, out, search_km=search_km, overwrite=overwrite, progress=progress)
    print_warnings(result.warnings)
    facts = facts_of(result)
    width = max(len(label) for label, _ in facts)
    for label, text in facts:
        click.echo(f"{label:<{width}}  {text}")
    click.echo(f"page: {result.page}")
    click.echo(f"control file: {out}; to use it, put these lines into frame.toml:")
    click.echo("")
    for line in result.lines:
        click.echo(line)
