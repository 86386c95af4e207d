"""The pixels of an output raster as film places: of a few nodes always, of every pixel only where it must be."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints

HALF = 16  # pixels between the nodes of a raster


@dataclass(frozen=True, slots=True, eq=False)
class Raster:
    """A block of pixels, `shape` (rows, columns), and the film places (R, C) of the nodes about it.

    The nodes lie at whole multiples of HALF pixels, the first `offset` = (rows, columns) before the block's first
    pixel; one that has no place is NaN, and what lies about it is worked out pixel by pixel. `outside` (rows, columns)
    is not zero where a pixel has no place; None where every pixel has one. `pixels` gives the places of all pixels
    (rows, columns), NaN where there is none: asked for only where nodes do not do, once by each such strip.
    """

    shape: tuple[int, int]
    nodes: FilmPoints
    offset: tuple[int, int]
    outside: NDArray[np.uint16] | None
    pixels: Callable[[], FilmPoints]


def upright(x_mm: Callable[[Array], Array], y_mm: Callable[[Array], Array], rows: slice, columns: slice) -> Raster:
    """The block of a raster whose pixels lie at `x_mm` of their columns and `y_mm` of their rows."""

    def places(row: Array, column: Array) -> FilmPoints:
        return FilmPoints(*np.meshgrid(x_mm(column), y_mm(row)))

    def pixels() -> FilmPoints:
        return places(*(np.arange(part.start, part.stop, dtype=np.float64) for part in (rows, columns)))

    node_rows, node_columns, offset = node_places(rows, columns)
    shape = rows.stop - rows.start, columns.stop - columns.start
    return Raster(shape, places(node_rows, node_columns), offset, None, pixels)


def node_places(rows: slice, columns: slice) -> tuple[Array, Array, tuple[int, int]]:
    """Rows (R,) and columns (C,) of the nodes that a `Raster` of those pixels wants, and its `offset`."""
    at, offset = [], []
    for part in (rows, columns):
        first, last = part.start // (2 * HALF), -(-part.stop // (2 * HALF))
        at.append(HALF * np.arange(2 * first, 2 * last + 1, dtype=np.float64))
        offset.append(part.start - 2 * HALF * first)
    return at[0], at[1], (offset[0], offset[1])
