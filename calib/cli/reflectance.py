"""`calib reflectance`: a plain density image to reflectance."""

from pathlib import Path

import click

from calib.cli.bars import bars
from calib.cli.options import out_file_option, sample_option
from calib.frame.standalone import DensityImageDescription, read_alone
from calib.run.image.labelled import read_image
from calib.run.image.reflectance import reflectance_of_image
from calib.run.image.write import write_image


@click.command()
@click.argument("image", type=click.Path(path_type=Path))
@click.argument("description", type=click.Path(path_type=Path))
@out_file_option
@sample_option
def command(image: Path, description: Path, out: Path, sample_mm: float | None) -> None:
    """Turn the density raster IMAGE into radiance factor.

    DESCRIPTION is a TOML file with shutter_s and the tables camera, characteristic and sun, as in a frame package.
    """
    described, _ = read_alone(description, DensityImageDescription)
    with bars(f"{image} -> {out}") as progress:
        share = write_image(reflectance_of_image(read_image(image, sample_mm), described), out, progress)
    low, *_, high = sorted(described.characteristic.density)
    click.echo(f"reflectance: {out} ({100 * share:.1f} % of its pixels hold a value)")
    if share < 1:
        click.echo(
            "the others have none in the image, or lie outside the format, "
            f"or outside the densities of the characteristic curve, {low:g} to {high:g}"
        )
