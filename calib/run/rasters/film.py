"""film/density.tif and film/quality.tif, written block by block."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from numpy.typing import NDArray

from calib.film.assemble import FilmBlock, FilmGrid, blocks, film_block, film_grid, kernel_scale
from calib.film.kernels import DEFAULT_KERNEL
from calib.light.curve import film_curve
from calib.products.pyramid import round_by_sigma
from calib.products.rasters import RasterSpec
from calib.run.fitting.fit import FrameFits
from calib.run.progress import Progress
from calib.run.rasters.blockwise import by_name, write_blocks
from calib.run.rasters.headers import MASK_TEXTS, PIXEL, frame_texts, layout_on
from calib.run.rasters.previews import Preview
from calib.run.rasters.rounding import value_spec

AXES = "x to the right, y down, in film mm from the centre of the format"


@dataclass(frozen=True, slots=True, eq=False)
class FilmPictures:
    """Previews of the film products."""

    density: Preview
    quality: Preview


def grid_of(fits: FrameFits) -> FilmGrid:
    """The film grid of a frame: square pixels of the nominal sample size."""
    return film_grid(fits.sources(), fits.frame.scan.sample_mm)


def film_maker(fits: FrameFits, grid: FilmGrid, kernel: str = DEFAULT_KERNEL) -> Callable[[slice, slice], FilmBlock]:
    """A function that makes any block (rows, columns) of a frame's assembled film."""
    sources, scale = fits.sources(), kernel_scale(fits.frame.scan)
    characteristic = fits.frame.film.characteristic
    span = film_curve(characteristic.log_exposure, characteristic.density).span

    def make(rows: slice, columns: slice) -> FilmBlock:
        return film_block(sources, grid, rows, columns, scale=scale, curve_span=span, kernel=kernel)

    return make


def write_film(
    fits: FrameFits,
    folder: Path,
    threads: int,
    progress: Progress,
    *,
    kernel: str = DEFAULT_KERNEL,
    exact: bool = False,
) -> FilmPictures:
    """Write the film products into `folder`; returns their previews. With `exact`, no value is rounded."""
    grid = grid_of(fits)
    make, places = film_maker(fits, grid, kernel), [place for row in blocks(grid) for place in row]

    def made(rows: slice, columns: slice) -> dict[str, NDArray]:
        block = make(rows, columns)
        if not exact:
            round_by_sigma(block.density.ravel(), block.sigma.ravel())
        return by_name(block)

    texts = {**frame_texts(fits.frame), "kernel": kernel, "pixel": PIXEL, "axes": AXES}
    density_layout = layout_on(grid, "float32", "density of the film, -log10 T", texts, "1")
    density_spec = value_spec(folder / "density.tif", density_layout, exact=exact)
    quality_layout = layout_on(grid, "uint16", "quality bits", {**texts, **MASK_TEXTS})
    quality_spec = RasterSpec(folder / "quality.tif", quality_layout)
    specs = {"density": density_spec, "quality": quality_spec}
    return FilmPictures(**write_blocks(specs, places, made, threads, "assembling the film", progress))
