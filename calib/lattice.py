"""Smooth quantities over a pixel grid, computed at lattice nodes and interpolated between them, with a check.

Nodes lie at whole multiples of half a step, independent of the block. A cell is one step wide; it is interpolated
between its half-step nodes only if interpolation between its corners reproduces its inner nodes.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare, njit
from calib.coordinates import Array


@dataclass(frozen=True, slots=True, eq=False)
class NodeValues:
    """The lattice around a block of `shape` pixels: `nodes` (K, R, C), K quantities, are `half` pixels apart.

    `good` and `empty` are masks of cells: those that can be interpolated, and those without any value at a node. The
    block's first pixel is `offset` = (rows, columns) after the first node.
    """

    nodes: Array
    good: NDArray[np.bool_]
    empty: NDArray[np.bool_]
    half: int
    offset: tuple[int, int]
    shape: tuple[int, int]

    def part(self, rows: slice, columns: slice) -> "NodeValues":
        """The lattice for a part of the pixels, as `lattice` makes it; the block must start at the first node."""
        step, at = 2 * self.half, (rows, columns)
        cells = tuple(slice(pixels.start // step, -(-pixels.stop // step)) for pixels in at)
        nodes = np.ascontiguousarray(self.nodes[:, *(slice(2 * some.start, 2 * some.stop + 1) for some in cells)])
        offset = rows.start - step * cells[0].start, columns.start - step * cells[1].start
        shape = rows.stop - rows.start, columns.stop - columns.start
        good, empty = (np.ascontiguousarray(of_cells[cells]) for of_cells in (self.good, self.empty))
        return NodeValues(nodes, good, empty, self.half, offset, shape)

    def cell_of_pixels(self, cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """A mask of cells expanded to the pixels of the block."""
        row, column = (
            (np.arange(n) + first) // (2 * self.half) for n, first in zip(self.shape, self.offset, strict=True)
        )
        return cells[np.ix_(row, column)]

    def at(self, values: Array, row: Array, column: Array) -> Array:
        """Node values (K, R, C) interpolated at rows (N,) and columns (M,) from the block's first pixel on: (K, N, M).

        Places may lie beyond the block but within the nodes; NaN beyond the nodes and in cells that are not good.
        """
        out = np.empty((len(values), row.size, column.size))
        _at(values, self.good, self.half, row + self.offset[0], column + self.offset[1], out)
        return out

    def interpolated(self, values: Array, good: NDArray[np.bool_]) -> Array:
        """Node values (K, R, C) interpolated at all pixels (K, rows, columns); NaN in cells that are not `good`."""
        out = np.empty((len(values), *self.shape))
        _interpolate(np.ascontiguousarray(values), good, self.half, *self.offset, out)
        return out


def lattice(
    exact: Callable[[Array, Array], Array], tolerance: Array, step: int, rows: slice, columns: slice
) -> NodeValues:
    """The lattice around a block; `exact` returns the K quantities (K, ...) at pixels (row, column)."""
    first_r, first_c = rows.start // step, columns.start // step
    cells_r, cells_c = -(-rows.stop // step) - first_r, -(-columns.stop // step) - first_c
    half = step // 2
    node_r = first_r * step + half * np.arange(2 * cells_r + 1, dtype=np.float64)
    node_c = first_c * step + half * np.arange(2 * cells_c + 1, dtype=np.float64)
    nodes = exact(*np.meshgrid(node_r, node_c, indexing="ij"))
    offset = rows.start - first_r * step, columns.start - first_c * step
    shape = rows.stop - rows.start, columns.stop - columns.start
    return NodeValues(nodes, *good_cells(nodes, tolerance), half, offset, shape)


def good_cells(nodes: Array, tolerance: Array) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Mask of cells (two half steps wide) whose inner nodes agree with interpolated corners, and mask of empty cells.

    Interpolation is done between half-step nodes, which leaves a quarter of the difference tested here. `tolerance` is
    given for the K quantities, (K,), or also for each cell, (K, cells down, cells across).
    """
    cells = (nodes.shape[1] - 1) // 2, (nodes.shape[2] - 1) // 2
    each = tolerance if tolerance.ndim == 3 else tolerance[:, np.newaxis, np.newaxis]
    limit = np.ascontiguousarray(np.broadcast_to(each, (len(nodes), *cells)))
    good, empty = np.empty(cells, np.bool_), np.empty(cells, np.bool_)
    _prove(np.ascontiguousarray(nodes), limit, good, empty)
    return good, empty


