"""Reads a digital elevation model from disk as a `Terrain`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from rasterio.errors import RasterioError
from rasterio.windows import Window

from calib.camera.exterior import Pose
from calib.camera.shutter import rays_of
from calib.coordinates import GroundPoints, MapPoints
from calib.errors import InputError
from calib.ground.projection import Projection, project, read_projection, unproject
from calib.ground.region import format_edge
from calib.ground.slit import check_slit
from calib.ground.sphere import ground_to_moon, moon_to_ground, ray_to_sphere
from calib.ground.terrain import Terrain, highest_blocks
from calib.ground.view import View
from calib.moon import RADIUS_KM

if TYPE_CHECKING:
    from calib.frame.camera import Camera

KEY = "terrain.dem"
WHOLE_NODES = 3e7  # nodes; rasters up to this size are read completely
MOST_NODES = 3e8  # nodes; a larger part does not fit in memory together with a frame
MARGIN_SHARE, MARGIN_NODES = 0.3, 64  # read around the footprint: ground may hide it, relief displaces it
FARTHEST_M = 30e3  # limit of plausible heights: no place of the Moon lies this far from the sphere
EDGE_PLACES = 64  # along each side of the format
REACH_KM = (-10.0, 0.0, 11.0)  # heights between which the ground of the Moon lies
Refusal = Callable[[str, str], InputError]


def read_terrain(path: Path, described_in: Path, around: GroundPoints | None = None) -> Terrain:
    """Read a raster of heights in metres above the sphere; of a large one only the part `around` some places.

    Raises:
        InputError: no raster, no reference system on the Moon's sphere, no heights, or heights impossible on the Moon.
            It names `described_in` and `terrain.dem`.
    """

    def refusal(found: str, expected: str) -> InputError:
        return InputError(described_in, KEY, f"{path.name}: {found}", expected)

    try:
        with rasterio.open(path) as file:
            projection = _projection(file, refusal)
            window = _window(file, projection, around, refusal)
            heights = file.read(1, window=window, masked=True)
            scale, offset = file.scales[0], file.offsets[0]
            to_map = file.transform @ Affine.translation(window.col_off + 0.5, window.row_off + 0.5)
    except RasterioError as error:
        raise refusal(str(error), "a georeferenced raster") from error
    metres = np.ma.filled(heights.astype(np.float64) * scale + offset, np.nan)
    return _terrain(projection, to_map, metres, refusal)


def view_over(camera: Camera, pose: Pose, dem: Path | None, described_in: Path) -> View:
    """The view of a camera over a frame's elevation model, read around the frame's possible footprint, or over the
    sphere if `dem` is None.

    Raises:
        InputError: see `read_terrain` and `check_slit`.
    """
    check_slit(View(camera, pose), described_in)
    if dem is None:
        return View(camera, pose)
    origin, rays = rays_of(camera, pose, format_edge(camera, EDGE_PLACES))
    reach = [ray_to_sphere(origin, rays, RADIUS_KM + height)[0] for height in REACH_KM]
    around = moon_to_ground(np.concatenate(reach))
    return View(camera, pose, read_terrain(dem, described_in, around))


def _projection(file: rasterio.DatasetReader, refusal: Refusal) -> Projection:
    expected = "a georeferenced raster on the Moon's sphere of radius 1737400 m"
    if file.crs is None or file.transform.is_degenerate or file.transform == Affine.identity():
        raise refusal("no georeference", expected)
    projection = read_projection(file.crs.to_wkt())
    if not isinstance(projection, Projection):
        raise refusal(projection, expected)
    if min(file.shape) < 2:
        raise refusal(f"{file.width} x {file.height} nodes", "at least 2 x 2")
    return projection


def _window(
    file: rasterio.DatasetReader, projection: Projection, around: GroundPoints | None, refusal: Refusal
) -> Window:
    rows, columns = file.shape
    whole = Window(0, 0, columns, rows)
    if around is None or rows * columns <= WHOLE_NODES:
        return whole
    middle, _ = file.transform @ (columns / 2, rows / 2)
    place = project(projection, around, middle)
    inverse = ~file.transform
    column = inverse.a * place.easting_m + inverse.b * place.northing_m + inverse.c
    row = inverse.d * place.easting_m + inverse.e * place.northing_m + inverse.f
    known = np.isfinite(column) & np.isfinite(row)
    if not known.any():
        return whole
    low = np.array([row[known].min(), column[known].min()])
    high = np.array([row[known].max(), column[known].max()])
    margin = MARGIN_NODES + MARGIN_SHARE * (high - low)
    first = np.clip(np.floor(low - margin), 0, np.array([rows, columns]) - 2)
    stop = np.clip(np.ceil(high + margin), first + 2, [rows, columns])
    if np.prod(stop - first) > MOST_NODES:
        raise refusal(f"{np.prod(stop - first):.3g} nodes around the frame", f"at most {MOST_NODES:.0e}")
    return Window(int(first[1]), int(first[0]), int(stop[1] - first[1]), int(stop[0] - first[0]))


def _terrain(projection: Projection, to_map: Affine, metres: NDArray[np.float64], refusal: Refusal) -> Terrain:
    known = np.isfinite(metres)
    if not known.any():
        raise refusal("no heights", "heights in metres above the sphere")
    extreme = float(np.abs(metres[known]).max())
    if extreme > FARTHEST_M:
        raise refusal(f"a height of {extreme:.6g} m", "heights in metres above the sphere, up to 30000")
    warnings: tuple[str, ...] = ()
    if not known.all():
        warnings = (
            f"{KEY}: {np.count_nonzero(~known)} of {known.size} nodes carry no data and are filled from neighbours",
        )
        metres = filled(metres)
    rows, columns = metres.shape
    middle_east, _ = to_map @ ((columns - 1) / 2, (rows - 1) / 2)
    turn = _turn_columns(projection, to_map, columns)
    if turn:
        metres = np.pad(metres, ((0, 0), (1, 1)), mode="wrap")
        to_map = to_map @ Affine.translation(-1, 0)
    height_km = (metres / 1000).astype(np.float32)
    inverse = ~to_map
    return Terrain(
        projection=projection,
        to_node=(inverse.a, inverse.b, inverse.c, inverse.d, inverse.e, inverse.f),
        middle_east=middle_east,
        turn_columns=turn,
        height_km=height_km,
        highest=highest_blocks(height_km),
        lowest_km=min(float(height_km.min()), 0.0),
        node_km=_node_km(projection, to_map, height_km.shape),
        warnings=warnings,
    )


def _turn_columns(projection: Projection, to_map: Affine, columns: int) -> int:
    """The number of columns if the raster goes all round the Moon, else 0."""
    return (
        columns
        if projection.period and to_map.b == 0 and abs(columns * abs(to_map.a) / projection.period - 1) < 0.5 / columns
        else 0
    )


def _node_km(projection: Projection, to_map: Affine, shape: tuple[int, ...]) -> float:
    """Geometric mean spacing of the nodes on the ground at the raster's middle."""
    column, row = shape[1] // 2 + np.array([0.0, 1.0, 0.0]), shape[0] // 2 + np.array([0.0, 0.0, 1.0])
    east = to_map.a * column + to_map.b * row + to_map.c
    north = to_map.d * column + to_map.e * row + to_map.f
    place = ground_to_moon(unproject(projection, MapPoints(east, north)))
    spacing = float(np.sqrt(np.prod(np.linalg.norm(place[1:] - place[0], axis=1))))
    return spacing if np.isfinite(spacing) and spacing > 0 else 0.1


