"""Smooth random functions of one scan axis as sums of modes with independent coefficients of equal prior variance.

The prior is a stationary Gaussian process with a Matern covariance of half-integer order: `order` times differentiable,
correlated over the fraction `reach` of the axis. Its straight-line part is removed, because the sweep has unknowns of
its own for that. The rest is expanded in the eigenfunctions of its covariance, strongest first, each times the square
root of its eigenvalue, so that all coefficients are ~ N(0, tau^2). They are scaled so that tau is the function's prior
rms departure from a straight line. (Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, eqs. 4.9,
4.16.)
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.linalg import solve_banded, toeplitz

from calib.coordinates import Array
from calib.sweep.rows import spline_values, spline_weights

FEWEST_POINTS, POINTS_A_MODE = 40, 2  # of the grid on which the covariance is expanded; modes are cubic splines between
FAINTEST = 1e-8  # variance relative to that of the strongest mode, below which modes are left out


@dataclass(frozen=True, slots=True)
class Kernel:
    """How often a random function can be differentiated, and its correlation length as a fraction of the axis."""

    order: int
    reach: float

    def correlation(self, distance: Array) -> Array:
        """Correlation of values at a `distance` from each other, in fractions of the axis."""
        p = self.order
        r = np.sqrt(2 * p + 1) * np.abs(distance) / self.reach
        terms = [math.comb(p, i) * math.factorial(p + i) / math.factorial(2 * p) for i in range(p + 1)]
        return np.asarray(np.exp(-r) * sum(term * (2 * r) ** (p - i) for i, term in enumerate(terms)))


@dataclass(frozen=True, slots=True, eq=False)
class SmoothModes:
    """Modes on indices 0 .. length-1: the coefficients (points + 2, n_modes) of their uniform cubic B-splines."""

    length: int
    coefficients: Array

    @property
    def n_modes(self) -> int:
        """Number of modes."""
        return self.coefficients.shape[1]

    @property
    def points(self) -> int:
        """Number of the splines' knots from the first index to the last."""
        return len(self.coefficients) - 2

    def at(self, index: Array) -> Array:
        """The modes at fractional indices (N,), an (N, n_modes) array; straight lines beyond the ends."""
        cell, weight = spline_weights(self.length, self.points, np.asarray(index, np.float64))
        return np.asarray(spline_values(cell, weight, self.coefficients))


@lru_cache(maxsize=256)
def smooth_modes(length: int, most: int, kernel: Kernel) -> SmoothModes:
    """The strongest modes, at most `most`, of a random function on indices 0 .. length-1.

    Sums over the grid are integrals over the axis by the trapezoidal rule, so the modes do not depend on the grid.
    """
    grid = np.linspace(0.0, 1.0, min(length, FEWEST_POINTS + POINTS_A_MODE * most))
    root = np.ones(grid.size)
    root[[0, -1]] = np.sqrt(0.5)
    straight = np.linalg.qr(np.column_stack([root, root * grid]))[0]
    covariance = root[:, None] * toeplitz(kernel.correlation(grid)) * root
    half = covariance - straight @ (straight.T @ covariance)
    values, vectors = _strongest(half - (half @ straight) @ straight.T, min(most, grid.size - 2))
    keep = values > FAINTEST * values[0]
    modes = vectors[:, keep] / root[:, None] * np.sqrt(values[keep] * (root @ root) / values[keep].sum())
    modes = modes * np.sign(modes[np.abs(modes).argmax(axis=0), np.arange(modes.shape[1])])
    return SmoothModes(length, _spline_coefficients(modes))


def _strongest(matrix: Array, count: int) -> tuple[Array, Array]:
    """The greatest `count` eigenvalues and eigenvectors (n, count) of a symmetric matrix that is also symmetric under
    reversal of its axis: each eigenvector is even or odd, and each kind is found on half of the axis."""
    n = len(matrix)
    half = n // 2
    near, far = matrix[:half, :half], matrix[:half, ::-1][:, :half]
    even = near + far
    if n % 2:
        middle = np.sqrt(2) * matrix[half, :half]
        even = np.block([[even, middle[:, None]], [middle, matrix[half, half]]])
    found = [np.linalg.eigh((block + block.T) / 2) for block in (even, near - far)]
    values = np.concatenate([part[0] for part in found])
    first = np.argsort(-values, kind="stable")[:count]
    vectors = np.zeros((n, n))
    for mine, turned, (_, part) in zip((slice(len(even)), slice(len(even), n)), (1, -1), found, strict=True):
        vectors[:half, mine] = part[:half] / np.sqrt(2)
        vectors[::-1][:half, mine] = turned * vectors[:half, mine]
    vectors[half : n - half, : len(even)] = found[0][1][half:]
    return values[first], vectors[:, first]


def _spline_coefficients(values: Array) -> Array:
    """B-spline coefficients (n + 2, m) of the cubic splines (not-a-knot) through values (n, m) at unit steps.

    Value and slope at a knot are (c0 + 4 c1 + c2) / 6 and (c2 - c0) / 2 of the three coefficients around it.
    """
    n = len(values)
    curves = CubicSpline(np.arange(n), values)
    bands = np.zeros((5, n + 2))
    bands[1, 2:], bands[2, 1:-1], bands[3, :-2] = 1 / 6, 4 / 6, 1 / 6
    bands[2, 0], bands[1, 1], bands[0, 2] = -0.5, 0.0, 0.5
    bands[2, -1], bands[3, -2], bands[4, -3] = 0.5, 0.0, -0.5
    right = np.concatenate([curves(0, 1)[None], values, curves(n - 1, 1)[None]])
    return np.ascontiguousarray(solve_banded((2, 2), bands, right))
