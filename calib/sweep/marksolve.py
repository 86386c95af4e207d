"""The mark model of `markfit` fitted to the samples of one window, compiled: Gauss-Newton on the mark's unknowns, the
scene eliminated at every turn.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import median_of
from calib.sweep.cross import Sizes
from calib.sweep.markfigures import GONE, MarkFigures, figures_of, part_of, visible_parts, yields_of
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

MOST_LOG_BLUR = 2.0  # a spot seven times as wide as thought, or as narrow: no readout has it, and nothing overflows
LEAST_SEEN = 0.3  # part of the samples in and by the strokes that must carry signal
MOST_STEP_PX = 1.5  # a turn: farther off the cross is no longer what its derivatives say
LEAST_TURNS = 2  # the first frees the stroke's value alone, so that no place moves in it
SETTLED_SIGMAS = 1.0  # by which an unknown but the place may still move a turn before a fit ends
HELD = 1e12  # inverse prior variance of what is not let loose yet


class Looked(NamedTuple):
    """A window as compiled code takes it: `flat` is its `to_film`."""

    values: Array
    sigma: Array
    flat: Array
    curve: Array


class Search(NamedTuple):
    """Where a fit begins (the unknowns) and when it ends, as in `FitPriors`; `prior`: inverse variances of the unknowns
    about that start."""

    start: Array
    prior: Array
    iterations: int
    settled_px: float


class _Room(NamedTuple):
    """What a fit works on: samples, their runs, the sweep about the middle (`to_film` and `curve` of the window), the
    cross's sizes, the scene's spline, room for the model."""

    pixels: Pixels
    runs: Runs
    flat: Array
    curve: Array
    sizes: Sizes
    spline: SceneSpline
    model: Model


class _Fitted(NamedTuple):
    """A finished iteration: whether it was possible; unknowns, covariance, weights (N,), the place's gain (N, 2)."""

    possible: bool
    theta: Array
    cov: Array
    weight: Array
    gain: Array


class Found(NamedTuple):
    """What a finished fit says: unknowns and covariance, and as in `MarkFit` the parts, the figures, the yields."""

    theta: Array
    cov: Array
    parts: Array
    figures: MarkFigures
    yields: Array


@njit(cache=True, nogil=True, error_model="numpy")
def fit_samples(
    looked: Looked, sizes: Sizes, spline: SceneSpline, search: Search, every: int
) -> Found | None:  # pragma: no cover
    """Fit the cross to the samples about the place to start from; strokes found missing are left out and the rest
    fitted again."""
    (values, sigma, flat, curve), start = looked, search.start
    steps = (abs(flat[0, 1]), abs(flat[1, 0]))
    pixels, expected = pixels_near(values, sigma, (start[0], start[1]), steps, sizes, every)
    n = pixels.line.size
    if n == 0 or n < LEAST_SEEN * expected:
        return None
    runs = runs_of(pixels.row, pixels.column, spline)
    room = _Room(pixels, runs, flat, curve, sizes, spline, empty_model(n))
    noise2, lost = median_of(pixels.sigma) ** 2, np.zeros(n, np.bool_)
    fitted = _iterate(room, lost, search, noise2)
    if not fitted.possible:
        return None
    parts = visible_parts(pixels, room.model, sizes, every)
    count = np.count_nonzero(parts < GONE)
    if 0 < count < parts.size:
        part = part_of(room.model, sizes)
        for i in range(n):
            lost[i] = part[i] >= 0 and parts[part[i]] < GONE
        start[0], start[1] = fitted.theta[0], fitted.theta[1]
        fitted = _iterate(room, lost, search, noise2)
        if not fitted.possible:
            return None
        again = visible_parts(pixels, room.model, sizes, every)
        for k in range(parts.size):
            parts[k] = parts[k] if parts[k] < GONE else again[k]
    return Found(
        fitted.theta, fitted.cov, parts, figures_of(pixels, room.model, fitted.weight, fitted.gain),
        yields_of(pixels, room.model, fitted.theta[:2], flat, curve, fitted.gain),
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _iterate(room: _Room, lost: NDArray[np.bool_], search: Search, noise2: float) -> _Fitted:  # pragma: no cover
    """Gauss-Newton; at first only the stroke's value is free, and a last step is taken from where all have settled."""
    start, prior, iterations, settled_px = search
    pixels, spline, model = room.pixels, room.spline, room.model
    held, weight = np.full(N_OWN, HELD), np.zeros(lost.size)
    held[STROKE] = 0.0
    for i in range(lost.size):
        if not lost[i]:
            weight[i] = 1.0 / pixels.sigma[i] ** 2
    theta, scene, rough = start.copy(), np.zeros(spline.side**2), noise2
    turn, settled = 0, False
    while True:
        ground = scene_at(room.runs, spline, scene)
        evaluate(pixels, theta, ground, room.flat, room.curve, room.sizes, spline.values, model)
        if turn > 1:
            weigh(pixels, model, lost, weight)
        upper = spline.penalty / rough
        own = scene_sums(room.runs, spline, model.terms, weight, upper)
        possible = factor(upper)
        bent = band_times(spline.penalty, scene)
        for i in range(bent.size):
            own[i, RESIDUAL] -= bent[i] / rough
        half = band_half_solved(upper, own)
        left = normal_sums(model, weight) - np.dot(half.T, half)  # the scene eliminated
        cov, invertible = inverse_of(left[:N_OWN, :N_OWN] + np.diag(prior if turn else held))
        # At the first turn the unknowns are where the prior has them.
        step = times(cov, left[:N_OWN, RESIDUAL] - prior * (theta - start))
        scene = scene + solved(upper, half[:, RESIDUAL] - times(half[:, :N_OWN], step))
        for i in range(2):
            step[i] = min(max(step[i], -MOST_STEP_PX), MOST_STEP_PX)
        theta = theta + step
        for i in range(BLUR_X, BLUR_Y + 1):
            theta[i] = min(max(theta[i], -MOST_LOG_BLUR), MOST_LOG_BLUR)
        for i in range(LONGER_RIGHT, LONGER_LEFT + 1):
            theta[i] = min(max(theta[i], -MOST_LONGER), MOST_LONGER)
        possible = possible and invertible
        if not possible or turn >= iterations or (turn >= LEAST_TURNS and settled):
            return _Fitted(possible, theta, cov, weight, _place_per_residual(room, weight, cov, upper, half))
        settled = max(abs(step[0]), abs(step[1])) < settled_px
        for i in range(TILT_U, STROKE + 1):
            settled = settled and abs(step[i]) < SETTLED_SIGMAS * np.sqrt(cov[i, i])
        freedom = spline.rank - trace_of_solution(upper, spline.penalty) / rough
        rough = max(np.sum(scene * band_times(spline.penalty, scene)) / max(freedom, 0.5), 1e-6 * noise2)
        turn += 1


@njit(cache=True, nogil=True, fastmath=SUMS)
def _place_per_residual(room: _Room, weight: Array, cov: Array, upper: Array, half: Array) -> Array:  # pragma: no cover
    """What each sample's residual moves the place by (N, 2); the band of the scene's factor, and its sums with the
    mark's own terms as `band_half_solved` by it."""
    out, model = np.empty((weight.size, 2)), room.model
    for axis in range(2):
        behind = scene_at(room.runs, room.spline, solved(upper, times(half[:, :N_OWN], cov[axis])))
        for i in range(weight.size):
            direct = 0.0
            for j in range(N_OWN):
                direct += model.terms[i, j] * cov[axis, j]
            out[i, axis] = weight[i] * (direct - (1.0 - model.covered[i]) * behind[i])
    return out
