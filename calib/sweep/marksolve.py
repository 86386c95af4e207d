"""Fits the mark model of `markfit` to the samples of one window: compiled Gauss-Newton on the mark's unknowns, with the
coefficients of the scene eliminated in every iteration.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import median_of
from calib.sweep.cross import Sizes
from calib.sweep.markfigures import VISIBLE_SHARE, MarkFigures, figures_of, part_of, place_per_curve, visible_parts
from calib.sweep.markmodel import (
    BLUR_X,
    BLUR_Y,
    LONGER_LEFT,
    LONGER_RIGHT,
    MOST_LONGER,
    STROKE,
    TILT_U,
    Model,
    Pixels,
    empty_model,
    evaluate,
    normal_sums,
    pixels_near,
    weigh,
)
from calib.sweep.scene import (
    N_OWN,
    RESIDUAL,
    SUMS,
    Runs,
    SceneSpline,
    runs_of,
    scene_at,
    scene_sums,
)
from calib.sweep.smallsolve import band_half_solved, band_times, factor, inverse_of, solved, times, trace_of_solution

MOST_LOG_BLUR = 2.0  # limit of the log of the blur over its expected value, e^2 = 7.4: no spot is, and no overflow
LEAST_SEEN = 0.3  # share of the samples in and beside the strokes that must carry signal
MOST_STEP_PX = 1.5  # of the place per iteration; beyond it the linearisation does not hold
LEAST_ITERATIONS = 2  # the first one fits the strokes' value only, so the place does not move in it
SETTLED_SIGMAS = 1.0  # greatest last step, in sigma, of the unknowns other than the place when a fit ends
FIXED = 1e12  # inverse prior variance of an unknown that is not yet free


class WindowArrays(NamedTuple):
    """The arrays of a `MarkWindow` as compiled code takes them; `flat` is its `to_film`."""

    values: Array
    sigma: Array
    flat: Array
    curve: Array


class FitControl(NamedTuple):
    """Initial unknowns (N_OWN,), their inverse prior variances `prior` about these, and when to end (`FitPriors`)."""

    start: Array
    prior: Array
    iterations: int
    settled_px: float


class _Workspace(NamedTuple):
    """Inputs and buffers of a fit: samples, their runs, the sweep around the middle (`to_film` and `curve` of the
    window), the cross's sizes, the scene's spline, and the arrays of the model."""

    pixels: Pixels
    runs: Runs
    flat: Array
    curve: Array
    sizes: Sizes
    spline: SceneSpline
    model: Model


class _Solution(NamedTuple):
    """The last iteration: whether it could be solved; unknowns, covariance, weights (N,), and `gain` (N, 2), the change
    of the place per unit of each residual."""

    possible: bool
    theta: Array
    cov: Array
    weight: Array
    gain: Array


class WindowFit(NamedTuple):
    """A finished fit: unknowns, covariance (N_OWN, N_OWN), and parts, figures, `place_per_curve` as in `MarkFit`."""

    theta: Array
    cov: Array
    parts: Array
    figures: MarkFigures
    place_per_curve: Array


@njit(cache=True, nogil=True, error_model="numpy")
def fit_samples(
    window: WindowArrays, sizes: Sizes, spline: SceneSpline, control: FitControl, every: int
) -> WindowFit | None:  # pragma: no cover
    """Fit the cross to the samples around the initial place. If half arms are not visible, the samples there are left
    out and the rest is fitted again; None if there is too little signal or no solution."""
    (values, sigma, flat, curve), start = window, control.start
    steps = (abs(flat[0, 1]), abs(flat[1, 0]))
    pixels, expected = pixels_near(values, sigma, (start[0], start[1]), steps, sizes, every)
    n = pixels.line.size
    if n == 0 or n < LEAST_SEEN * expected:
        return None
    runs = runs_of(pixels.row, pixels.column, spline)
    work = _Workspace(pixels, runs, flat, curve, sizes, spline, empty_model(n))
    noise2, lost = median_of(pixels.sigma) ** 2, np.zeros(n, np.bool_)
    fitted = _iterate(work, lost, control, noise2)
    if not fitted.possible:
        return None
    parts = visible_parts(pixels, work.model, sizes, every)
    count = np.count_nonzero(parts < VISIBLE_SHARE)
    if 0 < count < parts.size:
        part = part_of(work.model, sizes)
        for i in range(n):
            lost[i] = part[i] >= 0 and parts[part[i]] < VISIBLE_SHARE
        start[0], start[1] = fitted.theta[0], fitted.theta[1]
        fitted = _iterate(work, lost, control, noise2)
        if not fitted.possible:
            return None
        again = visible_parts(pixels, work.model, sizes, every)
        for k in range(parts.size):
            parts[k] = parts[k] if parts[k] < VISIBLE_SHARE else again[k]
    return WindowFit(
        fitted.theta, fitted.cov, parts, figures_of(pixels, work.model, fitted.weight, fitted.gain),
        place_per_curve(pixels, work.model, fitted.theta[:2], flat, curve, fitted.gain),
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _iterate(
    work: _Workspace, lost: NDArray[np.bool_], control: FitControl, noise2: float
) -> _Solution:  # pragma: no cover
    """Gauss-Newton without the `lost` samples (N,); `noise2` is the initial variance of the scene's roughness.

    In the first iteration only the strokes' value is free. One more iteration follows once all unknowns have settled.
    """
    start, prior, iterations, settled_px = control
    pixels, spline, model = work.pixels, work.spline, work.model
    fixed, weight = np.full(N_OWN, FIXED), np.zeros(lost.size)
    fixed[STROKE] = 0.0
    for i in range(lost.size):
        if not lost[i]:
            weight[i] = 1.0 / pixels.sigma[i] ** 2
    theta, scene, scene_variance = start.copy(), np.zeros(spline.side**2), noise2
    iteration, settled = 0, False
    while True:
        ground = scene_at(work.runs, spline, scene)
        evaluate(pixels, theta, ground, work.flat, work.curve, work.sizes, spline.values, model)
        if iteration > 1:
            weigh(pixels, model, lost, weight)
        upper = spline.penalty / scene_variance
        sums = scene_sums(work.runs, spline, model.terms, weight, upper)
        possible = factor(upper)
        penalised = band_times(spline.penalty, scene)
        for i in range(penalised.size):
            sums[i, RESIDUAL] -= penalised[i] / scene_variance
        half = band_half_solved(upper, sums)
        normal = normal_sums(model, weight) - np.dot(half.T, half)  # the scene eliminated
        cov, invertible = inverse_of(normal[:N_OWN, :N_OWN] + np.diag(prior if iteration else fixed))
        # In the first iteration theta is start, so the prior pulls at nothing.
        step = times(cov, normal[:N_OWN, RESIDUAL] - prior * (theta - start))
        scene = scene + solved(upper, half[:, RESIDUAL] - times(half[:, :N_OWN], step))
        for i in range(2):
            step[i] = min(max(step[i], -MOST_STEP_PX), MOST_STEP_PX)
        theta = theta + step
        for i in range(BLUR_X, BLUR_Y + 1):
            theta[i] = min(max(theta[i], -MOST_LOG_BLUR), MOST_LOG_BLUR)
        for i in range(LONGER_RIGHT, LONGER_LEFT + 1):
            theta[i] = min(max(theta[i], -MOST_LONGER), MOST_LONGER)
        possible = possible and invertible
        if not possible or iteration >= iterations or (iteration >= LEAST_ITERATIONS and settled):
            return _Solution(possible, theta, cov, weight, _place_per_residual(work, weight, cov, upper, half))
        settled = max(abs(step[0]), abs(step[1])) < settled_px
        for i in range(TILT_U, STROKE + 1):
            settled = settled and abs(step[i]) < SETTLED_SIGMAS * np.sqrt(cov[i, i])
        freedom = spline.rank - trace_of_solution(upper, spline.penalty) / scene_variance
        scene_variance = max(np.sum(scene * band_times(spline.penalty, scene)) / max(freedom, 0.5), 1e-6 * noise2)
        iteration += 1


@njit(cache=True, nogil=True, fastmath=SUMS)
def _place_per_residual(
    work: _Workspace, weight: Array, cov: Array, upper: Array, half: Array
) -> Array:  # pragma: no cover
    """Change (N, 2) of the place (line, sample) per unit of each sample's residual.

    `upper` is the band of the factor of the scene's normal matrix; `half`: the scene's sums solved by its transpose.
    """
    out, model = np.empty((weight.size, 2)), work.model
    for axis in range(2):
        by_scene = scene_at(work.runs, work.spline, solved(upper, times(half[:, :N_OWN], cov[axis])))
        for i in range(weight.size):
            direct = 0.0
            for j in range(N_OWN):
                direct += model.terms[i, j] * cov[axis, j]
            out[i, axis] = weight[i] * (direct - (1.0 - model.covered[i]) * by_scene[i])
    return out
