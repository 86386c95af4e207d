"""Compares the demo's run with the truth: errors the simulator put in, errors left, and the limit set by noise."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from calib_demo.truth import Truth
from numpy.typing import NDArray

from calib.coordinates import FilmPoints, GroundPoints, ScanPoints
from calib.film.source import StripSource, read_window
from calib.ground.grid import map_to_pixel, to_map
from calib.ground.locate import block, block_ground
from calib.ordered import in_order
from calib.products.readback import read_raster
from calib.quality import SEAM
from calib.run.fitting.fit import FrameFits
from calib.run.rasters.map import MapMaker, tiles
from calib.run.report.figures import rms
from calib.run.report.seams import SeamCheck
from calib.sweep.model import nominal_sweep, to_film, to_scan

Floats = NDArray[np.float64]
STEP = 16  # lines, samples, map pixels between the places compared
FEWEST = 50  # samples a column needs to be judged


@dataclass(frozen=True, slots=True)
class Judged:
    """One row of the demo's table; `put_in` and `limit` are None where they do not apply."""

    name: str
    put_in: float | None
    found: float
    unit: str
    limit: float | None

    @property
    def ratio(self) -> float | None:
        """Found over limit."""
        return self.found / self.limit if self.limit else None


def judge(
    fits: FrameFits, maker: MapMaker, seams: SeamCheck, truth: Truth, products: Path, threads: int
) -> tuple[Judged, ...]:
    """All rows of the table."""
    return (
        *film_geometry(fits, truth),
        *map_places(maker, truth),
        *tone(fits, maker.sources, truth, threads),
        Judged("seam jump, rms", None, rms(seams.jump), "D", rms(seams.floor)),
        *reflectance(maker, truth, products, threads),
        *dropouts(fits, truth),
    )


def film_geometry(fits: FrameFits, truth: Truth) -> tuple[Judged, ...]:
    """Errors of film place over the exposed format, in samples and lines."""
    left: list[Floats] = []
    given: list[Floats] = []
    sigma: list[Floats] = []
    scan = fits.frame.scan
    for k, (strip, sweep) in enumerate(zip(fits.frame.strips, fits.sweep.sweeps, strict=True)):
        line, sample = _lattice(strip.n_lines, strip.n_samples)
        x, y = truth.film_of(k, line, sample)
        inside = _in_format(fits, x, y)
        for errors, fitted in ((left, sweep), (given, nominal_sweep(scan, strip))):
            film = to_film(fitted, ScanPoints(line[inside], sample[inside]))
            errors.append(np.hypot((film.x_mm - x[inside]) / scan.sample_mm, (film.y_mm - y[inside]) / scan.line_mm))
        sigma.append(np.hypot(sweep.sigma_x_mm / scan.sample_mm, sweep.sigma_y_mm / scan.line_mm))
    found, put_in, bound = (np.concatenate(part) for part in (left, given, sigma))
    return (
        Judged("film place, rms", rms(put_in), rms(found), "px", rms(bound)),
        Judged("film place, worst", float(put_in.max()), float(found.max()), "px", None),
    )


def map_places(maker: MapMaker, truth: Truth) -> tuple[Judged, ...]:
    """Errors of map place: each pixel is traced to the raw sample it is made from, then to the true ground place."""
    errors = []
    for rows, columns in tiles(maker.grid):
        located = block(maker.where, rows, columns)
        x, y = (a[::STEP, ::STEP].ravel() for a in (located.film.x_mm, located.film.y_mm))
        row, column = np.mgrid[rows.start : rows.stop : STEP, columns.start : columns.stop : STEP].reshape(2, -1)
        seen = np.isfinite(x)
        errors.append(_map_errors(maker, truth, FilmPoints(x[seen], y[seen]), row[seen], column[seen]))
    error = np.concatenate(errors)
    return (
        Judged("map place, rms", None, rms(error), "px", None),
        Judged("map place, worst", None, float(error.max()), "px", None),
    )


def _map_errors(maker: MapMaker, truth: Truth, film: FilmPoints, row: Floats, column: Floats) -> Floats:
    found = np.full(row.shape, np.nan)
    for k, source in enumerate(maker.sources):
        scan = to_scan(source.sweep, film)
        last = source.raster.n_samples - 1
        on = (scan.sample >= 0) & (scan.sample <= last) & (scan.line >= 0) & (scan.line <= source.raster.n_lines - 1)
        if not on.any():
            continue
        lon, lat, hit = truth.ground_of_film(*truth.film_of(k, scan.line[on], scan.sample[on]))
        places = to_map(maker.grid, GroundPoints(lon, lat, np.zeros(lon.shape)))
        at_row, at_column = map_to_pixel(maker.grid, places)
        found[on] = np.where(hit, np.hypot(at_row - row[on], at_column - column[on]), np.nan)
    return found[np.isfinite(found)]


