"""One reseau mark's place in a strip to a small part of a pixel, with its covariance.

Model of a window: ``v = b (1 - g) + v0 g``, ``logit g = logit c + p``, with c the cross's coverage (`cross`), v0 the
strokes' value, b the scene, and p a bend: the spot blurs light, while values are densities or the video's DN, so half
covered is not half way. Where the arms along x end is found: it tells how far samples lie apart, which the sweep may
not know. b is a cubic tensor spline whose second differences have a prior variance estimated in each
window (as in `adjust`): on flat ground b becomes a plane and the place reaches its Cramer-Rao bound; on rough ground
its covariance says so. Gauss-Newton, with weights that fall off for samples far from the model (rims, scratches,
dropouts unnoticed); the model itself is trusted to a small part of the strokes' contrast along their edges.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import median_of
from calib.sweep.cross import CrossShape, Sizes
from calib.sweep.markfigures import GONE, MarkFigures, figures_of, part_of, visible_parts, yields_of
from calib.sweep.markmodel import (
    BEND,
    BLUR_X,
    BLUR_Y,
    LONGER_LEFT,
    LONGER_RIGHT,
    MOST_LONGER,
    SAMPLE,
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
    scene_spline,
    scene_sums,
)
from calib.sweep.smallsolve import band_half_solved, band_times, factor, inverse_of, solved, times, trace_of_solution

MOST_LOG_BLUR = 2.0  # a spot seven times as wide as thought, or as narrow: no readout has it, and nothing overflows
BEND_SIGMA = 1.5
LONGER_SIGMA = 0.1  # of an arm's length along x over the stated one, by the sweeps that a window is looked at with
LEAST_SEEN = 0.3  # part of the samples in and by the strokes that must carry signal
MOST_STEP_PX = 1.5
LEAST_TURNS = 2
SETTLED_SIGMAS = 1.0  # by which an unknown but the place may still move a turn before a fit ends
RECENTRE_PX = 1.0  # a mark found farther from where it was looked for: its flanks are no longer those looked at
THINNED = 3  # one of so many samples is looked at first: these do where a place need not be known better than they tell
ARMS = slice(LONGER_RIGHT, LONGER_LEFT + 1)  # of the unknowns
HELD = 1e12  # inverse prior variance of what is not let loose yet


@dataclass(frozen=True, slots=True, eq=False)
class MarkWindow:
    """A square piece of a strip, its middle sample at (line, sample) of the strip; sigma is inf without signal.

    `to_film` (2, 2): film (x, y) mm per (line, sample) px at the middle, `curve` (2, 2): the same per px^2 (the sweep's
    own curvature over the window); `guess`: where the mark should be, px from the middle.
    """

    line: int
    sample: int
    values: Array
    sigma: Array
    to_film: Array
    curve: Array
    guess: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class MarkFit:
    """Place (line, sample) and covariance (2, 2) px^2; blurs (x, y) mm; `parts` (8,): visible share of each half arm.

    `curve` is that of the window and `yields` (2, 2, 2) by how much the place moves with each entry of it, px a mm per
    px^2.
    `rise` is the stroke's value less the scene's, `bend` (p in the model above) with `bend_sigma` says how values of
    half covered samples lie between them. `contrast` is the strokes' rise over its 1-sigma, `misfit` the rms of what
    the model leaves in and by the strokes beyond noise, in parts of their rise; `chi2` is reduced. `reach_px` (2,) is
    how many samples the arms towards film +x and -x reach, with 1-sigma `reach_sigma`.
    """

    place: Array
    cov: Array
    curve: Array
    yields: Array
    blur_mm: Array
    chi2: float
    misfit: float
    contrast: float
    rise: float
    bend: float
    bend_sigma: float
    stroke_value: float
    stroke_sigma: float
    parts: Array
    reach_px: Array
    reach_sigma: Array


@dataclass(frozen=True, slots=True)
class FitPriors:
    """1-sigma of what is known beforehand: place (px), tilts (radians), relative blur; the most iterations, and the
    place's step (px) after which one more ends them; the place's 1-sigma (px) that is good enough if a part of the
    samples give it."""

    place_px: float
    tilt: float
    blur: float
    iterations: int
    settled_px: float = 0.03
    enough_px: float = 0.0


class _Looked(NamedTuple):
    """A window as compiled code takes it: `flat` is its `to_film`."""

    values: Array
    sigma: Array
    flat: Array
    curve: Array


class _Search(NamedTuple):
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


class _Found(NamedTuple):
    """What a finished fit says: unknowns and covariance, and as in `MarkFit` the parts, the figures, the yields."""

    theta: Array
    cov: Array
    parts: Array
    figures: MarkFigures
    yields: Array


def fit_mark(window: MarkWindow, shape: CrossShape, priors: FitPriors) -> MarkFit | None:
    """Fit the cross to a window; None where too little of the window carries signal, or nothing in it says where a
    cross could be or how its strokes look."""
    found = _fit_near(window, window.guess, shape, priors, THINNED) if priors.enough_px > 0 else None
    if found is None or not _sigma_px(found) < priors.enough_px:
        found = _fit_near(window, window.guess, shape, priors)
    if found is None:
        return None
    line, sample = found.theta[:2].tolist()
    if max(abs(line - window.guess[0]), abs(sample - window.guess[1])) > RECENTRE_PX:
        found = _fit_near(window, (line, sample), shape, priors) or found
    theta, cov, figures, wider = found.theta, found.cov, found.figures, np.sqrt(found.figures.clumping)
    reach, pace = _reach(window, theta, shape.arm_mm)
    return MarkFit(
        place=np.array([window.line, window.sample]) + theta[:2],
        cov=cov[:2, :2] * np.outer(wider, wider),
        curve=window.curve,
        yields=found.yields,
        blur_mm=np.array([shape.blur_x_mm, shape.blur_y_mm]) * np.exp(theta[BLUR_X : BLUR_Y + 1]),
        chi2=figures.chi2,
        misfit=figures.misfit,
        contrast=figures.contrast,
        rise=figures.rise,
        bend=float(theta[BEND]),
        bend_sigma=float(np.sqrt(cov[BEND, BEND])),
        stroke_value=float(theta[STROKE]),
        stroke_sigma=float(np.sqrt(cov[STROKE, STROKE])),
        parts=found.parts,
        reach_px=reach,
        reach_sigma=np.sqrt(np.diagonal(cov)[ARMS]) * wider[1] * shape.arm_mm / pace,
    )


def _sigma_px(found: _Found) -> float:
    """1-sigma of a place along line or sample, whichever is known worse."""
    return float(np.sqrt(max(found.cov[0, 0] * found.figures.clumping[0], found.cov[1, 1] * found.figures.clumping[1])))


def _reach(window: MarkWindow, theta: Array, arm_mm: float) -> tuple[Array, Array]:
    """How many samples (2,) the arms towards +x and -x reach by the window's sweep, and mm of film a sample there."""
    mm, curve = arm_mm * (1 + theta[ARMS]) * np.array([1, -1]), window.curve[0, 1]
    pace = window.to_film[0, 1] + 2 * curve * theta[SAMPLE]
    pace_there = np.sqrt(np.maximum(pace**2 + 4 * curve * mm, (pace / 4) ** 2))
    return np.abs(2 * mm / (pace + pace_there)), pace_there


