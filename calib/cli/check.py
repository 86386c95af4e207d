"""`calib check`: is the package in order, and what does it hold?"""

from pathlib import Path

import click

from calib.run.preflight import preflight


@click.command()
@click.argument("frame", type=click.Path(path_type=Path))
def command(frame: Path) -> None:
    """Validate FRAME (its frame.toml, or the folder that holds it) and say what it holds. Writes nothing."""
    facts, warnings = preflight(frame)
    for warning in warnings:
        click.echo(f"warning: {warning}", err=True)
    width = max(len(label) for label, _ in facts)
    for label, text in facts:
        click.echo(f"{label:<{width}}  {text}")
