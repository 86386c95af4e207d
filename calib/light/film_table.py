"""Tabulates a function of the film place over the format, for look-up at every pixel.

A cell is interpolated only if interpolation between its corners agrees with the function, within the tolerance, at its
centre and at the middle of its sides; elsewhere the function itself is evaluated.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array, FilmPoints

STEPS_MM = (4.0, 2.0, 1.0, 0.5, 0.25)
ENOUGH = 0.98  # fraction of cells that must be good
TOLERANCE = 2e-5  # relative; interpolation between half-step nodes leaves a quarter of it


@dataclass(frozen=True, slots=True, eq=False)
class FilmTable:
    """Values (rows, columns) at nodes `half_mm` apart, the first at (`x_mm`, `y_mm`).

    `good` is the mask of cells of 2 x 2 half steps that are interpolated; `exact` is the function itself.
    """

    exact: Callable[[FilmPoints], Array]
    values: Array
    good: NDArray[np.bool_]
    x_mm: float
    y_mm: float
    half_mm: float

    def held(self, film: FilmPoints) -> FilmPoints:
        """Film places clipped to the table, which extends a step beyond the format."""
        rows, columns = self.values.shape
        x = np.clip(film.x_mm, self.x_mm, self.x_mm + self.half_mm * (columns - 1))
        return FilmPoints(x, np.clip(film.y_mm, self.y_mm, self.y_mm + self.half_mm * (rows - 1)))

    def at(self, film: FilmPoints) -> NDArray[np.float32]:
        """The function at film places of any shape; NaN for NaN places."""
        x, y = np.ravel(film.x_mm), np.ravel(film.y_mm)
        out = np.empty(x.size, np.float32)
        if _look_up(x, y, self.values, self.good, self.x_mm, self.y_mm, 1.0 / self.half_mm, out):
            open_ = np.flatnonzero(np.isinf(out))
            out[open_] = self.exact(FilmPoints(x[open_], y[open_]))
        return out.reshape(film.x_mm.shape)


def film_table(exact: Callable[[FilmPoints], Array], format_mm: tuple[float, float]) -> FilmTable:
    """Tabulate a function over the format, centred on the origin, and a step beyond, with the largest step for which
    enough cells are good, or else the smallest.
    """
    for step in STEPS_MM:
        made = _tabulated(exact, format_mm, step)
        if made.good[1:-1, 1:-1].mean() >= ENOUGH:
            break
    return made


def _tabulated(exact: Callable[[FilmPoints], Array], format_mm: tuple[float, float], step_mm: float) -> FilmTable:
    across, down = (ceil(side / step_mm) + 2 for side in format_mm)
    half = step_mm / 2
    x = half * (np.arange(2 * across + 1) - across)
    y = half * (np.arange(2 * down + 1) - down)
    values = exact(FilmPoints(*np.meshgrid(x, y)))
    corners = values[::2, ::2]
    a, b, c, d = corners[:-1, :-1], corners[:-1, 1:], corners[1:, :-1], corners[1:, 1:]
    met = (
        (values[:-1:2, 1::2], (a + b) / 2),
        (values[2::2, 1::2], (c + d) / 2),
        (values[1::2, :-1:2], (a + c) / 2),
        (values[1::2, 2::2], (b + d) / 2),
        (values[1::2, 1::2], (a + b + c + d) / 4),
    )
    good = np.all([np.abs(found - guess) <= TOLERANCE * np.abs(found) for found, guess in met], axis=0)
    return FilmTable(exact, values, good, float(x[0]), float(y[0]), half)


@njit(cache=True, nogil=True)
def _look_up(x, y, values, good, x0, y0, per_mm, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Interpolate into `out`; infinity where the function must be evaluated. Returns whether there are such places."""
    rows, columns = values.shape
    any_missing = False
    for k in range(x.size):
        if np.isnan(x[k]) or np.isnan(y[k]):
            out[k] = np.nan
            continue
        u, v = (x[k] - x0) * per_mm, (y[k] - y0) * per_mm
        if not (u >= 0 and v >= 0 and u <= columns - 1 and v <= rows - 1):
            out[k], any_missing = np.inf, True
            continue
        j, i = min(int(u), columns - 2), min(int(v), rows - 2)
        if not good[i // 2, j // 2]:
            out[k], any_missing = np.inf, True
            continue
        u -= j
        upper = values[i, j] + u * (values[i, j + 1] - values[i, j])
        lower = values[i + 1, j] + u * (values[i + 1, j + 1] - values[i + 1, j])
        out[k] = upper + (v - i) * (lower - upper)
    return any_missing