def filled(heights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Heights with NaNs filled smoothly: by means of ever larger blocks, interpolated bilinearly.

    (The pull-push scheme of Gortler et al. 1996, The Lumigraph; citation from memory.)
    """
    known = np.isfinite(heights)
    if known.all() or heights.size == 1:
        return heights
    rows, columns = (n + n % 2 for n in heights.shape)
    padded = np.full((rows, columns), np.nan)
    padded[: heights.shape[0], : heights.shape[1]] = heights
    quads = padded.reshape(rows // 2, 2, columns // 2, 2)
    count = np.isfinite(quads).sum(axis=(1, 3))
    total = np.nansum(quads, axis=(1, 3))
    coarse = filled(np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0))
    r = np.clip((np.arange(heights.shape[0]) - 0.5) / 2, 0, coarse.shape[0] - 1)
    c = np.clip((np.arange(heights.shape[1]) - 0.5) / 2, 0, coarse.shape[1] - 1)
    r0, c0 = (
        np.minimum(r.astype(int), max(coarse.shape[0] - 2, 0)),
        np.minimum(c.astype(int), max(coarse.shape[1] - 2, 0)),
    )
    r1, c1 = np.minimum(r0 + 1, coarse.shape[0] - 1), np.minimum(c0 + 1, coarse.shape[1] - 1)
    v, u = (r - r0)[:, np.newaxis], c - c0
    upper = coarse[np.ix_(r0, c0)] * (1 - u) + coarse[np.ix_(r0, c1)] * u
    lower = coarse[np.ix_(r1, c0)] * (1 - u) + coarse[np.ix_(r1, c1)] * u
    return np.where(known, heights, upper * (1 - v) + lower * v)
