"""`calib demo`: see the whole job done on an invented frame whose truth is known."""

from pathlib import Path

import click
from rich.console import Console
from rich.table import Table

from calib.cli.bars import bars
from calib.cli.options import threads_option
from calib.cli.tables import print_figures, print_warnings
from calib.products.readable import number
from calib.run.demo.job import SCENES, run_demo


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default="tern2-demo",
    show_default=True,
    help="Folder that receives the frame and its products.",
)
@click.option(
    "--scene", default="tern2", show_default=True, help=f"Which invented scene to photograph: {', '.join(SCENES)}."
)
@threads_option
def command(out: Path, scene: str, threads: int) -> None:
    """Make an invented frame (Tern 2, 1971), calibrate it, and compare the products with what was put in."""
    with bars(f"demo of {scene} in {out}") as progress:
        result = run_demo(out, name=scene, threads=threads, progress=progress)
    print_warnings(result.run.warnings)
    print_figures(result.run.figures)
    table = Table("against the truth", "put in", "left", "unit", "limit", "left / limit", box=None, pad_edge=False)
    for row in result.rows:
        put_in, found, limit = (
            "" if value is None else number(value, 4) for value in (row.put_in, row.found, row.limit)
        )
        ratio = "" if row.ratio is None else f"{row.ratio:.2f}"
        table.add_row(row.name, put_in, found, row.unit, limit, ratio)
    console = Console(width=120)
    console.print()
    console.print(table)
    click.echo(f"\nreport: {out / 'products' / 'report.html'}")
