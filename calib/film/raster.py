"""Film places of the pixels of an output raster: always of a few nodes, of every pixel only on demand."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints

NODE_STEP = 16  # pixels between the nodes of a raster


@dataclass(frozen=True, slots=True, eq=False)
class Raster:
    """A block of pixels, `shape` (rows, columns), and the film places (R, C) of the nodes around it.

    The nodes lie at whole multiples of NODE_STEP pixels, the first `offset` = (rows, columns) before the block's first
    pixel; a node without a place is NaN, and its surroundings are computed pixel by pixel. `outside` (rows, columns) is
    nonzero where a pixel has no place; None if every pixel has one. `pixels` returns the places of all pixels (rows,
    columns), NaN if there is none; it is called only where nodes do not suffice, once by each such strip.
    """

    shape: tuple[int, int]
    nodes: FilmPoints
    offset: tuple[int, int]
    outside: NDArray[np.uint16] | None
    pixels: Callable[[], FilmPoints]


def upright(x_mm: Callable[[Array], Array], y_mm: Callable[[Array], Array], rows: slice, columns: slice) -> Raster:
    """A block of a raster parallel to the film axes: `x_mm` and `y_mm` give film places of columns and of rows."""

    def places(row: Array, column: Array) -> FilmPoints:
        return FilmPoints(*np.meshgrid(x_mm(column), y_mm(row)))

    def pixels() -> FilmPoints:
        return places(*(np.arange(part.start, part.stop, dtype=np.float64) for part in (rows, columns)))

    node_rows, node_columns, offset = node_places(rows, columns)
    shape = rows.stop - rows.start, columns.stop - columns.start
    return Raster(shape, places(node_rows, node_columns), offset, None, pixels)


def node_places(rows: slice, columns: slice) -> tuple[Array, Array, tuple[int, int]]:
    """Rows (R,) and columns (C,) of the nodes that a `Raster` of those pixels needs, and its `offset`."""
    at, offset = [], []
    for part in (rows, columns):
        first, last = part.start // (2 * NODE_STEP), -(-part.stop // (2 * NODE_STEP))
        at.append(NODE_STEP * np.arange(2 * first, 2 * last + 1, dtype=np.float64))
        offset.append(part.start - 2 * NODE_STEP * first)
    return at[0], at[1], (offset[0], offset[1])
