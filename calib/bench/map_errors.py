"""Measures errors of reflectance on the map, and compares them with those of the ideal calibration."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from calib_demo.truth import Truth
from numpy.typing import NDArray

from calib.bench import perfect
from calib.bench.arrays import block_means, rms, thirds
from calib.bench.figure import Figure, Reach
from calib.bench.wedge_error import WedgeError, true_density, well_exposed
from calib.ground.locate import block_ground
from calib.ordered import in_order
from calib.products.readback import read_raster
from calib.quality import SEAM
from calib.run.fitting.fit import FrameFits
from calib.run.rasters.map import MapMaker, map_block, map_maker, tiles
from calib.run.rasters.map_finish import MapBlock

Grid = NDArray[np.float32]
BLOCK = 16  # map pixels
TONES = ("dark", "middle", "bright")
FLAGGED = ~np.uint16(SEAM)
SCRATCH = 1.4  # length of the simulator's scratches, in arms of a mark
BORDER = 4.0  # samples: reach of the interpolation and blur of the format's edge
CLEAR = 0.1  # density, several times any sample's noise
FEWEST = 8  # least number of blocks for an rms


@dataclass(frozen=True, slots=True, eq=False)
class MapErrors:
    """Arrays over the map (rows, columns): true reflectance and film density; reflectance, ours with its sigma, ours
    fitted with the true wedge, and ideal; and the mask of valid pixels.

    `good`: no map has a quality bit other than SEAM, and all have values.
    """

    true: Grid
    density: Grid
    ours: Grid
    sigma: Grid
    told: Grid
    ideal: Grid
    good: NDArray[np.bool_]


def map_errors(
    maker: MapMaker, told: FrameFits, truth: Truth, products: Path, wedge: WedgeError, threads: int
) -> MapErrors:
    """Collect the map of a finished run, those of the fits `told` and of the ideal calibration, and the truth."""
    names = ("reflectance", "sigma", "quality")
    ours, sigma, quality = (read_raster(products / "map" / f"{name}.tif").values for name in names)
    makers = [map_maker(fits, maker.standard) for fits in (told, perfect.perfected(maker.fits, truth))]
    true, density, informed, ideal = (np.full(ours.shape, np.nan, np.float32) for _ in range(4))
    sound = (quality & FLAGGED) == 0

    def work(place: tuple[slice, slice]) -> tuple[tuple[slice, slice], list[MapBlock], tuple[Grid, Grid]]:
        return place, [map_block(one, *place) for one in makers], _true(maker, truth, wedge, sound[place], place)

    for place, made, (rho, on_film) in in_order(work, tiles(maker.grid), threads):
        true[place], density[place] = rho, on_film
        for values, block in zip((informed, ideal), made, strict=True):
            values[place] = block.reflectance
            sound[place] &= (block.quality & FLAGGED) == 0
    known = np.isfinite(ours) & np.isfinite(sigma) & np.isfinite(informed) & np.isfinite(ideal)
    return MapErrors(true, density, ours, sigma, informed, ideal, sound & known & (true > 0))


def _true(
    maker: MapMaker, truth: Truth, wedge: WedgeError, wanted: NDArray[np.bool_], place: tuple[slice, slice]
) -> tuple[Grid, Grid]:
    """True reflectance and density at the map pixels of a block that are `wanted`, NaN elsewhere."""
    rho, density = (np.full(wanted.shape, np.nan, np.float32) for _ in range(2))
    if wanted.any():
        ground = block_ground(maker.where, *place)
        x, y = truth.film_of_ground(ground.lon_deg[wanted], ground.lat_deg[wanted])
        seen = np.isfinite(x)
        at_x, at_y = np.where(seen, x, 0.0), np.where(seen, y, 0.0)
        seen &= ~_scratched(truth, at_x, at_y) & _within_format(truth, at_x, at_y)
        value = np.where(seen, truth.reflectance_of_film(at_x, at_y), np.nan)
        rho[wanted] = value
        exposure = np.nan_to_num(value) * truth.film.light.factor(at_x, at_y)
        density[wanted] = true_density(wedge.curve, exposure)
    return rho, density


def _within_format(truth: Truth, x_mm: NDArray, y_mm: NDArray) -> NDArray[np.bool_]:
    """Mask of film places so far inside the exposed format that no unexposed film affects them."""
    margin_mm = BORDER * max(truth.scenario.scan.sample_mm, truth.scenario.scan.line_mm)
    half_x, half_y = (side / 2 - margin_mm for side in truth.layout.format_mm)
    return np.asarray((np.abs(x_mm) < half_x) & (np.abs(y_mm) < half_y))


def _scratched(truth: Truth, x_mm: NDArray, y_mm: NDArray) -> NDArray[np.bool_]:
    """Mask of film places near marks that the simulator scratched; the description does not mention that loss."""
    marks = truth.layout.marks
    reach_mm = SCRATCH * truth.film.arm_mm + 6 * truth.film.edge_mm
    hit = np.zeros(x_mm.shape, dtype=bool)
    for (at_x, at_y), damage in zip(marks.true_mm, marks.damage, strict=True):
        if damage == "scratched":
            hit |= (np.abs(x_mm - at_x) < reach_mm) & (np.abs(y_mm - at_y) < reach_mm)
    return hit


def map_figures(scene: str, errors: MapErrors, wedge: WedgeError) -> list[Figure]:
    """The figures of the map: bias, block means, pixels, coverage."""
    return [
        *bias_figures(scene, errors, wedge),
        *block_figures(scene, errors, wedge),
        *pixel_figures(scene, errors, wedge),
        *coverage_figures(scene, errors, wedge),
    ]


def clear(errors: MapErrors, wedge: WedgeError) -> NDArray[np.bool_]:
    """Mask of valid pixels whose true density is so far from the curve's ends that noise does not affect flags."""
    low, high = wedge.curve.span
    return errors.good & (errors.density > low + CLEAR) & (errors.density < high - CLEAR)


