"""Smooth functions of one scan axis as sums of modes with independent coefficients of equal prior variance.

The prior is that of the cubic smoothing spline: the integral of the squared second derivative is penalised, straight
lines are not. On a cubic B-spline basis the penalty matrix P is diagonalised; the modes, each divided by the square
root of its eigenvalue, then have coefficients ~ N(0, tau^2), smoothest first. They are scaled so that tau is the
function's prior rms departure from a straight line. (Wahba 1990, Spline models for observational data, chapter 1.)
"""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline

from calib.coordinates import Array


@dataclass(frozen=True, slots=True, eq=False)
class SmoothModes:
    """Modes on indices 0 .. length-1: B-spline `knots` and the (n_coefficients, n_modes) `transform` onto the modes."""

    length: int
    knots: Array
    transform: Array

    @property
    def n_modes(self) -> int:
        """Number of modes."""
        return self.transform.shape[1]

    def at(self, index: Array) -> Array:
        """The modes at fractional indices (N,) as an (N, n_modes) array, going on straight beyond the ends."""
        inside = np.clip(np.asarray(index, np.float64), 0.0, self.length - 1.0)
        spline = BSpline(self.knots, self.transform, 3)
        values = spline(inside)
        beyond = np.asarray(index, np.float64) - inside
        if np.any(beyond):
            values = values + beyond[:, None] * spline.derivative()(inside)
        return np.asarray(values)


def smooth_modes(length: int, n_modes: int, falloff: float) -> SmoothModes:
    """The `n_modes` smoothest modes on indices 0 .. length-1 of a cubic spline with half as many intervals again.

    Prior amplitudes fall off as the eigenvalues to the power -falloff/2: 1 is the cubic smoothing spline's prior (the
    j-th mode as j^-2), 1.5 that of a function one degree smoother (j^-3).
    """
    intervals = max(4, n_modes + n_modes // 2)
    inner = np.linspace(0.0, length - 1.0, intervals + 1)
    knots = np.concatenate([np.full(3, inner[0]), inner, np.full(3, inner[-1])])
    basis = BSpline(knots, np.eye(intervals + 3), 3)
    # Two Gauss points an interval integrate the square of the piecewise linear second derivative exactly.
    half = (inner[1] - inner[0]) / 2
    places = (inner[:-1, None] + half * (1 + np.array([-1.0, 1.0]) / np.sqrt(3.0))).ravel()
    curvature = basis.derivative(2)(places)
    eigenvalues, vectors = np.linalg.eigh(half * curvature.T @ curvature)
    transform = vectors[:, 2 : 2 + n_modes] * eigenvalues[2 : 2 + n_modes] ** (-falloff / 2)
    signs = np.sign(transform[np.abs(transform).argmax(axis=0), np.arange(transform.shape[1])])
    grid = basis(np.linspace(0.0, length - 1.0, 8 * intervals)) @ (transform * signs)
    straight = np.column_stack([np.ones(len(grid)), np.linspace(-1.0, 1.0, len(grid))])
    bent = grid - straight @ np.linalg.lstsq(straight, grid, rcond=None)[0]
    scale = 1.0 / np.sqrt(np.mean(np.sum(bent**2, axis=1)))
    return SmoothModes(length, knots, transform * signs * scale)
