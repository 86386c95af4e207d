"""Craters of many sizes, added to a relief raster."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Raster = NDArray[np.float32]
Metric = Callable[[float, float], tuple[float, float, float] | None]  # row, column -> m11, m12, m22 (1: columns)

SMALLEST_PX = 5.0
SOFTENED = ((120.0, 4.0), (30.0, 1.2))  # pixels: before craters below a diameter, sigma that smooths larger ones
REACH = 2.2  # of the ejecta blanket, in crater radii


def add_craters(
    relief: Raster, albedo: Raster, chance: np.random.Generator, per_mpx: float, largest_px: float, metric: Metric
) -> None:
    """Add craters in place, in number proportional to diameter^-2, from `SMALLEST_PX` to `largest_px`, largest first.

    A few are fresh (deep, with a bright halo in the log-albedo raster), most are degraded.
    """
    rows, columns = relief.shape
    number = chance.poisson(per_mpx * rows * columns * 1e-6)
    diameters = np.sort(np.minimum(SMALLEST_PX / np.sqrt(1.0 - chance.random(number)), largest_px))[::-1]
    places = chance.random((number, 2)) * (rows, columns)
    wear = chance.random(number)
    angles = chance.random((number, 2)) * 2 * np.pi
    craters = np.zeros_like(relief)
    stages = list(SOFTENED)
    for diameter, (row, column), worn, phase in zip(diameters, places, wear, angles, strict=True):
        while stages and diameter < stages[0][0]:
            ndimage.gaussian_filter(craters, stages.pop(0)[1], output=craters)
        depth = 0.04 + 0.26 * (1.0 - worn) ** 1.5
        shape = metric(row, column)
        if shape is not None:
            _add_one(craters, albedo, (row, column), diameter / 2, depth, phase, shape)
    relief += craters


def _add_one(
    relief: Raster,
    albedo: Raster,
    place: tuple[float, float],
    radius: float,
    depth: float,
    phase: NDArray[np.float64],
    metric: tuple[float, float, float],
) -> None:
    m11, m12, m22 = metric
    reach = REACH * radius
    determinant = m11 * m22 - m12 * m12
    half_rows, half_columns = reach * np.sqrt(m11 / determinant), reach * np.sqrt(m22 / determinant)
    if radius * np.sqrt(min(m11, m22) / determinant) < 1.2:
        return  # foreshortened to less than the lens resolves
    top, bottom = max(int(place[0] - half_rows), 0), min(int(place[0] + half_rows) + 2, relief.shape[0])
    left, right = max(int(place[1] - half_columns), 0), min(int(place[1] + half_columns) + 2, relief.shape[1])
    dy = np.arange(top, bottom, dtype=np.float32)[:, None] - np.float32(place[0])
    dx = np.arange(left, right, dtype=np.float32)[None, :] - np.float32(place[1])
    away = np.sqrt(m11 * dx * dx + 2 * m12 * dx * dy + m22 * dy * dy) / radius
    if radius > 6.0:
        angle = np.arctan2(dy, dx)
        away = away / (1.0 + 0.05 * np.cos(2 * angle + phase[0]) + 0.03 * np.cos(3 * angle + phase[1]))
    relief[top:bottom, left:right] += radius * _profile(away, depth, flat=radius > 60.0)
    if depth > 0.24:
        albedo[top:bottom, left:right] += 0.25 * np.exp(-2.0 * away * away / REACH)


def _profile(away: Raster, depth: float, flat: bool) -> Raster:
    """Height in radii at a distance in radii: bowl (flat-floored where `flat`), rim, blanket tapering to nothing."""
    rim = 0.2 * depth
    inside = (depth + rim) * away * away - depth
    if flat:
        inside = np.maximum(inside, -0.6 * depth)
    outer = np.maximum(away, 1.0) ** -3
    end = REACH**-3.0
    return np.where(away < 1.0, inside, rim * np.maximum(outer - end, 0.0) / (1.0 - end))
