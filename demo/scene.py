"""The image of the ground by the lens: a raster of the radiance factor in film pixels and the cubic spline through it.

The spline *is* the truth: both the film's exposure and the map's reference are computed from it, so that no sampling
error lies between them. The raster is smoothed as by a lens (`Scene.blur_samples`).
"""

from dataclasses import dataclass

import numpy as np
from calib_demo import structures
from calib_demo.chance import fractal_field, stream
from calib_demo.craters import Metric, add_craters
from calib_demo.illumination import FIELDS, Illumination, illuminate
from calib_demo.scenario import Scenario
from calib_demo.shadow import lit_share
from calib_demo.view import View, point_of
from numpy.typing import NDArray
from scipy import ndimage

Array = NDArray[np.float64]
Raster = NDArray[np.float32]

MARGIN_PX = 10
LUNAR_LAMBERT = 0.6  # weight of the Lommel-Seeliger part
ROWS_AT_ONCE = 256


@dataclass(frozen=True, slots=True, eq=False)
class GroundPicture:
    """Spline coefficients of the radiance factor; raster pixel (row, column) lies at ``x_mm + column step_mm`` etc.

    If it `is_folded`, the raster is continued by its mirror images, so that a huge film needs no huge raster.
    """

    coefficients: Raster
    x_mm: float
    y_mm: float
    step_mm: float
    is_folded: bool = False

    def at(self, x_mm: Array, y_mm: Array) -> Array:
        """Radiance factor (float64) at film places; NaN beyond a raster that is not folded."""
        rows = (np.asarray(y_mm) - self.y_mm) / self.step_mm
        columns = (np.asarray(x_mm) - self.x_mm) / self.step_mm
        last_row, last_column = (n - 1 for n in self.coefficients.shape)
        inside = (rows >= 0) & (rows <= last_row) & (columns >= 0) & (columns <= last_column)
        inside |= self.is_folded & np.isfinite(rows) & np.isfinite(columns)
        places = [np.where(inside, rows, 0.0), np.where(inside, columns, 0.0)]
        values = ndimage.map_coordinates(self.coefficients, places, float, order=3, mode="mirror", prefilter=False)
        return np.where(inside, np.maximum(values, 0.0), np.nan)


def picture_ground(scenario: Scenario, view: View, format_mm: tuple[float, float]) -> GroundPicture:
    """Build relief and albedo, light them, smooth them."""
    step = min(scenario.scan.sample_mm, scenario.scan.line_mm)
    longest_mm = np.inf if scenario.scene.folded_px is None else scenario.scene.folded_px * step / 2
    half_x, half_y = (min(side / 2 + MARGIN_PX * step, longest_mm) for side in format_mm)
    x_mm: Array = -half_x + step * np.arange(int(2 * half_x / step) + 1, dtype=np.float64)
    y_mm: Array = -half_y + step * np.arange(int(2 * half_y / step) + 1, dtype=np.float64)
    sun = point_of(*scenario.sun.subsolar_deg) / np.linalg.norm(point_of(*scenario.sun.subsolar_deg))
    light = illuminate(view, sun, x_mm, y_mm)
    relief, log_albedo = ground_of(scenario, light, (y_mm.size, x_mm.size))
    reflectance = shaded(relief, log_albedo, light, scenario)
    if scenario.scene.shadows:
        reflectance *= lit_share(relief, light)
    reflectance = ndimage.gaussian_filter(reflectance, scenario.scene.blur_samples)
    coefficients = ndimage.spline_filter(reflectance, order=3, output=np.float32, mode="mirror")
    return GroundPicture(coefficients, float(x_mm[0]), float(y_mm[0]), step, scenario.scene.folded_px is not None)


def ground_of(scenario: Scenario, light: Illumination, shape: tuple[int, int]) -> tuple[Raster, Raster]:
    """Relief in ground pixels and natural log of relative albedo, both (rows, columns)."""
    scene, seed = scenario.scene, scenario.seed
    relief = fractal_field(stream(seed, "relief"), shape, 1.9, 400.0)
    steepness = np.hypot(
        *(np.diff(relief, axis=k)[:-1, :] if k else np.diff(relief, axis=k)[:, :-1] for k in (0, 1))
    ).std()
    relief *= np.float32(np.tan(np.radians(scene.slope_deg)) / steepness)
    log_albedo = np.float32(scene.albedo_contrast) * fractal_field(stream(seed, "albedo"), shape, 1.5, 1500.0)
    if scene.craters_per_mpx > 0:
        largest = 0.3 * min(shape)
        add_craters(relief, log_albedo, stream(seed, "craters"), scene.craters_per_mpx, largest, _metric(light))
    structures.add(scenario, relief, log_albedo)
    return relief, log_albedo


def _metric(light: Illumination) -> Metric:
    """Local metric of the ground in film pixels, the inverse of the products of c_1 and c_2; None off the Moon."""
    k11, k12, k22, hit = (light.fields[..., FIELDS.index(name)] for name in ("k11", "k12", "k22", "hit"))

    def metric(row: float, column: float) -> tuple[float, float, float] | None:
        place = int(row / light.stride), int(column / light.stride)
        if hit[place] < 0.5:
            return None
        a, b, c = float(k11[place]), float(k12[place]), float(k22[place])
        determinant = max(a * c - b * b, 1e-6)
        return c / determinant, -b / determinant, a / determinant

    return metric


def shaded(relief: Raster, log_albedo: Raster, light: Illumination, scenario: Scenario) -> Raster:
    """Radiance factor by a lunar-Lambert law on the relief's own normals; 0 off the Moon."""
    rows, columns = relief.shape
    out = np.empty_like(relief)
    for first in range(0, rows, ROWS_AT_ONCE):
        stop = min(first + ROWS_AT_ONCE, rows)
        low, high = max(first - 1, 0), min(stop + 1, rows)
        slopes: list[Raster] = list(np.gradient(relief[low:high]))
        down, right = (slope[first - low : stop - low] for slope in slopes)
        f = dict(zip(FIELDS, light.rows(first, stop, columns), strict=True))
        length = np.sqrt(1 + right**2 * f["k11"] + 2 * right * down * f["k12"] + down**2 * f["k22"])
        to_sun = np.maximum((f["sun"] - right * f["sun_1"] - down * f["sun_2"]) / length, 0.0)
        to_eye = np.maximum((f["eye"] - right * f["eye_1"] - down * f["eye_2"]) / length, 0.02)
        law = 2 * LUNAR_LAMBERT * to_sun / (to_sun + to_eye) + (1 - LUNAR_LAMBERT) * to_sun
        lit = (f["hit"] > 0.5) & (f["sun"] > -0.05)
        out[first:stop] = np.where(lit, scenario.scene.albedo * np.exp(log_albedo[first:stop]) * law, 0.0)
    return out
