"""Measures errors of places: marks, film, ties across seams, map, and the round trip from film to ground and back."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
from calib_demo.truth import Truth
from numpy.typing import NDArray

from calib.bench import perfect
from calib.bench.arrays import rms
from calib.bench.figure import Figure, Reach
from calib.camera.exterior import Pose
from calib.coordinates import FilmPoints, ScanPoints
from calib.ground.locate import block
from calib.ground.sphere import moon_to_ground
from calib.ground.view import film_to_moon, ground_to_film
from calib.run.demo.against_truth import map_places
from calib.run.fitting.fit import FrameFits
from calib.run.rasters.map import MapMaker, map_maker, tiles
from calib.sweep.model import to_film, to_scan
from calib.sweep.tables import GOOD

Floats = NDArray[np.float64]
STEP = 16  # lines and samples between the film places compared
TIE_STEP = 4  # lines and samples between the places compared across a seam
ROUND_STEP = 64  # map pixels between the places of the round trip
FAR_SIGMAS, FAR_PX = 5.0, 0.5  # marks with an error above both are false


def mark_figures(scene: str, fits: FrameFits, truth: Truth) -> list[Figure]:
    """Errors of measured marks in units of their stated sigma, and the number of false marks that were used."""
    table, marks = fits.sweep.marks, truth.layout.marks
    line, sample = (np.empty(len(table)) for _ in range(2))
    for k in range(len(fits.frame.strips)):
        mine = table.strip == k
        places = FilmPoints(*marks.true_mm[table.mark[mine]].T)
        at = to_scan(perfect.sweep(truth, k), places)
        line[mine], sample[mine] = at.line, at.sample
    off = np.stack([table.line - line, table.sample - sample])
    sigma = np.sqrt(np.stack([table.var_line, table.var_sample]))
    used, damage = table.used, np.array(marks.damage)[table.mark]
    score = off / sigma
    far = (np.abs(score).max(axis=0) > FAR_SIGMAS) & (np.hypot(*off) > FAR_PX)
    whole = damage == ""
    good = used & whole
    uncut = good & np.array([reason == GOOD for reason in table.reason])
    said = {"line": rms(score[0, good]), "sample": rms(score[1, good]), "rms px": rms(off[:, good])}
    said["not cut by the strip's edge"] = rms(score[:, uncut])
    counts = {
        "marks": float(whole.sum()),
        "whole ones left out": float((whole & ~used).sum()),
        "damaged": float((~whole).sum()),
        "damaged used": float((used & ~whole).sum()),
    }
    wrong = used & (far | (damage == "missing"))
    return [
        Figure(scene, "mark position error over its bound, rms", rms(score[:, good]), "", Reach(high=1.1), said),
        Figure(scene, "wrong marks accepted", float(wrong.sum()), "", Reach(high=0.0), counts),
    ]


def film_figures(scene: str, fits: FrameFits, truth: Truth) -> list[Figure]:
    """Errors of film places over the exposed format, in samples and lines, together, separately, in stated sigma."""
    scan, errors, scores = fits.frame.scan, [], []
    for k, (strip, sweep) in enumerate(zip(fits.frame.strips, fits.sweep.sweeps, strict=True)):
        line, sample = np.mgrid[0 : strip.n_lines : STEP, 0 : strip.n_samples : STEP].reshape(2, -1).astype(float)
        x, y = truth.film_of(k, line, sample)
        inside = _in_format(fits, x, y)
        film = to_film(sweep, ScanPoints(line[inside], sample[inside]))
        at = line[inside].astype(int)
        off = np.stack([film.x_mm - x[inside], film.y_mm - y[inside]])
        errors.append(off / np.array([[scan.sample_mm], [scan.line_mm]]))
        scores.append(off / np.stack([sweep.sigma_x_mm[at], sweep.sigma_y_mm[at]]))
    error, score = np.concatenate(errors, axis=1), np.concatenate(scores, axis=1)
    apart = {"x px": rms(error[0]), "y px": rms(error[1]), "x / sigma": rms(score[0]), "y / sigma": rms(score[1])}
    away = np.hypot(*error)
    return [
        Figure(scene, "film position error, rms", rms(away), "px", Reach(high=0.05), apart),
        Figure(scene, "film position error, worst", float(away.max()), "px", Reach(high=0.2)),
    ]


def tie_figure(scene: str, fits: FrameFits, truth: Truth) -> Figure:
    """Distance between the film places of the same point by two neighbouring strips, over all seams."""
    found = [_tie_differences(fits, truth, left) for left, _ in pairwise(range(len(fits.frame.strips)))]
    error = np.concatenate(found, axis=1)
    said = {"x px": rms(error[0]), "y px": rms(error[1]), "worst px": float(np.hypot(*error).max(initial=0.0))}
    return Figure(scene, "tie across seams, rms", rms(np.hypot(*error)), "px", Reach(high=0.03), said)


def _tie_differences(fits: FrameFits, truth: Truth, left: int) -> Floats:
    """Place by the left strip minus place by the right one (2, N), px, where both saw the film inside the format."""
    scan = fits.frame.scan
    sweeps = [perfect.sweep(truth, k) for k in (left, left + 1)]
    low = sweeps[1].x_sample_mm[0] + sweeps[1].x_line_mm.max()
    high = sweeps[0].x_sample_mm[-1] + sweeps[0].x_line_mm.min()
    half_y = fits.frame.camera.format_mm[1] / 2
    x = np.arange(low, high, TIE_STEP * scan.sample_mm)
    y = np.arange(-half_y, half_y, TIE_STEP * scan.line_mm)
    places = FilmPoints(*(a.ravel() for a in np.meshgrid(x, y)))
    one, other = (
        to_film(fits.sweep.sweeps[k], to_scan(true, places)) for k, true in zip((left, left + 1), sweeps, strict=True)
    )
    return np.stack([(one.x_mm - other.x_mm) / scan.sample_mm, (one.y_mm - other.y_mm) / scan.line_mm])


def map_figures(scene: str, maker: MapMaker, truth: Truth) -> list[Figure]:
    """Errors of map places with the pointing used, with the true pointing, and with the true sweep."""
    pointed = replace(maker.fits, pose=true_pose(maker.fits, truth))
    figures = []
    if maker.fits.resection is not None:
        found, worst = map_places(maker, truth)
        said = {"worst": worst.found}
        figures.append(Figure(scene, "map error left with control, rms", found.found, "px", Reach(high=1.0), said))
    found, worst = map_places(map_maker(pointed, maker.standard), truth)
    limit, _ = map_places(map_maker(perfect.perfected(pointed, truth), maker.standard), truth)
    said = {"with the true sweep": limit.found}
    return [
        *figures,
        Figure(scene, "map position error, rms", found.found, "px", Reach(high=0.05), said),
        Figure(scene, "map position error, worst", worst.found, "px", Reach(high=0.2)),
    ]


def round_trip_figure(scene: str, maker: MapMaker) -> Figure:
    """Largest distance between the ground place of a film place and that after one more round trip by the film."""
    view, away = maker.where.view, [np.zeros(0)]
    for rows, columns in tiles(maker.grid):
        film = block(maker.where, rows, columns).film
        x, y = (a[::ROUND_STEP, ::ROUND_STEP].ravel() for a in (film.x_mm, film.y_mm))
        seen = np.isfinite(x)
        first = film_to_moon(view, FilmPoints(x[seen], y[seen]))
        again = film_to_moon(view, ground_to_film(view, moon_to_ground(first)))
        away.append(1e6 * np.linalg.norm(again - first, axis=-1))
    worst = np.concatenate(away)
    hit = np.isfinite(worst)
    said = {"places": float(worst.size), "lost": float((~hit).sum())}
    return Figure(scene, "round trip ground, film, ground, worst", float(worst[hit].max()), "mm", Reach(high=1.0), said)


def true_pose(fits: FrameFits, truth: Truth) -> Pose:
    """The true pose of the camera; its motion is as stated."""
    return replace(fits.pose, position_km=truth.view.position_km, rotation=truth.view.rotation)


def _in_format(fits: FrameFits, x_mm: Floats, y_mm: Floats) -> NDArray[np.bool_]:
    half_x, half_y = (side / 2 for side in fits.frame.camera.format_mm)
    return np.asarray((np.abs(x_mm) < half_x) & (np.abs(y_mm) < half_y))
