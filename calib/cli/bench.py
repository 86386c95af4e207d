"""`calib bench`: measure the toolkit against the simulator's truth; the sub-commands live in `bench_*.py`."""

import importlib

import click

COMMANDS = {
    "tone": "Banding, bias, noise and coverage against the truth, beside two rivals.",
    "geometry": "Marks, sweep, ties, map places and resection against the truth.",
    "speed": "Film and map beside the raster library's warp of one ready image.",
    "growth": "What a pixel costs in a large frame beside a small one.",
    "workers": "What a second worker wins in a batch.",
}


class Benchmarks(click.Group):
    """A group whose commands live one in a file and are imported when used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"calib.cli.bench_{name}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.command(cls=Benchmarks)
def command() -> None:
    """Measure the toolkit against the truth of invented scenes."""
