"""Simulates the developed film that the light spot scans: picture, step wedge and reseau strokes.

At edges the transmitted light is mixed, not the density. An edge is a Gaussian integral with the combined width of spot
and sample.
"""

from dataclasses import dataclass

import numpy as np
from calib_demo.emulsion import Knots, density_table, fog_of, knots_of
from calib_demo.exposing import Exposing, exposing_of
from calib_demo.layout import Layout, Marks, Patches
from calib_demo.readout import StripTruth
from calib_demo.scenario import Scenario
from calib_demo.scene import GroundPicture
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Film:
    """The whole exposed film; `edge_mm` is the 1-sigma blur of sharp edges."""

    picture: GroundPicture
    knots: Knots
    layout: Layout
    stroke_density: float
    arm_mm: float
    stroke_mm: float
    edge_mm: float
    light: Exposing


def film_of(scenario: Scenario, layout: Layout, picture: GroundPicture) -> Film:
    """The film of a scenario, exposed with a picture of the ground and developed."""
    plate, sample_mm = scenario.reseau, scenario.scan.sample_mm
    edge_mm = float(sample_mm * np.hypot(scenario.tone.blur_samples, 12.0**-0.5))
    knots = knots_of(scenario.emulsion)
    return Film(picture, knots, layout, plate.density, plate.arm_mm, plate.width_mm, edge_mm, exposing_of(scenario))


def exposure_of(film: Film, x_mm: Array, y_mm: Array) -> Array:
    """Lux seconds on the film; NaN outside the picture's raster."""
    return film.picture.at(x_mm, y_mm) * film.light.factor(np.asarray(x_mm), np.asarray(y_mm))


def density_of_strip(film: Film, strip: StripTruth, center_x_mm: tuple[float, ...]) -> NDArray[np.float32]:
    """Density (lines, samples) under the spot, without grain, banding and noise.

    `center_x_mm`: nominal centre lines of all strips, because neighbours' wedges extend into a strip.
    """
    x = strip.x_line_mm[:, None] + strip.x_sample_mm[None, :]
    y = strip.y_line_mm[:, None] + strip.y_sample_mm[None, :]
    fog = 10.0 ** -fog_of(film.knots)
    light = np.full(strip.shape, fog)
    _develop_picture(film, x, y, light, fog)
    for center_mm in center_x_mm:
        if abs(center_mm - x.mean()) < 2.0 * np.ptp(x):
            _print_wedge(film.layout.patches, center_mm, x, y, light, fog, film.edge_mm)
    _blot_wedge(film, x, y, light)
    _press_marks(film, x, y, light)
    return np.asarray(-np.log10(light), dtype=np.float32)


def _develop_picture(film: Film, x: Array, y: Array, light: Array, fog: float) -> None:
    half_x, half_y = (0.5 * side for side in film.layout.format_mm)
    near = 5 * film.edge_mm
    lines = np.flatnonzero((np.abs(y) < half_y + near).any(axis=1))
    if lines.size == 0:
        return
    rows = slice(lines[0], lines[-1] + 1)
    inside_x, inside_y = (
        np.clip(x[rows], -half_x - near, half_x + near),
        np.clip(y[rows], -half_y - near, half_y + near),
    )
    with np.errstate(divide="ignore"):
        log_exposure = np.log10(exposure_of(film, inside_x, inside_y))
    grid, table = density_table(film.knots)
    picture = 10.0 ** -np.interp(log_exposure, grid, table)
    share = _box(x[rows], -half_x, half_x, film.edge_mm) * _box(y[rows], -half_y, half_y, film.edge_mm)
    light[rows] += share * (picture - fog)


def _print_wedge(
    patches: Patches, center_mm: float, x: Array, y: Array, light: Array, fog: float, edge_mm: float
) -> None:
    for density, (top, bottom), (left, right) in zip(patches.density, patches.y_mm, patches.across_mm, strict=True):
        lines = np.flatnonzero(((y > top - 5 * edge_mm) & (y < bottom + 5 * edge_mm)).any(axis=1))
        if lines.size:
            rows = slice(lines[0], lines[-1] + 1)
            share = _box(x[rows], center_mm + left, center_mm + right, edge_mm) * _box(y[rows], top, bottom, edge_mm)
            light[rows] += share * (10.0**-density - fog)


def _blot_wedge(film: Film, x: Array, y: Array, light: Array) -> None:
    for left, right, top, bottom, density in film.layout.blots:
        lines = np.flatnonzero(((y > top - 5 * film.edge_mm) & (y < bottom + 5 * film.edge_mm)).any(axis=1))
        if lines.size:
            rows = slice(lines[0], lines[-1] + 1)
            share = _box(x[rows], left, right, film.edge_mm) * _box(y[rows], top, bottom, film.edge_mm)
            light[rows] += share * (10.0**-density - light[rows])


def _press_marks(film: Film, x: Array, y: Array, light: Array) -> None:
    marks = film.layout.marks
    reach = film.arm_mm + 6 * film.edge_mm
    x_range, y_range = (x.min() - reach, x.max() + reach), (y.min() - reach, y.max() + reach)
    middle_x, middle_y = x.mean(axis=0), y.mean(axis=1)
    slack_x, slack_y = np.abs(x - middle_x).max(), np.abs(y - middle_y[:, None]).max()
    for k, (mark_x, mark_y) in enumerate(marks.true_mm):
        if not (x_range[0] < mark_x < x_range[1] and y_range[0] < mark_y < y_range[1]):
            continue
        columns = np.flatnonzero(np.abs(middle_x - mark_x) < reach + slack_x)
        lines = np.flatnonzero(np.abs(middle_y - mark_y) < reach + slack_y)
        if columns.size and lines.size:
            window = slice(lines[0], lines[-1] + 1), slice(columns[0], columns[-1] + 1)
            share = _cross(film, x[window] - mark_x, y[window] - mark_y, damage_of(marks, k))
            light[window] += share * (10.0**-film.stroke_density - light[window])


def damage_of(marks: Marks, mark: int) -> str:
    """The damage of a mark; "cut" marks lack one arm, which depends on the mark's number."""
    return f"cut{mark % 4}" if marks.damage[mark] == "cut" else marks.damage[mark]


def _cross(film: Film, dx: Array, dy: Array, damage: str) -> Array:
    """Share of each sample covered by strokes: the union of two strokes, changed by the damage."""
    if damage == "missing":
        return np.zeros_like(dx)
    arm, half, edge = film.arm_mm, film.stroke_mm / 2, film.edge_mm
    left, right = (-half if damage == "cut0" else -arm), (half if damage == "cut1" else arm)
    top, bottom = (-half if damage == "cut2" else -arm), (half if damage == "cut3" else arm)
    thin_x, thin_y = _box(dx, -half, half, edge), _box(dy, -half, half, edge)
    share = _box(dx, left, right, edge) * thin_y + thin_x * _box(dy, top, bottom, edge) - thin_x * thin_y
    if damage == "scratched":
        along, across = 0.8 * dx + 0.6 * dy, 0.8 * dy - 0.6 * dx - 0.6 * half
        scratch = _box(across, -1.3 * half, 1.3 * half, edge) * _box(along, -1.4 * arm, 1.2 * arm, edge)
        share = share + scratch - share * scratch
    return share


def _box(at: Array, low: float, high: float, edge: float) -> Array:
    """A box of height 1 from `low` to `high`, blurred by a Gaussian of standard deviation `edge`."""
    return np.asarray(ndtr((at - low) / edge) - ndtr((at - high) / edge))
