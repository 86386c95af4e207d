"""One reseau mark's place in a strip to a small part of a pixel, with its covariance.

Model of a window: ``v = b (1 - g) + v0 g``, ``logit g = logit c + p``, with c the cross's coverage (`cross`), v0 the
strokes' value, b the scene, and p a bend. It bends because the spot blurs light, while values are densities or the
video's DN: half covered is not half way. Where the arms along x end is found: it tells how far samples lie apart, which
the sweep may not know. b is a cubic tensor spline whose second differences have a prior variance estimated in each
window (as in `adjust`): on flat ground b becomes a plane and the place reaches its Cramer-Rao bound; on rough ground
its covariance says so. Gauss-Newton (`marksolve`), with weights that fall off for samples far from the model (rims,
scratches, dropouts unnoticed); the model itself is trusted to a small part of the strokes' contrast along their edges.
"""

from dataclasses import dataclass

import numpy as np

from calib.coordinates import Array
from calib.sweep.cross import CrossShape
from calib.sweep.markmodel import BEND, BLUR_X, BLUR_Y, LONGER_LEFT, LONGER_RIGHT, SAMPLE, STROKE
from calib.sweep.marksolve import Found, Looked, Search, fit_samples
from calib.sweep.scene import N_OWN, scene_spline

BEND_SIGMA = 1.5  # of p in the model: half covered samples read 0.18 to 0.82 of the way to the stroke's value
LONGER_SIGMA = 0.1  # of an arm's length along x over the stated one, by the sweeps that a window is looked at with
RECENTRE_PX = 1.0  # a mark found farther from where it was looked for: its flanks are no longer those looked at
THINNED = 3  # one of so many samples is looked at first: these do where a place need not be known better than they tell
ARMS = slice(LONGER_RIGHT, LONGER_LEFT + 1)  # of the unknowns


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


def _sigma_px(found: Found) -> float:
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
) -> Found | None:
    """Fit the cross to the samples about a place (line, sample) in a window, to one of `every` so many of them."""
    sizes = (shape.arm_mm, shape.width_mm / 2, shape.blur_x_mm, shape.blur_y_mm)
    sigma = [priors.place_px] * 2 + [priors.tilt] * 2 + [priors.blur] * 2 + [BEND_SIGMA]
    sigma += [LONGER_SIGMA] * 2 + [np.inf]
    start = np.concatenate([place, np.zeros(N_OWN - len(place))])
    looked = Looked(window.values, window.sigma, window.to_film, window.curve)
    search = Search(start, 1.0 / np.array(sigma) ** 2, priors.iterations, priors.settled_px)
    found: Found | None = fit_samples(looked, sizes, scene_spline(window.values.shape[0] // 2), search, every)
    return found
