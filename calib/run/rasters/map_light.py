"""What light does to a block of the map: exposure to reflectance, and reflectance to the standard geometry.

Both factors vary slowly, over the film and over the map. They are looked up in tables that are proven good to a few
parts in a hundred thousand. Where a table does not hold (near the terminator, the limb, a lens that grows dark), each
pixel's factor is worked out by itself.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.camera.interior import film_to_direction
from calib.compiled import njit
from calib.coordinates import Array, FilmPoints
from calib.frame.description import Sun
from calib.frame.frame import Frame
from calib.ground.block_places import Placed
from calib.ground.locate import Locator, block
from calib.lattice import NodeValues, good_cells
from calib.light.film_table import FilmTable, film_table
from calib.light.functions import to_standard
from calib.light.radiometry import reflectance_per_exposure
from calib.quality import OUTSIDE

RATIO_TOLERANCE = 2e-4  # relative, of a whole step; interpolating between half steps leaves a quarter of it


def reflectance_table(frame: Frame, sun: Sun) -> FilmTable:
    """Radiance factor per lux second over the film of a frame."""
    camera, shutter_s = frame.camera, frame.exposure.shutter_s

    def factor(film: FilmPoints) -> Array:
        cos_field = film_to_direction(camera, film)[..., 2]
        return reflectance_per_exposure(camera, shutter_s, sun.distance_au, sun.illuminance_lx_1au, film, cos_field)

    return film_table(factor, camera.format_mm)


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """The two factors of a block's pixels: radiance factor per lux second, and what brings that to standard geometry.

    `nodes` (2, R, C) lie `half` pixels apart, the first `offset` = (rows, columns) before the block's first pixel.
    Where they do not all serve, `pixels` (2, rows, columns) does; otherwise it is empty.
    """

    nodes: Array
    half: int
    offset: tuple[int, int]
    pixels: NDArray[np.float32]


def light_at_nodes(table: FilmTable, standard: str, places: NodeValues) -> NodeValues:
    """The two factors at the nodes of a lattice of film places and angles; `good` where both are."""
    x, y, *angles = places.nodes
    with np.errstate(divide="ignore"):  # nodes beyond what is seen may lie at the terminator
        ratio = to_standard(standard, *angles)
    nodes = np.stack([table.at(table.held(FilmPoints(x, y))), ratio])
    good, _ = good_cells(nodes, RATIO_TOLERANCE * np.abs(nodes[:, 1::2, 1::2]))
    return replace(places, nodes=nodes, good=good & places.good)


def light_of(
    table: FilmTable, standard: str, where: Locator, seen: Placed, light: NodeValues | None, rows: slice, columns: slice
) -> Light:
    """The light of a block: by `table` and the photometric function called `standard`; `light` is what these give at
    the nodes of its lattice, where it has one.
    """
    if light is None:
        open_, pixels = np.ones(seen.quality.shape, np.bool_), np.full((2, *seen.quality.shape), np.nan, np.float32)
        nodes, half, offset = np.zeros((2, 0, 0)), 1, (0, 0)
    else:
        nodes, half, offset = light.nodes, light.half, light.offset
        if light.good.all():
            return Light(nodes, half, offset, np.zeros((2, 0, 0), np.float32))
        open_ = ~light.cell_of_pixels(light.good)
        pixels = np.empty((2, *seen.quality.shape), np.float32)
        _interpolate(nodes, half, *offset, pixels)
    open_ &= (seen.quality & np.uint16(OUTSIDE)) == 0
    if open_.any():
        located = seen.located or block(where, rows, columns)
        film = FilmPoints(located.film.x_mm[open_], located.film.y_mm[open_])
        angles = [angle[open_] for angle in (located.incidence_deg, located.emission_deg, located.phase_deg)]
        pixels[:, open_] = table.at(film), to_standard(standard, *angles)
    return Light(nodes, half, offset, pixels)


@njit(cache=True, nogil=True)
def across(nodes, half, first, columns):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Rows of nodes, `half` pixels apart, interpolated for the pixels from pixel `first` of them on."""
    out = np.empty((nodes.shape[0], nodes.shape[1], columns), np.float32)
    for k in range(nodes.shape[0]):
        for r in range(nodes.shape[1]):
            for j in range(columns):
                c, t = (j + first) // half, (j + first) % half
                out[k, r, j] = nodes[k, r, c] + (nodes[k, r, c + 1] - nodes[k, r, c]) * (t / half)
    return out


@njit(cache=True, nogil=True)
def _interpolate(nodes, half, offset_r, offset_c, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The pixels between nodes, to the bit as a block has them whose nodes all serve: blocks must not show."""
    wide = across(nodes, half, offset_c, out.shape[2])
    for k in range(out.shape[0]):
        for i in range(out.shape[1]):
            r, share = (i + offset_r) // half, np.float32((i + offset_r) % half) / np.float32(half)
            for j in range(out.shape[2]):
                out[k, i, j] = wide[k, r, j] + share * (wide[k, r + 1, j] - wide[k, r, j])
