"""One blurred border between two even parts of the film: where it is."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array

LEAST_STEP = 8.0  # of a border's step over its 1-sigma
LEAST_SAMPLES = 40
TURNS = 8
TRIM = 3.0


def fit_border(
    t_mm: Array,
    light: Array,
    noise: Array,
    inside: NDArray[np.bool_],
    profile: Callable[[Array], Array],
    blur_mm: float,
) -> tuple[float, float] | None:
    """Shift (mm) of a border along t and its variance; None where it does not stand out.

    Model: light = a + b profile(t - shift), `profile` the blurred border at 0, `noise` the 1-sigma of the light, inf
    without signal. Weights fall off for samples far from the model, scatter beyond the noise widens the variance.
    """
    good = inside & np.isfinite(noise)
    if good.sum() < max(LEAST_SAMPLES, 0.5 * inside.sum()):
        return None
    t, light, noise = t_mm[good], light[good], noise[good]
    shift, weight = 0.0, 1 / noise**2
    for turn in range(TURNS):
        f = profile(t - shift)
        slope = (profile(t - shift - 0.05 * blur_mm) - profile(t - shift + 0.05 * blur_mm)) / (0.1 * blur_mm)
        if turn == 0:
            flat = np.column_stack([np.ones_like(f), f])
            levels = np.linalg.lstsq(flat / noise[:, None], light / noise, rcond=None)[0]
        design = np.column_stack([np.ones_like(f), f, levels[1] * slope])
        residual = light - levels[0] - levels[1] * f
        if turn > 1:
            weight = _trimmed(residual, noise)
        normal = (design * weight[:, None]).T @ design
        normal[np.diag_indices(3)] *= 1 + 1e-9
        step = np.linalg.solve(normal, design.T @ (weight * residual))
        levels = levels + step[:2]
        shift += float(np.clip(step[2], -3 * blur_mm, 3 * blur_mm))
    cov = np.linalg.inv(normal)
    if not abs(levels[1]) > LEAST_STEP * np.sqrt(cov[1, 1]) or cov[2, 2] > blur_mm**2:
        return None
    return shift, float(cov[2, 2])


def light_of_density(density: Array, sigma: Array) -> tuple[Array, Array]:
    """Transmitted light, relative to the picture's median, and its 1-sigma."""
    d = density.astype(float)
    good = np.isfinite(sigma)
    light = 10.0 ** -np.clip(np.where(good, d, 0.0) - (np.median(d[good]) if good.any() else 0.0), -6.0, 6.0)
    return light, np.where(good, np.maximum(sigma, 1e-6) * light * np.log(10), np.inf)


def light_of_dn(dn: Array, sigma: Array) -> tuple[Array, Array]:
    """The video's DN taken as they are: near enough to light for a first look."""
    return dn.astype(float), np.where(np.isfinite(sigma), np.maximum(sigma, 1e-6), np.inf)


def _trimmed(residual: Array, noise: Array) -> Array:
    """Inverse variances, the noise widened to the scatter found, less for samples far from the model."""
    ratio2 = (residual / noise) ** 2
    factor = max(1.0, float(np.median(ratio2)) / 0.6745**2)
    return np.minimum(1.0, TRIM**2 * factor / np.maximum(ratio2, 1e-12)) / (noise**2 * factor)