def _fit_near(
    window: MarkWindow, place: tuple[float, float], shape: CrossShape, priors: FitPriors, every: int = 1
) -> _Found | None:
    """Fit the cross to the samples about a place (line, sample) in a window, to one of `every` so many of them."""
    sizes = (shape.arm_mm, shape.width_mm / 2, shape.blur_x_mm, shape.blur_y_mm)
    sigma = [priors.place_px] * 2 + [priors.tilt] * 2 + [priors.blur] * 2 + [BEND_SIGMA]
    sigma += [LONGER_SIGMA] * 2 + [np.inf]
    start = np.concatenate([place, np.zeros(N_OWN - len(place))])
    looked = _Looked(window.values, window.sigma, window.to_film, window.curve)
    search = _Search(start, 1.0 / np.array(sigma) ** 2, priors.iterations, priors.settled_px)
    found: _Found | None = _fit_samples(looked, sizes, scene_spline(window.values.shape[0] // 2), search, every)
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def _fit_samples(
    looked: _Looked, sizes: Sizes, spline: SceneSpline, search: _Search, every: int
) -> _Found | None:  # pragma: no cover
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
    return _Found(
        fitted.theta, fitted.cov, parts, figures_of(pixels, room.model, fitted.weight, fitted.gain),
        yields_of(pixels, room.model, fitted.theta[:2], flat, curve, fitted.gain),
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _iterate(room: _Room, lost: NDArray[np.bool_], search: _Search, noise2: float) -> _Fitted:  # pragma: no cover
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
