"""`calib bench`: measure the toolkit against the simulator's truth; the sub-commands live in `bench_*.py`."""

import click

from calib.cli.lazy import LazyGroup

COMMANDS = {
    "tone": "Banding, bias, noise and coverage against the truth, beside two rivals.",
    "geometry": "Marks, sweep, ties, map places and resection against the truth.",
    "speed": "The whole job beside the raster library's warp of one ready image.",
    "growth": "What a pixel costs in a large frame beside a small one.",
    "workers": "What a second worker gains in a batch.",
}


@click.command(cls=LazyGroup, said=COMMANDS, prefix="bench_")
def command() -> None:
    """Measure the toolkit against the truth of invented scenes."""
