"""Finds the pixels of a map block that the terrain hides from the camera.

Occlusion is tested at nodes half as far apart as those of the elevation model, at whole multiples of a step that does
not depend on the block. Where four neighbours differ, each pixel between them is tested. So hidden areas are outlined
to a pixel, but areas smaller than half the elevation model's spacing may be missed.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.ground.occlusion import occluded
from calib.ground.terrain import Terrain

Sights = Callable[[Array, Array], tuple[Array, Array]]
LARGEST_STEP = 64


def hidden_pixels(terrain: Terrain, sights: Sights, rows: slice, columns: slice, pixel_km: float) -> NDArray[np.bool_]:
    """Mask (rows, columns) of the hidden pixels of a block.

    `sights` gives, for any rows and columns, the camera position, (3,) or (..., 3), and the ground (..., 3), in km.
    """
    step = int(np.clip(terrain.node_km / (2 * pixel_km), 1, LARGEST_STEP))
    first_r, first_c = rows.start // step, columns.start // step
    node_r = step * np.arange(first_r, -(-(rows.stop - 1) // step) + 2, dtype=np.float64)
    node_c = step * np.arange(first_c, -(-(columns.stop - 1) // step) + 2, dtype=np.float64)
    camera, ground = sights(*np.meshgrid(node_r, node_c, indexing="ij"))
    known = np.isfinite(ground[..., 0]) & np.isfinite(camera[..., 0])
    from_ = camera if camera.ndim == 1 else camera.reshape(-1, 3)
    at_node = occluded(terrain, from_, ground.reshape(-1, 3)).reshape(known.shape)
    every, any_ = (_corners(at_node & known, np.logical_and), _corners(at_node | ~known, np.logical_or))
    row, column = np.meshgrid(np.arange(rows.start, rows.stop), np.arange(columns.start, columns.stop), indexing="ij")
    cell = (row // step - first_r, column // step - first_c)
    hidden = every[cell]
    undecided = any_[cell] & ~hidden
    if undecided.any():
        camera, place = sights(row[undecided].astype(np.float64), column[undecided].astype(np.float64))
        hidden[undecided] = occluded(terrain, camera, place)
    return np.asarray(hidden)


def _corners(at_node: NDArray[np.bool_], join: np.ufunc) -> NDArray[np.bool_]:
    """For each cell, the values at its four corners combined by `join`."""
    upper = join(at_node[:-1, :-1], at_node[:-1, 1:])
    return np.asarray(join(upper, join(at_node[1:, :-1], at_node[1:, 1:])))
