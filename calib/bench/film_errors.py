"""Measures errors of density on the assembled film, and compares them with those of the ideal calibration."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from calib_demo.film import density_of_strip
from calib_demo.truth import Truth
from numpy.typing import NDArray

from calib.bench import perfect
from calib.bench.arrays import block_means, rms
from calib.bench.figure import Figure, Reach
from calib.bench.wedge_error import WedgeError
from calib.film.assemble import FilmBlock, FilmGrid, blocks
from calib.ordered import in_order
from calib.products.readback import read_raster
from calib.quality import SEAM
from calib.run.fitting.fit import FrameFits
from calib.run.rasters.film import film_maker, grid_of

Grid = NDArray[np.float32]
BLOCK = 32  # film pixels
FLAGGED = ~np.uint16(SEAM)


@dataclass(frozen=True, slots=True, eq=False)
class FilmErrors:
    """Arrays over the film (rows, columns): density, true, ours, ours fitted with the true wedge, and ideal; and the
    mask where all are valid inside the exposed format."""

    true: Grid
    ours: Grid
    told: Grid
    ideal: Grid
    good: NDArray[np.bool_]


def film_errors(fits: FrameFits, told: FrameFits, truth: Truth, products: Path, threads: int) -> FilmErrors:
    """Collect the film of a finished run, those of the fits `told` and of the ideal calibration, and the true film."""
    grid, frame = grid_of(fits), fits.frame
    ours, quality = (read_raster(products / "film" / f"{name}.tif").values for name in ("density", "quality"))
    makers = [film_maker(one, grid) for one in (told, perfect.perfected(fits, truth))]
    true, informed, ideal = (np.full(ours.shape, np.nan, np.float32) for _ in range(3))
    good = (quality & FLAGGED) == 0

    def work(place: tuple[slice, slice]) -> tuple[tuple[slice, slice], list[FilmBlock], Grid]:
        return place, [make(*place) for make in makers], clean_density(truth, grid, *place)

    places = [place for row in blocks(grid) for place in row]
    for place, made, clean in in_order(work, places, threads):
        true[place] = clean
        for values, block in zip((informed, ideal), made, strict=True):
            values[place] = block.density
            good[place] &= (block.quality & FLAGGED) == 0
    half_x, half_y = (side / 2 for side in frame.camera.format_mm)
    good &= np.abs(grid.x_mm(np.arange(float(grid.columns))))[None, :] < half_x
    good &= np.abs(grid.y_mm(np.arange(float(grid.rows))))[:, None] < half_y
    known = np.isfinite(ours) & np.isfinite(informed) & np.isfinite(ideal)
    return FilmErrors(true, ours, informed, ideal, good & known)


def clean_density(truth: Truth, grid: FilmGrid, rows: slice, columns: slice) -> Grid:
    """Density of the film without grain at the pixels of a block, as a strip with the grid's geometry would see it."""
    x = grid.x_mm(np.arange(columns.start, columns.stop, dtype=float))
    y = grid.y_mm(np.arange(rows.start, rows.stop, dtype=float))
    as_strip = replace(
        truth.strips[0],
        x_sample_mm=x,
        x_line_mm=np.zeros(y.size),
        y_line_mm=y,
        y_sample_mm=np.zeros(x.size),
    )
    return density_of_strip(truth.film, as_strip, truth.center_x_mm())


def shared_sigma(fits: FrameFits, density: float) -> float:
    """Stated error that averaging over samples does not reduce: rms of the 1-sigma of curve and drift, density."""
    curves = [t.curve_sigma[int(np.argmin(np.abs(t.density_of_dn - density)))] for t in fits.tone.strips]
    drifts = np.concatenate([tone.line_sigma for tone in fits.tone.strips])
    return float(np.hypot(rms(np.array(curves, np.float64)), rms(drifts)))


def film_figures(scene: str, fits: FrameFits, errors: FilmErrors, wedge: WedgeError) -> list[Figure]:
    """Errors of block means of density in units of those of the ideal calibration."""
    implied = np.zeros(errors.true.shape, np.float32)
    implied[errors.good] = wedge.of_density(errors.true[errors.good])
    ours, told, ideal, less = (
        block_means(v - errors.true, errors.good, BLOCK)
        for v in (errors.ours, errors.told, errors.ideal, errors.ours - implied)
    )
    floor = rms(ideal)
    name = f"film density, {BLOCK}x{BLOCK} block means over floor"
    shared = shared_sigma(fits, float(np.median(errors.true[errors.good])))
    said = {"by the fit's own sigma": float(np.hypot(floor, shared)) / floor}
    said |= {"blocks": float(ours.size), "floor (D)": floor, "rms (D)": rms(ours)}
    return [
        Figure(scene, name, rms(ours) / floor, "", None, said),
        Figure(scene, f"{name}, told the true wedge", rms(told) / floor, "", Reach(high=1.3)),
        Figure(scene, f"{name}, less the interpolated errors", rms(less) / floor, "", Reach(high=1.3)),
    ]