@bare(cache=True, nogil=True)
def _prove(nodes, limit, good, empty):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Determine which cells are good and which are empty; NaN agrees with nothing."""
    for i in range(good.shape[0]):
        for j in range(good.shape[1]):
            met, r, c = True, 2 * i, 2 * j
            for k in range(nodes.shape[0]):
                at, most = nodes[k], limit[k, i, j]
                a, b, d, e = at[r, c], at[r, c + 2], at[r + 2, c], at[r + 2, c + 2]
                met = met and abs(at[r, c + 1] - (a + b) / 2) <= most and abs(at[r + 2, c + 1] - (d + e) / 2) <= most
                met = met and abs(at[r + 1, c] - (a + d) / 2) <= most and abs(at[r + 1, c + 2] - (b + e) / 2) <= most
                met = met and abs(at[r + 1, c + 1] - (a + b + d + e) / 4) <= most
            good[i, j], none = met, True
            for v in range(r, r + 3):
                for u in range(c, c + 3):
                    none = none and np.isnan(nodes[0, v, u])
            empty[i, j] = none


@bare(cache=True, nogil=True, inline="always")
def between(nodes, r, c, v):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Values in columns `c` and `c` + 1 of the nodes, at fraction `v` of the way from row `r` to the next."""
    above, below = nodes[r], nodes[r + 1]
    return above[c] + v * (below[c] - above[c]), above[c + 1] + v * (below[c + 1] - above[c + 1])


@bare(cache=True, nogil=True)
def _at(values, good, half, row, column, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Interpolate bilinearly at rows and columns counted from the first node."""
    for i in range(row.size):
        r, v, known_r = _node_before(row[i], half, values.shape[1])
        for j in range(column.size):
            c, u, known_c = _node_before(column[j], half, values.shape[2])
            known = known_r and known_c and good[r // 2, c // 2]
            for k in range(values.shape[0]):
                left, right = between(values[k], r, c, v)
                out[k, i, j] = left + u * (right - left) if known else np.nan


@bare(cache=True, nogil=True, inline="always")
def _node_before(pixel, half, n_nodes):  # type: ignore[no-untyped-def]  # pragma: no cover
    """For a pixel counted from the first node: the node before it, the fraction to the next, and whether both exist."""
    node = min(max(np.int64(np.floor(pixel / half)), 0), n_nodes - 2)
    share = pixel / half - node
    return node, share, share >= 0 and share <= 1


@njit(cache=True, nogil=True)
def _interpolate(nodes, good, half, offset_r, offset_c, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Interpolate bilinearly between half-step nodes in good cells; NaN in the others."""
    for k in range(out.shape[0]):
        for i in range(out.shape[1]):
            r = (i + offset_r) // half
            v = (i + offset_r - r * half) / half
            for c in range(offset_c // half, (out.shape[2] - 1 + offset_c) // half + 1):
                start, stop = max(c * half - offset_c, 0), min((c + 1) * half - offset_c, out.shape[2])
                row = out[k, i, start:stop]
                if not good[r // 2, c // 2]:
                    row[:] = np.nan
                    continue
                left, right = between(nodes[k], r, c, v)
                slope, first = (right - left) / half, start + offset_c - c * half
                for j in range(row.size):
                    row[j] = left + (first + j) * slope