def tone(fits: FrameFits, sources: tuple[StripSource, ...], truth: Truth, threads: int) -> tuple[Judged, ...]:
    """Banding left in the mean errors of the columns."""
    judged = in_order(lambda k: _column_errors(fits, sources[k], truth, k), range(len(sources)), threads)
    put_in = np.concatenate([strip.column_density for strip in truth.strips])
    error, noise = (np.concatenate(of_strips) for of_strips in zip(*judged, strict=True))
    return (Judged("banding in column means, rms", rms(put_in), rms(error - error.mean()), "D", rms(noise)),)


def _column_errors(fits: FrameFits, source: StripSource, truth: Truth, strip: int) -> tuple[Floats, Floats]:
    window = read_window(source, 0, source.raster.n_lines, fill_marks=False)
    clean = truth.clean_density(strip)
    noise = truth.noise_at(strip, clean)
    place = to_film(source.sweep, ScanPoints(*np.mgrid[: clean.shape[0], : clean.shape[1]].astype(float)))
    good = (window.quality == 0) & _in_format(fits, place.x_mm, place.y_mm)
    count = good.sum(axis=0)
    enough = count >= FEWEST
    error = np.where(good, window.value - clean, 0.0).sum(axis=0)[enough] / count[enough]
    return error, np.sqrt(np.where(good, np.square(noise), 0.0).sum(axis=0)[enough]) / count[enough]


def reflectance(maker: MapMaker, truth: Truth, products: Path, threads: int) -> tuple[Judged, ...]:
    """Errors of reflectance on the map where nothing but a seam is flagged, and the coverage of its sigma."""
    value, sigma, quality = (read_raster(products / "map" / f"{n}.tif") for n in ("reflectance", "sigma", "quality"))

    def errors(at: tuple[slice, slice]) -> tuple[Floats, Floats]:
        """Relative errors in a block of the map, and absolute errors in units of their 1-sigma."""
        good = (np.asarray(quality[at]) & ~np.uint16(SEAM)) == 0
        if not good.any():
            return np.empty(0), np.empty(0)
        ground = block_ground(maker.where, *at)
        true = truth.reflectance_of(ground.lon_deg[good], ground.lat_deg[good])
        error = np.asarray(value[at])[good] - true
        known = np.isfinite(error) & (true > 0)
        return error[known] / true[known], np.abs(error[known] / np.asarray(sigma[at])[good][known])

    judged = in_order(errors, tiles(maker.grid), threads)
    relative, score = (np.concatenate(of_blocks) for of_blocks in zip(*judged, strict=True))
    bias, spread = float(np.median(relative)), float(np.median(np.abs(relative)))
    return (
        Judged("reflectance, median error", None, 100 * abs(bias), "%", None),
        Judged("reflectance, median absolute error of a pixel", None, 100 * spread, "%", None),
        Judged("errors within 1 sigma", None, 100 * float(np.mean(score < 1)), "%", 68.27),
        Judged("errors within 2 sigma", None, 100 * float(np.mean(score < 2)), "%", 95.45),
    )


def dropouts(fits: FrameFits, truth: Truth) -> tuple[Judged, ...]:
    """Shares of the simulated dropouts that were flagged, and of the good samples that were flagged by mistake."""
    planted = flagged = good = mistaken = 0
    for k, (strip, lost) in enumerate(zip(fits.frame.strips, fits.dropouts, strict=True)):
        true, found = truth.dropout_mask(k), lost.mask(0, strip.n_lines)
        planted, flagged = planted + int(true.sum()), flagged + int((true & found).sum())
        good, mistaken = good + int((~true).sum()), mistaken + int((found & ~true).sum())
    return (
        Judged("dropout samples flagged", float(planted), 100 * flagged / max(planted, 1), "%", 100.0),
        Judged("good samples flagged as dropouts", None, 100 * mistaken / max(good, 1), "%", None),
    )


def _lattice(n_lines: int, n_samples: int) -> tuple[Floats, Floats]:
    line, sample = np.mgrid[0:n_lines:STEP, 0:n_samples:STEP].astype(float)
    return line, sample


def _in_format(fits: FrameFits, x_mm: Floats, y_mm: Floats) -> NDArray[np.bool_]:
    half_x, half_y = (side / 2 for side in fits.frame.camera.format_mm)
    inside: NDArray[np.bool_] = (np.abs(x_mm) < half_x) & (np.abs(y_mm) < half_y)
    return inside
