"""map/reflectance.tif, sigma.tif, normal.tif and quality.tif: each pixel from raw samples by one interpolation."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import hypot
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.film.interpolate import KernelScale, sample_strips
from calib.film.kernels import DEFAULT_KERNEL
from calib.film.raster import Raster, node_places
from calib.film.source import StripSource
from calib.film.tables import ValueTable
from calib.ground.block_places import Placed, placed
from calib.ground.dem import view_over
from calib.ground.grid import MapGrid, choose_grid
from calib.ground.locate import Locator, film_scale, locator
from calib.ground.view import View
from calib.lattice import NodeValues
from calib.light.curve import FilmCurve, exposure_of, film_curve
from calib.light.exposure import AT_DARK_END, exposure_table
from calib.light.film_table import FilmTable
from calib.moon import SubsolarPoint
from calib.ordered import in_order
from calib.products.rasters import RasterSpec
from calib.products.tiles import TILE
from calib.quality import DROPOUT, HIGH_DENSITY, LOW_DENSITY, OUTSIDE
from calib.run.fitting.fit import FrameFits
from calib.run.progress import Progress
from calib.run.rasters.blockwise import by_name, write_blocks
from calib.run.rasters.headers import MASK_TEXTS, NORMAL, PIXEL, frame_texts, layout_on
from calib.run.rasters.map_finish import OFF_MAP, MapBlock, finished, nothing_seen
from calib.run.rasters.map_light import light_at_nodes, light_of, reflectance_table
from calib.run.rasters.previews import Preview
from calib.run.rasters.rounding import sigma_spec, value_spec
from calib.tone.apply import density_window

DARK_STRETCHES, DARK_LINES = 12, 12  # stretches of a strip, and lines of each, that give its share of shadow
PLACE_TOLERANCE = 0.01  # samples: largest error of a pixel's place on the film


@dataclass(frozen=True, slots=True, eq=False)
class MapMaker:
    """Everything needed to make any block of a frame's map.

    `exposures` turn each strip's density into exposure, `factor` exposure into reflectance. `light` holds the factors
    at the nodes of the whole grid; None where blocks have nodes of their own, or none.
    """

    fits: FrameFits
    grid: MapGrid
    where: Locator
    sources: tuple[StripSource, ...]
    exposures: tuple[ValueTable, ...]
    factor: FilmTable
    standard: str
    kernel: str
    light: NodeValues | None


def view_of(fits: FrameFits) -> View:
    """The camera at its fitted pose, over the frame's terrain or the sphere."""
    frame = fits.frame
    return view_over(frame.camera, fits.pose, frame.dem, frame.path)


def map_maker(fits: FrameFits, standard: str, kernel: str = DEFAULT_KERNEL, threads: int = 1) -> MapMaker:
    """Prepare the map of a frame; InputError where the map that is asked for cannot be."""
    frame, view = fits.frame, view_of(fits)
    grid = choose_grid(view, frame.map, frame.scan, frame.path)
    sun = SubsolarPoint(*fits.sun.subsolar_deg, fits.sun.distance_au)
    curve = film_curve(frame.film.characteristic.log_exposure, frame.film.characteristic.density)
    where = locator(grid, view, sun, PLACE_TOLERANCE * min(frame.scan.sample_mm, frame.scan.line_mm))
    sources = fits.sources()
    half_mm = frame.camera.format_mm[1] / 2
    exposures = tuple(in_order(lambda source: _exposure(curve, source, half_mm), sources, threads))
    factor = reflectance_table(frame, fits.sun)
    light = None if where.places is None else light_at_nodes(factor, standard, where.places)
    return MapMaker(fits, grid, where, sources, exposures, factor, standard, kernel, light)


def _exposure(curve: FilmCurve, source: StripSource, half_format_mm: float) -> ValueTable:
    """Table from a strip's density to exposure, with the noise of its samples and the uncertainty of its tone."""
    tone, (first, last) = source.tone, source.tone.dn_span
    order = first + np.argsort(tone.density_of_dn[first : last + 1], kind="stable")
    tables = (tone.density_of_dn, tone.noise_density, tone.curve_sigma)
    density, noise, doubt = (table[order].astype(np.float64) for table in tables)
    elsewhere = np.mean(tone.column_sigma**2) + np.mean(tone.line_sigma**2)
    dark = _dark_share(curve, source, half_format_mm)
    return exposure_table(curve, density, noise, np.sqrt(doubt**2 + elsewhere), dark)


