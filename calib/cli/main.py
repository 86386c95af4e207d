"""The `calib` command; the sub-commands live one in a file."""

import sys

import click

from calib.cli.lazy import LazyGroup
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


@click.command(cls=LazyGroup, said=COMMANDS)
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