def bias_figures(scene: str, errors: MapErrors, wedge: WedgeError) -> list[Figure]:
    """Median relative error of reflectance in each third of the true reflectance, also without the wedge's error."""
    good = clear(errors, wedge)
    true, density = errors.true[good].astype(float), errors.density[good]
    ours, told, ideal = (values[good] / true - 1.0 for values in (errors.ours, errors.told, errors.ideal))
    implied, third = wedge.of_reflectance(density), thirds(true)
    figures = []
    for k, tone in enumerate(TONES):
        mine = third == k
        found, beyond, less, limit = (100 * float(np.median(v[mine])) for v in (ours, told, ours - implied, ideal))
        said = {"ideal": limit, "patches' errors interpolated": 100 * float(np.median(implied[mine]))}
        said["1-sigma of those"] = 100 * wedge.sigma_of_mean_reflectance(density[mine])
        figures += [
            Figure(scene, f"reflectance bias, {tone}", found, "%", None, said),
            Figure(scene, f"reflectance bias told the true wedge, {tone}", beyond, "%", Reach(-0.5, 0.5)),
            Figure(scene, f"reflectance bias less the interpolated errors, {tone}", less, "%", Reach(-0.5, 0.5)),
        ]
    return figures


def block_figures(scene: str, errors: MapErrors, wedge: WedgeError) -> list[Figure]:
    """Errors of block means in units of those of the ideal calibration, in the well-exposed range."""
    exposed = np.zeros_like(errors.good)
    exposed[errors.good] = well_exposed(wedge.curve, errors.density[errors.good])
    implied = np.zeros(errors.true.shape, np.float32)
    implied[exposed] = errors.true[exposed] * wedge.of_reflectance(errors.density[exposed])
    ours, told, ideal, less = (
        block_means(v - errors.true, exposed, BLOCK)
        for v in (errors.ours, errors.told, errors.ideal, errors.ours - implied)
    )
    name = f"reflectance, {BLOCK}x{BLOCK} block means over floor"
    if ours.size < FEWEST:
        return [Figure(scene, name, float("nan"), "", Reach(high=1.3), {"blocks": float(ours.size)})]
    floor = rms(ideal)
    said = {"blocks": float(ours.size), "floor (I/F)": floor, "rms (I/F)": rms(ours)}
    return [
        Figure(scene, name, rms(ours) / floor, "", None, said),
        Figure(scene, f"{name}, told the true wedge", rms(told) / floor, "", Reach(high=1.3)),
        Figure(scene, f"{name}, less the interpolated errors", rms(less) / floor, "", Reach(high=1.3)),
    ]


def pixel_figures(scene: str, errors: MapErrors, wedge: WedgeError) -> list[Figure]:
    """Errors of single pixels in units of those of the ideal calibration: all valid ones, and well-exposed ones."""
    good = errors.good
    exposed = well_exposed(wedge.curve, errors.density[good])
    ours, told, ideal = (v[good].astype(float) - errors.true[good] for v in (errors.ours, errors.told, errors.ideal))
    name = "reflectance, pixels over the ideal calibration"
    said = {"ideal (I/F)": rms(ideal), "well exposed %": 100 * float(np.mean(exposed))}
    return [
        Figure(scene, name, rms(ours) / rms(ideal), "", Reach(high=1.03), said),
        Figure(scene, f"{name}, well exposed", rms(ours[exposed]) / rms(ideal[exposed])),
        Figure(scene, f"{name}, told the true wedge", rms(told) / rms(ideal)),
    ]


def coverage_figures(scene: str, errors: MapErrors, wedge: WedgeError) -> list[Figure]:
    """Share of errors within 1 and 2 sigma, by third of the true reflectance, altogether, and at the curve's ends."""
    good = clear(errors, wedge)
    score = np.abs(errors.ours[good] - errors.true[good]) / errors.sigma[good]
    third = thirds(errors.true[good])
    figures = []
    for times, reach in ((1, Reach(66.0, 70.0)), (2, Reach(94.0, 96.0))):
        for k, tone in enumerate((*TONES, "all")):
            mine = score if tone == "all" else score[third == k]
            share = 100 * float(np.mean(mine < times))
            figures.append(Figure(scene, f"within {times} sigma, {tone}", share, "%", reach))
    ends = errors.good & ~good
    away = np.abs(errors.ours[ends] - errors.true[ends]) / errors.sigma[ends]
    said = {"within 2 sigma": 100 * float(np.mean(away < 2)) if away.size else float("nan"), "pixels": float(away.size)}
    share = 100 * float(np.mean(away < 1)) if away.size else float("nan")
    return [*figures, Figure(scene, "within 1 sigma, at the curve's ends", share, "%", None, said)]
