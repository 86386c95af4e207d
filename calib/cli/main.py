"""The `calib` command: finds the sub-command's file only when it is called, so that help stays quick."""

import gc
import importlib
import sys
from types import ModuleType

import click

from calib.errors import NO_ROOM, CalibError

COMMANDS = {
    "check": "Validate a frame package and say what it holds.",
    "run": "Calibrate one frame and put it on the map.",
    "batch": "Calibrate many frames, in several processes or on a cluster.",
    "tie": "Find control points of a frame in a modern map.",
    "demo": "Photograph an invented Moon, calibrate it, compare with the truth.",
    "bench": "Measure the toolkit against the truth of invented scenes.",
    "unband": "Take the vertical banding out of a plain image.",
    "reflectance": "Turn a plain density image into reflectance.",
    "to-map": "Put a plain image with camera and pointing onto a map grid.",
}


class Commands(click.Group):
    """A group whose commands live one in a file and are imported when used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        command: click.Command = _loaded(f"calib.cli.{name.replace('-', '_')}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


def _loaded(module: str) -> ModuleType:
    """Load a module with all that it needs, and leave it out of the search for garbage then and later: it stays."""
    gc.disable()
    try:
        return importlib.import_module(module)
    finally:
        gc.freeze()
        gc.enable()


@click.command(cls=Commands)
@click.version_option(package_name="calib")
def commands() -> None:
    """From digitised film strips of an orbiting camera to calibrated, map-projected reflectance."""


def main() -> None:
    """Run the command line. A mistake in the input, or a disk that takes no more, is one line on standard error; the
    exit status is then 2."""
    try:
        commands()
    except CalibError as error:
        for line in str(error).splitlines():
            click.echo(f"calib: {line}", err=True)
        sys.exit(2)
    except OSError as error:
        if error.errno not in NO_ROOM:
            raise
        where = f" ({error.filename})" if error.filename else ""
        click.echo(f"calib: found {error.strerror}{where}, expected room for all that is written", err=True)
        sys.exit(2)
