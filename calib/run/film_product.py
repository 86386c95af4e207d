"""film/density.tif and film/quality.tif, written band by band."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calib.film.assemble import FilmBlock, FilmGrid, bands, film_block, film_grid
from calib.light.curve import film_curve
from calib.products.rasters import RasterSpec, raster
from calib.products.tiles import RasterLayout
from calib.run.fit import FrameFits
from calib.run.ordered import in_order
from calib.run.previews import Preview
from calib.run.progress import Progress, tracked


@dataclass(frozen=True, slots=True, eq=False)
class FilmPictures:
    """Small pictures of the assembled film, for people."""

    density: Preview
    quality: Preview


def grid_of(fits: FrameFits) -> FilmGrid:
    """The film grid of a frame: square pixels of the nominal sample size."""
    return film_grid(fits.sources(), fits.frame.scan.sample_mm)


def film_bands(fits: FrameFits, grid: FilmGrid, threads: int) -> Iterator[tuple[slice, FilmBlock]]:
    """The assembled film from top to bottom, in bands of rows."""
    sources = fits.sources()
    span = film_curve(*curve_knots(fits)).span
    columns = slice(0, grid.columns)

    def work(rows: slice) -> tuple[slice, FilmBlock]:
        return rows, film_block(sources, grid, rows, columns, span)

    return in_order(work, bands(grid), threads)


def curve_knots(fits: FrameFits) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """The characteristic curve's knots."""
    curve = fits.frame.film.characteristic
    return curve.log_exposure, curve.density


def write_film(fits: FrameFits, folder: Path, threads: int, progress: Progress) -> FilmPictures:
    """Write the film products into `folder`; returns their small pictures."""
    grid = grid_of(fits)
    pictures = FilmPictures(Preview.of(grid.rows, grid.columns), Preview.of(grid.rows, grid.columns))
    total = len(list(bands(grid)))
    density_spec = RasterSpec(
        folder / "density.tif", _layout(grid, np.dtype("float32"), "density of the film, -log10 T")
    )
    quality_spec = RasterSpec(folder / "quality.tif", _layout(grid, np.dtype("uint16"), "quality bits"))
    with raster(density_spec) as density, raster(quality_spec) as quality:
        for rows, block in tracked(film_bands(fits, grid, threads), total, "assembling the film", progress):
            density.write_block(rows.start, 0, block.density)
            quality.write_block(rows.start, 0, block.quality)
            pictures.density.add_mean(rows.start, 0, block.density)
            pictures.quality.add_nearest(rows.start, 0, block.quality)
    return pictures


def _layout(grid: FilmGrid, dtype: np.dtype, description: str) -> RasterLayout:
    return RasterLayout(
        rows=grid.rows, cols=grid.columns, dtype=dtype, center_transform=grid.center_transform, description=description
    )
