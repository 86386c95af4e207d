"""Assembles the film frame: all scanned film on a square grid in film millimetres."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from calib.film.interpolate import KernelScale, sample_strips
from calib.film.kernels import DEFAULT_KERNEL
from calib.film.raster import upright
from calib.film.source import StripSource
from calib.film.tables import density_itself
from calib.frame.description import Scan

BLOCK_ROWS, BLOCK_COLUMNS = 512, 1024  # whole tiles of the rasters; memory must not depend on a frame's width


@dataclass(frozen=True, slots=True)
class FilmGrid:
    """Square pixels of `pixel_mm` with edges at its whole multiples; `first_column` and `first_row` count those."""

    pixel_mm: float
    first_column: int
    first_row: int
    rows: int
    columns: int

    @property
    def center_transform(self) -> tuple[float, float, float, float, float, float]:
        """Affine (a, b, c, d, e, f) from (column, row) of pixel centres to film mm."""
        x0, y0 = (self.first_column + 0.5) * self.pixel_mm, (self.first_row + 0.5) * self.pixel_mm
        return (self.pixel_mm, 0.0, x0, 0.0, self.pixel_mm, y0)

    def x_mm(self, column: NDArray[np.float64]) -> NDArray[np.float64]:
        """Film x of pixel centres."""
        return (self.first_column + column + 0.5) * self.pixel_mm

    def y_mm(self, row: NDArray[np.float64]) -> NDArray[np.float64]:
        """Film y of pixel centres."""
        return (self.first_row + row + 0.5) * self.pixel_mm


@dataclass(frozen=True, slots=True, eq=False)
class FilmBlock:
    """A block of the assembled frame, (rows, columns): density and its 1-sigma (NaN if none), quality bits."""

    density: NDArray[np.float32]
    sigma: NDArray[np.float32]
    quality: NDArray[np.uint16]


def film_grid(sources: Sequence[StripSource], pixel_mm: float) -> FilmGrid:
    """The smallest such grid that contains every scanned sample."""
    x = [(s.sweep.x_sample_mm, s.sweep.x_line_mm) for s in sources]
    y = [(s.sweep.y_line_mm, s.sweep.y_sample_mm) for s in sources]
    x_low, x_high = _span(x, pixel_mm)
    y_low, y_high = _span(y, pixel_mm)
    return FilmGrid(pixel_mm, x_low, y_low, y_high - y_low, x_high - x_low)


def _span(parts: list[tuple[NDArray[np.float64], NDArray[np.float64]]], pixel_mm: float) -> tuple[int, int]:
    low = min(a.min() + b.min() for a, b in parts) / pixel_mm - 0.5
    high = max(a.max() + b.max() for a, b in parts) / pixel_mm + 0.5
    return floor(low), ceil(high)


def blocks(grid: FilmGrid) -> list[list[tuple[slice, slice]]]:
    """Blocks (rows, columns) of the grid: rows of blocks from top to bottom, each from left to right."""
    rows, columns = _cuts(grid.rows, BLOCK_ROWS), _cuts(grid.columns, BLOCK_COLUMNS)
    return [[(row, column) for column in columns] for row in rows]


def _cuts(size: int, step: int) -> list[slice]:
    return [slice(start, min(start + step, size)) for start in range(0, size, step)]


def kernel_scale(scan: Scan) -> KernelScale:
    """The scale of film pixels, which are `sample_mm` wide: lines closer together than that are averaged."""
    return KernelScale(line=max(1.0, scan.sample_mm / scan.line_mm))


def film_block(
    sources: Sequence[StripSource],
    grid: FilmGrid,
    rows: slice,
    columns: slice,
    *,
    scale: KernelScale,
    curve_span: tuple[float, float],
    kernel: str = DEFAULT_KERNEL,
) -> FilmBlock:
    """Density of a block of the grid, interpolated once from the strips' samples.

    `curve_span`: lowest and highest density of the characteristic curve, beyond which nothing can be calibrated.
    """
    raster = upright(grid.x_mm, grid.y_mm, rows, columns)
    tables = [density_itself(curve_span)] * len(sources)
    made = sample_strips(sources, raster, scale=scale, fill=False, values=tables, kernel=kernel)
    shape = raster.shape
    return FilmBlock(made.value.reshape(shape), made.sigma.reshape(shape), made.quality.reshape(shape))