def _dark_share(curve: FilmCurve, source: StripSource, half_format_mm: float) -> float:
    """Share of a strip's sound samples, of some lines in the format, that lie at the dark end of the film's curve."""
    (low, high), lines = curve.span, np.flatnonzero(np.abs(source.sweep.y_line_mm) < half_format_mm)
    exposure = exposure_of(curve, np.array([low, high]))
    dark, side, bit = (low, 1, LOW_DENSITY) if exposure[0] < exposure[1] else (high, -1, HIGH_DENSITY)
    count, of_dark = 1, 0
    for line in lines[:: max(len(lines) // DARK_STRETCHES, 1)].tolist():
        made = density_window(
            source.raster, source.tone, source.dropouts, line, min(line + DARK_LINES, source.raster.n_lines)
        )
        sound = (made.quality & DROPOUT) == 0
        at_end = ((made.quality & bit) > 0) | (side * (made.density - dark) < AT_DARK_END * made.sigma)
        count += int(np.count_nonzero(sound))
        of_dark += int(np.count_nonzero(sound & at_end))
    return of_dark / count


def map_block(maker: MapMaker, rows: slice, columns: slice, *, exact: bool = True) -> MapBlock:
    """Make one block of the map; unless `exact`, reflectance is rounded by its sigma."""
    seen = placed(maker.where, rows, columns)
    outside = None if seen.is_whole else seen.quality & OFF_MAP
    if outside is not None and outside.all():
        return nothing_seen(seen.quality)
    scan, middle = maker.fits.frame.scan, _middle(seen.quality, rows, columns)
    scale = scale_at(maker.where, *middle, sample_mm=scan.sample_mm, line_mm=scan.line_mm)
    node_rows, node_columns, offset = node_places(rows, columns)
    nodes = seen.film_at(node_rows - rows.start, node_columns - columns.start)
    raster = Raster(seen.quality.shape, nodes, offset, outside, seen.pixels)
    sampled = sample_strips(maker.sources, raster, scale=scale, fill=True, values=maker.exposures, kernel=maker.kernel)
    light = light_of(
        maker.factor, maker.standard, maker.where, seen, _at_nodes(maker, seen, rows, columns), rows, columns
    )
    return finished(sampled, light, seen.quality, exact=exact)


def _middle(quality: NDArray[np.uint16], rows: slice, columns: slice) -> tuple[float, float]:
    """Row and column of the map at the middle of a block, or of the nearest pixel on the map if that one is not.

    There the scale is taken: beyond the limb it is not defined.
    """
    row, column = (rows.stop - rows.start - 1) / 2, (columns.stop - columns.start - 1) / 2
    if quality[int(row), int(column)] & OFF_MAP:
        i, j = np.nonzero(~quality & OFF_MAP)
        nearest = int(np.argmin((i - row) ** 2 + (j - column) ** 2))
        row, column = float(i[nearest]), float(j[nearest])
    return rows.start + row, columns.start + column


def _at_nodes(maker: MapMaker, seen: Placed, rows: slice, columns: slice) -> NodeValues | None:
    """The light at the nodes around a block; None if it has no nodes."""
    if seen.lattice is None:
        return None
    if maker.light is not None:
        return maker.light.part(rows, columns)
    return light_at_nodes(maker.factor, maker.standard, seen.lattice)


def scale_at(where: Locator, row: float, column: float, *, sample_mm: float, line_mm: float) -> KernelScale:
    """How many lines and samples a map pixel spans at a place of the map; at least one each."""
    film = film_scale(where, row, column)
    if film is None:
        return KernelScale()
    across = hypot(film.x_by_column, film.x_by_row) / sample_mm
    along = hypot(film.y_by_column, film.y_by_row) / line_mm
    return KernelScale(line=max(1.0, along), sample=max(1.0, across))


def tiles(grid: MapGrid) -> Iterator[tuple[slice, slice]]:
    """Blocks of the grid in the order of a raster's tiles; two tiles wide, which halves the fixed cost per tile."""
    for row in range(0, grid.rows, TILE):
        for column in range(0, grid.columns, 2 * TILE):
            yield slice(row, min(row + TILE, grid.rows)), slice(column, min(column + 2 * TILE, grid.columns))


@dataclass(frozen=True, slots=True, eq=False)
class MapPictures:
    """Previews of the map products."""

    reflectance: Preview
    sigma: Preview
    normal: Preview
    quality: Preview


def map_warnings(pictures: MapPictures) -> tuple[str, ...]:
    """A warning if the map is empty: it lies beside the frame, or nothing of the frame could be calibrated."""
    if np.isfinite(pictures.reflectance.picture).any():
        return ()
    if pictures.quality.shares[OUTSIDE] == 1.0:
        return ("all of the map is outside: it lies beside the frame, or its pixels are larger than the frame",)
    return ("nothing of this frame could be calibrated: the map holds no value",)


def write_map(maker: MapMaker, folder: Path, threads: int, progress: Progress, *, exact: bool = False) -> MapPictures:
    """Write the map products into `folder`; returns their previews. With `exact`, no value is rounded."""
    grid = maker.grid
    specs = _specs(maker, folder, exact)

    def make(rows: slice, columns: slice) -> dict[str, NDArray]:
        return by_name(map_block(maker, rows, columns, exact=exact))

    return MapPictures(**write_blocks(specs, list(tiles(grid)), make, threads, "making the map", progress))


def _specs(maker: MapMaker, folder: Path, exact: bool) -> dict[str, RasterSpec]:
    grid, texts = maker.grid, {**frame_texts(maker.fits.frame), "kernel": maker.kernel, "pixel": PIXEL}
    floats = {
        "reflectance": (value_spec, "radiance factor", texts),
        "sigma": (sigma_spec, "1-sigma of the radiance factor", texts),
        "normal": (value_spec, NORMAL, {**texts, "photometric_model": maker.standard}),
    }
    specs = {
        name: spec(folder / f"{name}.tif", layout_on(grid, "float32", said, its, "1"), exact=exact)
        for name, (spec, said, its) in floats.items()
    }
    mask = layout_on(grid, "uint16", "quality bits", {**texts, **MASK_TEXTS})
    return {**specs, "quality": RasterSpec(folder / "quality.tif", mask)}
