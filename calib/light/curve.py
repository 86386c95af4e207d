"""The film's characteristic curve: density from exposure, and exposure from density.

The curve is the monotone cubic through the knots (log10 exposure, density): Fritsch and Butland 1984, "A method for
constructing local monotone piecewise cubic interpolants", SIAM J. Sci. Stat. Comput. 5:300. It rises (negative film)
or falls (positive film). The inverse is exact, not a second interpolation with the columns exchanged. Beyond the
end knots the result is NaN.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import PchipInterpolator

from calib.coordinates import Array

_BLOCK = 1 << 16  # elements inverted together, few enough for the cache
_NEWTON_STEPS = 100  # at most: bisection alone needs 53, Newton's steps inside the bracket about four
_SETTLED = 4e-16  # convergence limit, relative to the interval's width


@dataclass(frozen=True, slots=True, weakref_slot=True, eq=False)
class FilmCurve:
    """A characteristic curve: knots in rising order of density, and the cubic of each interval.

    log_exposure, density : (K,) the knots, density rising; `log_exposure` then rises or falls.
    cubic : (4, K-1) coefficients, highest power first, of density as a function of t = 0..1 across the interval.
    """

    log_exposure: Array
    density: Array
    cubic: Array

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest density of the curve."""
        return float(self.density[0]), float(self.density[-1])


def film_curve(log_exposure: Sequence[float], density: Sequence[float]) -> FilmCurve:
    """Prepare a characteristic curve from its knots, log10(lux s) rising and density strictly monotone, at least two.

    Raises:
        ValueError: fewer than two knots, unequal lengths, a value that is not finite, or knots out of order.
    """
    x = np.asarray(log_exposure, dtype=np.float64)
    y = np.asarray(density, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape or x.size < 2:
        raise ValueError(f"log_exposure and density must be two lists of equal length >= 2, not {x.shape}, {y.shape}")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("log_exposure and density must be finite")
    rises = np.diff(y)
    if not (np.diff(x) > 0).all() or not ((rises > 0).all() or (rises < 0).all()):
        raise ValueError("log_exposure must rise, and density must rise or fall, from every knot to the next")
    powers = np.diff(x) ** np.array([[3.0], [2.0], [1.0], [0.0]])
    cubic = PchipInterpolator(x, y).c * powers  # from powers of (x - x_k) to powers of t
    if rises[0] > 0:
        return FilmCurve(x, y, cubic)
    return FilmCurve(x[::-1], y[::-1], _reflected(cubic, y[1:])[:, ::-1])


def _reflected(cubic: Array, end: Array) -> Array:
    """The cubics in reversed direction, p(1 - t); `end` is p(1), given so that knots are reproduced exactly."""
    a, b, c, _ = cubic
    return np.stack([-a, 3 * a + b, -3 * a - 2 * b - c, end])


def density_of(curve: FilmCurve, log_exposure: ArrayLike) -> Array:
    """Density of log10 exposure, any shape; NaN beyond the end knots."""
    x = np.asarray(log_exposure, dtype=np.float64)
    step = 1 if curve.log_exposure[0] < curve.log_exposure[-1] else -1
    knots = curve.log_exposure[::step]
    with np.errstate(invalid="ignore"):
        inside = (x >= knots[0]) & (x <= knots[-1])
    at = np.where(inside, x, knots[0])
    index = np.clip(np.searchsorted(knots, at, side="right") - 1, 0, knots.size - 2)
    if step < 0:
        index = knots.size - 2 - index
    start = curve.log_exposure[index]
    t = (at - start) / (curve.log_exposure[index + 1] - start)
    value = np.clip(_value(curve.cubic[:, index], t), curve.density[index], curve.density[index + 1])
    return np.where(inside, value, np.nan)


def log_exposure_of(curve: FilmCurve, density: ArrayLike) -> Array:
    """log10 exposure (lux s) of density, any shape: the exact inverse of `density_of`; NaN beyond the end knots."""
    index, t = _inverse(curve, density)
    return (1.0 - t) * curve.log_exposure[index] + t * curve.log_exposure[index + 1]


def slope_of(curve: FilmCurve, density: ArrayLike) -> Array:
    """d log10 H / d D at a density, any shape: the factor from a density error to one of log exposure.

    Negative for positive film. NaN beyond the end knots; infinite at an end knot where the monotone cubic is flat.
    """
    index, t = _inverse(curve, density)
    width = curve.log_exposure[index + 1] - curve.log_exposure[index]
    with np.errstate(divide="ignore"):
        return width / _rate(curve.cubic[:, index], t)


def exposure_of(curve: FilmCurve, density: ArrayLike) -> Array:
    """Exposure H in lux seconds of density, any shape; NaN beyond the end knots."""
    return np.power(10.0, log_exposure_of(curve, density))


def _value(cubic: Array, t: Array) -> Array:
    return ((cubic[0] * t + cubic[1]) * t + cubic[2]) * t + cubic[3]


def _rate(cubic: Array, t: Array) -> Array:
    return (3.0 * cubic[0] * t + 2.0 * cubic[1]) * t + cubic[2]


def _inverse(curve: FilmCurve, density: ArrayLike) -> tuple[np.ndarray, Array]:
    """Interval index and t in [0, 1] (NaN beyond the ends) at which the curve has the given density."""
    y = np.asarray(density, dtype=np.float64)
    flat = y.reshape(-1)
    index = np.clip(np.searchsorted(curve.density, flat, side="right") - 1, 0, curve.density.size - 2)
    t = np.empty(flat.shape)
    for first in range(0, flat.size, _BLOCK):
        part = slice(first, first + _BLOCK)
        t[part] = _solve(curve.cubic[:, index[part]], flat[part])
    t[flat == curve.density[-1]] = 1.0  # if the end is flat, rounding of the cubic would cost half the digits
    with np.errstate(invalid="ignore"):
        t[~((flat >= curve.density[0]) & (flat <= curve.density[-1]))] = np.nan
    return index.reshape(y.shape), t.reshape(y.shape)


def _solve(cubic: Array, value: Array) -> Array:
    """t in [0, 1] at which rising cubics (4, n) take the values (n,): Newton's method inside a shrinking bracket.

    Every element stops on its own, so that a result never depends on the other elements.
    """
    with np.errstate(invalid="ignore"):
        t = np.clip((value - cubic[3]) / (cubic[0] + cubic[1] + cubic[2]), 0.0, 1.0)
    open_ = np.flatnonzero(np.isfinite(value))
    low, high = np.zeros(open_.size), np.ones(open_.size)
    for _ in range(_NEWTON_STEPS):
        part, here = cubic[:, open_], t[open_]
        miss = _value(part, here) - value[open_]
        low, high = np.where(miss <= 0, here, low), np.where(miss >= 0, here, high)
        with np.errstate(invalid="ignore", divide="ignore"):
            step = here - miss / _rate(part, here)
            after = np.where((step > low) & (step < high), step, 0.5 * (low + high))
        after = np.where(miss == 0, here, after)
        t[open_] = after
        moving = np.abs(after - here) > _SETTLED
        open_, low, high = open_[moving], low[moving], high[moving]
        if open_.size == 0:
            break
    return t
