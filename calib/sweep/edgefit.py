"""One blurred border between two even parts of the film: where it is, in transmitted light."""

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
    density: Array,
    sigma: Array,
    inside: NDArray[np.bool_],
    profile: Callable[[Array], Array],
    blur_mm: float,
) -> tuple[float, float] | None:
    """Shift (mm) of a border along t and its variance; None where it does not stand out.

    Model: light = a + b profile(t - shift), `profile` the blurred border at 0. The spot averages light, so densities
    are turned into it; weights fall off for samples far from the model, scatter beyond the noise widens the variance.
    """
    good = inside & np.isfinite(sigma)
    if good.sum() < max(LEAST_SAMPLES, 0.5 * inside.sum()):
        return None
    t, d = t_mm[good], density[good].astype(float)
    light = 10.0 ** -(d - np.median(d))
    noise = np.maximum(sigma[good] * light * np.log(10), 1e-9)
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


def _trimmed(residual: Array, noise: Array) -> Array:
    """Inverse variances, the noise widened to the scatter found, less for samples far from the model."""
    ratio2 = (residual / noise) ** 2
    factor = max(1.0, float(np.median(ratio2)) / 0.6745**2)
    return np.minimum(1.0, TRIM**2 * factor / np.maximum(ratio2, 1e-12)) / (noise**2 * factor)
