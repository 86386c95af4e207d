"""`calib to-map`: a plain image with camera and pointing onto a map grid."""

from pathlib import Path

import click

from calib.cli.bars import bars
from calib.cli.options import out_file_option, sample_option
from calib.cli.tables import print_warnings
from calib.frame.standalone import MappedImageDescription, read_alone
from calib.run.image.labelled import read_image
from calib.run.image.to_map import described_dem, image_to_map
from calib.run.image.write import write_image


@click.command("to-map")
@click.argument("image", type=click.Path(path_type=Path))
@click.argument("description", type=click.Path(path_type=Path))
@out_file_option
@sample_option
def command(image: Path, description: Path, out: Path, sample_mm: float | None) -> None:
    """Put the raster IMAGE onto a map grid.

    DESCRIPTION is a TOML file with the tables camera, pointing and, if wanted, terrain and map, as in a frame package.
    """
    described, document = read_alone(description, MappedImageDescription)
    dem = described_dem(described, document)
    with bars(f"{image} -> {out}") as progress:
        made = image_to_map(read_image(image, sample_mm), described, description, dem, progress)
        share = write_image(made, out, progress)
    click.echo(f"map: {out} ({100 * share:.1f} % of its pixels hold a value)")
    if share == 0:
        print_warnings(["the map holds no value: image, camera format and map.bounds have no ground in common"])
