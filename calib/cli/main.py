"""The `calib` command; the sub-commands live one in a file."""

import atexit
import os
import signal
import sys
from threading import Event

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
    """Run the command line. Wrong input or a full disk gives one line on standard error and exit status 2. An interrupt
    cleans up and gives status 130, because 1 means "some frames failed"."""
    interrupted = Event()
    atexit.register(_end_by_signal, interrupted)  # exit handlers registered later run before it
    try:
        sys.exit(commands(standalone_mode=False))
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        interrupted.set()
        click.echo("calib: interrupted", err=True)
        sys.exit(128 + signal.SIGINT)
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


def _end_by_signal(interrupted: Event) -> None:
    """After an interrupt, end the process by that signal: otherwise a shell continues its loop."""
    if interrupted.is_set():
        sys.stdout.flush()
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        os.kill(os.getpid(), signal.SIGINT)
