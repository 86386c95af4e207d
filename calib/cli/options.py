"""Options that several commands share, written once."""

import os
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any

import click

from calib.film.kernels import DEFAULT_KERNEL, KERNELS
from calib.light.functions import DEFAULT_MODEL, MODELS
from calib.run.settings import Settings

MOST_PROCESSORS = 8  # default limit, because the machine may be shared
PROCESSORS = min(os.cpu_count() or 1, MOST_PROCESSORS)
SAID = f"processors, at most {MOST_PROCESSORS}"  # text of the default in help, which is thus the same on all machines

out_option = click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder that receives the products."
)
threads_option = click.option(
    "--threads",
    type=click.IntRange(min=1),
    default=PROCESSORS,
    show_default=SAID,
    help="Worker threads; the products are the same whatever their number.",
)
overwrite_option = click.option("--overwrite", is_flag=True, help="Replace the products of an earlier, finished run.")
_SETTINGS = (
    click.option(
        "--standard",
        type=click.Choice(sorted(MODELS)),
        default=DEFAULT_MODEL,
        show_default=True,
        help="Photometric function that brings map/normal.tif to incidence 30, emission 0, phase 30 degrees.",
    ),
    click.option(
        "--angles", is_flag=True, help="Write incidence, emission and phase of each map pixel too, in degrees."
    ),
    click.option(
        "--kernel",
        type=click.Choice(sorted(KERNELS)),
        default=DEFAULT_KERNEL,
        show_default=True,
        help="How samples are interpolated; the default keeps the scan's resolution, bilinear and cubic lose some of "
        "it.",
    ),
    click.option(
        "--exact", is_flag=True, help="Keep every digit: do not round values to a fraction of their own sigma."
    ),
)
out_file_option = click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="Raster that receives the result."
)
sample_option = click.option(
    "--sample-mm",
    type=click.FloatRange(min=0, min_open=True),
    default=None,
    help="Size of a pixel on the film; the image's middle is then the middle of the format. "
    "Without it the raster's own transform says where its pixels lie, in film mm.",
)


def settings_options(command: Callable[..., None]) -> Callable[..., None]:
    """Decorator that adds the options of a run's settings to a command and passes them as one argument `settings`."""

    @wraps(command)
    def with_settings(*, standard: str, angles: bool, kernel: str, exact: bool, **others: Any) -> None:
        command(settings=Settings(standard=standard, angles=angles, kernel=kernel, exact=exact), **others)

    for option in reversed(_SETTINGS):
        with_settings = option(with_settings)
    return with_settings
