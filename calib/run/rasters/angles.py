"""The optional rasters map/incidence.tif, emission.tif and phase.tif: the lighting of each map pixel.

The angles refer to level ground, also over terrain: the normal is the zenith, while the places of ground and camera are
the true ones. They are known wherever the ground lies in the format, even if the film could not be calibrated there.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.ground.locate import Locator, block
from calib.products.rasters import RasterSpec
from calib.products.stac import Asset
from calib.run.progress import Progress
from calib.run.rasters.blockwise import by_name, write_blocks
from calib.run.rasters.headers import frame_texts, layout_on
from calib.run.rasters.map import MapMaker, tiles

ANGLES = {
    "incidence": "angle between the zenith and the direction to the Sun",
    "emission": "angle between the zenith and the direction to the camera",
    "phase": "angle between the directions to the Sun and to the camera",
}
ANGLE_ASSETS = tuple(Asset(name, f"map/{name}.tif", text, ("data",), "degree") for name, text in ANGLES.items())


@dataclass(frozen=True, slots=True, eq=False)
class AngleBlock:
    """Angles of a block of the map, each (rows, columns), degrees; NaN outside the format and off the Moon."""

    incidence: NDArray[np.float32]
    emission: NDArray[np.float32]
    phase: NDArray[np.float32]


def angle_block(where: Locator, rows: slice, columns: slice) -> AngleBlock:
    """The angles of one block, accurate to 0.001 deg."""
    located = block(where, rows, columns)
    angles = (located.incidence_deg, located.emission_deg, located.phase_deg)
    return AngleBlock(*(angle.astype(np.float32) for angle in angles))


def write_angles(maker: MapMaker, folder: Path, threads: int, progress: Progress) -> None:
    """Write the three rasters into `folder`, on the map's grid."""
    texts = frame_texts(maker.fits.frame)
    specs = {
        name: RasterSpec(folder / f"{name}.tif", layout_on(maker.grid, "float32", f"{text}, degrees", texts, "degree"))
        for name, text in ANGLES.items()
    }

    def make(rows: slice, columns: slice) -> dict[str, NDArray]:
        return by_name(angle_block(maker.where, rows, columns))

    write_blocks(specs, list(tiles(maker.grid)), make, threads, "working out the angles", progress)


def clear_angles(folder: Path) -> None:
    """Remove the rasters of an earlier run from `folder`: they belong to another map."""
    for name in ANGLES:
        (folder / f"{name}.tif").unlink(missing_ok=True)
