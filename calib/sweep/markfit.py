"""Measures the place of one reseau mark in a strip to a fraction of a pixel, with its covariance.

Model of a window: ``v = b (1 - g) + v0 g``, ``logit g = logit c + p``. c is the cross's coverage (`cross`), v0 the
value of its strokes, b the scene, and p a bend. The bend is needed because the spot blurs light, while values are
densities or DN: a half covered sample does not read half way. The lengths of the arms along x are fitted too, since
they show the spacing of the samples, which the sweep may not know. b is a cubic tensor-product spline. Its second
differences have a prior variance that is estimated in each window (as in `adjust`): on flat ground b becomes a plane
and the place reaches its Cramer-Rao bound, on rough ground the covariance grows. The fit is Gauss-Newton (`marksolve`)
with robust weights (for crater rims, scratches, unnoticed dropouts). Along the edges of the strokes the model has an
error of its own, a small part of their contrast.
"""

from dataclasses import dataclass

import numpy as np

from calib.coordinates import Array
from calib.sweep.cross import CrossShape
from calib.sweep.markmodel import BEND, BLUR_X, BLUR_Y, LONGER_LEFT, LONGER_RIGHT, SAMPLE, STROKE
from calib.sweep.marksolve import FitControl, WindowArrays, WindowFit, fit_samples
from calib.sweep.scene import N_OWN, scene_spline

BEND_SIGMA = 1.5  # prior 1-sigma of p: half covered samples read 0.18 to 0.82 of the way to the strokes' value
LONGER_SIGMA = 0.1  # prior 1-sigma of an arm's relative excess length along x, by the sweep given for the window
RECENTRE_PX = 1.0  # a mark found farther from the expected place is fitted again, with the samples around its own place
FIRST_EVERY = 3  # a first fit uses one of so many samples; it stands if its place is known well enough (`enough_px`)
ARMS = slice(LONGER_RIGHT, LONGER_LEFT + 1)  # of the unknowns


@dataclass(frozen=True, slots=True, eq=False)
class MarkWindow:
    """A square piece of a strip with its middle sample at (line, sample) of the strip; sigma is inf without signal.

    `to_film` (2, 2): film (x, y) mm per (line, sample) px at the middle. `curve` (2, 2): the quadratic terms, mm per
    px^2, of the sweep over the window. `guess`: the expected place (line, sample) of the mark, px from the middle.
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
    """A fitted mark: place (line, sample) px with covariance (2, 2) px^2, and blurs (x, y) mm.

    `curve`: that of the window; `place_per_curve` (2, 2, 2): the derivatives of the place by its entries, px per
    (mm/px^2).
    `rise`: strokes' value minus the scene's; `contrast`: rise over its 1-sigma.
    `bend`: p of the model, with `bend_sigma`.
    `chi2`: reduced; `misfit`: rms residual beyond noise in and beside the strokes, relative to their rise.
    `parts` (8,): share of the contrast that each half arm shows.
    `reach_px` (2,): lengths of the arms towards film +x and -x in samples, with 1-sigma `reach_sigma`.
    """

    place: Array
    cov: Array
    curve: Array
    place_per_curve: Array
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
    """Prior 1-sigma of the place (px), the tilts (radians) and the log of the blur, and when a fit ends.

    It ends after `iterations`, or one iteration after a step of the place below `settled_px`. A fit to a part of the
    samples is enough if the place's 1-sigma is below `enough_px`.
    """

    place_px: float
    tilt: float
    blur: float
    iterations: int
    settled_px: float = 0.03
    enough_px: float = 0.0


def fit_mark(window: MarkWindow, shape: CrossShape, priors: FitPriors) -> MarkFit | None:
    """Fit the cross to a window; None if too few samples carry signal, or if they do not determine the place or the
    strokes' value."""
    found = _fit_near(window, window.guess, shape, priors, FIRST_EVERY) if priors.enough_px > 0 else None
    if found is None or not _sigma_px(found) < priors.enough_px:
        found = _fit_near(window, window.guess, shape, priors)
    if found is None:
        return None
    line, sample = found.theta[:2].tolist()
    if max(abs(line - window.guess[0]), abs(sample - window.guess[1])) > RECENTRE_PX:
        found = _fit_near(window, (line, sample), shape, priors) or found
    theta, cov, figures, wider = found.theta, found.cov, found.figures, np.sqrt(found.figures.variance_factors)
    reach, slope = _arm_lengths(window, theta, shape.arm_mm)
    return MarkFit(
        place=np.array([window.line, window.sample]) + theta[:2],
        cov=cov[:2, :2] * np.outer(wider, wider),
        curve=window.curve,
        place_per_curve=found.place_per_curve,
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
        reach_sigma=np.sqrt(np.diagonal(cov)[ARMS]) * wider[1] * shape.arm_mm / slope,
    )


def _sigma_px(found: WindowFit) -> float:
    """The larger 1-sigma of a place, of its line or its sample."""
    return float(
        np.sqrt(
            max(
                found.cov[0, 0] * found.figures.variance_factors[0], found.cov[1, 1] * found.figures.variance_factors[1]
            )
        )
    )


def _arm_lengths(window: MarkWindow, theta: Array, arm_mm: float) -> tuple[Array, Array]:
    """Lengths (2,) of the arms towards +x and -x in samples, and film mm per sample (2,) at their ends."""
    mm, curve = arm_mm * (1 + theta[ARMS]) * np.array([1, -1]), window.curve[0, 1]
    slope = window.to_film[0, 1] + 2 * curve * theta[SAMPLE]
    slope_at_end = np.sqrt(np.maximum(slope**2 + 4 * curve * mm, (slope / 4) ** 2))
    return np.abs(2 * mm / (slope + slope_at_end)), slope_at_end


def _fit_near(
    window: MarkWindow, place: tuple[float, float], shape: CrossShape, priors: FitPriors, every: int = 1
) -> WindowFit | None:
    """Fit the cross to one of every `every` samples around a place (line, sample) of a window, px from its middle."""
    sizes = (shape.arm_mm, shape.width_mm / 2, shape.blur_x_mm, shape.blur_y_mm)
    sigma = [priors.place_px] * 2 + [priors.tilt] * 2 + [priors.blur] * 2 + [BEND_SIGMA]
    sigma += [LONGER_SIGMA] * 2 + [np.inf]
    start = np.concatenate([place, np.zeros(N_OWN - len(place))])
    arrays = WindowArrays(window.values, window.sigma, window.to_film, window.curve)
    control = FitControl(start, 1.0 / np.array(sigma) ** 2, priors.iterations, priors.settled_px)
    fit: WindowFit | None = fit_samples(arrays, sizes, scene_spline(window.values.shape[0] // 2), control, every)
    return fit
