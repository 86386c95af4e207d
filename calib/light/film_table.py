"""A function of the place on the film, tabulated once over the format and looked up for every pixel.

The table is proven: a cell is interpolated only where the function in its middle and in the middle of its sides is met
by interpolating the corners to the tolerance; elsewhere the function itself is asked.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array, FilmPoints

STEPS_MM = (4.0, 2.0, 1.0, 0.5, 0.25)
ENOUGH = 0.98  # of the cells must be good
TOLERANCE = 2e-5  # relative; interpolating between the nodes of half the step leaves a quarter of it


@dataclass(frozen=True, slots=True, eq=False)
class FilmTable:
    """Values at nodes `half_mm` apart, the first at (`x_mm`, `y_mm`), (rows, columns); `good` says of each cell of
    2 x 2 steps whether it is interpolated; `exact` is the function itself.
    """

    exact: Callable[[FilmPoints], Array]
    values: Array
    good: NDArray[np.bool_]
    x_mm: float
    y_mm: float
    half_mm: float

    def held(self, film: FilmPoints) -> FilmPoints:
        """Film places brought into the table, a step beyond the format, where they lie farther out."""
        rows, columns = self.values.shape
        x = np.clip(film.x_mm, self.x_mm, self.x_mm + self.half_mm * (columns - 1))
        return FilmPoints(x, np.clip(film.y_mm, self.y_mm, self.y_mm + self.half_mm * (rows - 1)))

    def at(self, film: FilmPoints) -> NDArray[np.float32]:
        """The function at film places of any shape; NaN where a place is NaN."""
        x, y = np.ravel(film.x_mm), np.ravel(film.y_mm)
        out = np.empty(x.size, np.float32)
        if _look_up(x, y, self.values, self.good, self.x_mm, self.y_mm, 1.0 / self.half_mm, out):
            open_ = np.flatnonzero(np.isinf(out))
            out[open_] = self.exact(FilmPoints(x[open_], y[open_]))
        return out.reshape(film.x_mm.shape)


def film_table(exact: Callable[[FilmPoints], Array], format_mm: tuple[float, float]) -> FilmTable:
    """Tabulate a function over the format, which is centred on the origin, and a step beyond, as coarsely as the format
    allows.
    """
    for step in STEPS_MM:
        made = _with_step(exact, format_mm, step)
        if made.good[1:-1, 1:-1].mean() >= ENOUGH:
            break
    return made


def _with_step(exact: Callable[[FilmPoints], Array], format_mm: tuple[float, float], step_mm: float) -> FilmTable:
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
    """Interpolate; infinity, and true, where the function itself must be asked."""
    rows, columns = values.shape
    asked = False
    for k in range(x.size):
        if np.isnan(x[k]) or np.isnan(y[k]):
            out[k] = np.nan
            continue
        u, v = (x[k] - x0) * per_mm, (y[k] - y0) * per_mm
        if not (u >= 0 and v >= 0 and u <= columns - 1 and v <= rows - 1):
            out[k], asked = np.inf, True
            continue
        j, i = min(int(u), columns - 2), min(int(v), rows - 2)
        if not good[i // 2, j // 2]:
            out[k], asked = np.inf, True
            continue
        u -= j
        upper = values[i, j] + u * (values[i, j + 1] - values[i, j])
        lower = values[i + 1, j] + u * (values[i + 1, j + 1] - values[i + 1, j])
        out[k] = upper + (v - i) * (lower - upper)
    return asked
