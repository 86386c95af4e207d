"""film/density.tif and film/quality.tif, written block by block."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calib.film.assemble import FilmBlock, FilmGrid, blocks, film_block, film_grid, kernel_scale
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


def film_maker(fits: FrameFits, grid: FilmGrid) -> Callable[[slice, slice], FilmBlock]:
    """What makes any block (rows, columns) of a frame's assembled film."""
    sources, scale = fits.sources(), kernel_scale(fits.frame.scan)
    characteristic = fits.frame.film.characteristic
    span = film_curve(characteristic.log_exposure, characteristic.density).span

    def make(rows: slice, columns: slice) -> FilmBlock:
        return film_block(sources, grid, rows, columns, scale=scale, curve_span=span)

    return make


def write_film(fits: FrameFits, folder: Path, threads: int, progress: Progress) -> FilmPictures:
    """Write the film products into `folder`; returns their small pictures."""
    grid = grid_of(fits)
    pictures = FilmPictures(Preview.of(grid.rows, grid.columns), Preview.of(grid.rows, grid.columns))
    make, places = film_maker(fits, grid), [place for row in blocks(grid) for place in row]

    def work(place: tuple[slice, slice]) -> tuple[slice, slice, FilmBlock]:
        return (*place, make(*place))

    density_spec = RasterSpec(
        folder / "density.tif", _layout(grid, np.dtype("float32"), "density of the film, -log10 T")
    )
    quality_spec = RasterSpec(folder / "quality.tif", _layout(grid, np.dtype("uint16"), "quality bits"))
    with raster(density_spec) as density, raster(quality_spec) as quality:
        made = tracked(in_order(work, places, threads), len(places), "assembling the film", progress)
        for rows, columns, block in made:
            place = (rows.start, columns.start)
            density.write_block(*place, block.density)
            quality.write_block(*place, block.quality)
            pictures.density.add_mean(*place, block.density)
            pictures.quality.add_nearest(*place, block.quality)
    return pictures


def _layout(grid: FilmGrid, dtype: np.dtype, description: str) -> RasterLayout:
    return RasterLayout(
        rows=grid.rows, cols=grid.columns, dtype=dtype, center_transform=grid.center_transform, description=description
    )
