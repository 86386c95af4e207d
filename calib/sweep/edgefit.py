"""One blurred border between two even parts of the film: where it is."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array

LEAST_STEP = 8.0  # of a border's step over its 1-sigma
LEAST_SAMPLES = 40
TURNS = 8
SETTLED = 0.03  # of the shift's 1-sigma: no larger step, and it has settled
TRIM = 3.0


def fit_border(
    t_mm: Array,
    light: Array,
    noise: Array,
    inside: NDArray[np.bool_],
    profile: Callable[[Array], Array],
    blur_mm: float,
    start_mm: float = 0.0,
) -> tuple[float, float] | None:
    """Shift (mm) of a border along t and its variance; None where it does not stand out.

    Model: light = a + b profile(t - shift), `profile` the blurred border at 0, `noise` the 1-sigma of the light, inf
    without signal. Weights fall off for samples far from the model, scatter beyond the noise widens the variance.
    """
    good = inside & np.isfinite(noise)
    if good.sum() < max(LEAST_SAMPLES, 0.5 * inside.sum()):
        return None
    t, light, noise = t_mm[good], light[good], noise[good]
    shift, weight = start_mm, 1 / noise**2
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
        if turn > 2 and abs(step[2]) < SETTLED * np.sqrt(1 / normal[2, 2]):
            break
    cov = np.linalg.inv(normal)
    if not abs(levels[1]) > LEAST_STEP * np.sqrt(cov[1, 1]) or cov[2, 2] > blur_mm**2:
        return None
    return shift, float(cov[2, 2])


def search_border(
    t_mm: Array, light: Array, noise: Array, profile: Callable[[Array], Array], flank_mm: float, reach_mm: float
) -> float | None:
    """Rough shift (mm) of a border across columns within `reach_mm`, from the columns' mean light: where the profile
    explains most of what lies within `flank_mm` of it. t (n_lines, n_columns) mm. None where no column has signal."""
    good = np.isfinite(noise)
    count = good.sum(axis=0)
    columns = count > good.shape[0] / 2
    if columns.sum() < 8:
        return None
    t = t_mm.mean(axis=0)[columns]
    mean = np.where(good, light, 0.0).sum(axis=0)[columns] / count[columns]
    step = float(np.median(np.diff(t))) / 2
    shifts = np.arange(-np.ceil(reach_mm / step), np.ceil(reach_mm / step) + 1) * step
    explained = [_explained(t - shift, mean, profile, flank_mm) for shift in shifts]
    return float(shifts[int(np.argmax(explained))])


def _explained(t: Array, mean: Array, profile: Callable[[Array], Array], flank_mm: float) -> float:
    """Sum of squares that a level and a step of the profile explain, over what they leave; 0 where columns lack."""
    near = np.abs(t) < flank_mm
    if near.sum() < 6 or t[0] > -0.8 * flank_mm or t[-1] < 0.8 * flank_mm:
        return 0.0
    f, m = profile(t[near]), mean[near] - mean[near].mean()
    f = f - f.mean()
    explained = float(f @ m) ** 2 / max(float(f @ f), 1e-30)
    return explained / (float(m @ m) - explained + 0.02 * float(m @ m) + 1e-30)


def mixing_exponent(rise: Array, bend: Array, bend_sigma: Array) -> float:
    """The power k of transmitted light that half covered samples average, as reseau strokes show it: 1 where the spot
    mixes light, 0 where densities themselves are mixed (a picture blurred after the logarithm was taken).

    Of strokes with a density `rise` above the scene, x = -k ln(10) rise, half covered samples lie at
    ln((1 + e^x) / 2) / x of the way; `bend` is the logit of that.
    """
    if rise.size == 0:
        return 1.0
    x = np.linspace(-8.0, 8.0, 3201)
    x = x[np.abs(x) > 1e-6]
    way = np.log((1 + np.exp(x)) / 2) / x
    found = np.interp(bend, np.log(way / (1 - way)), x)
    power = -found / (np.log(10) * rise)
    weight = (rise / np.maximum(bend_sigma, 1e-3)) ** 2
    order = np.argsort(power, kind="stable")
    middle = np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)
    return float(np.clip(power[order][middle], 0.0, 1.0))


def mixed_value(density: Array, sigma: Array, power: float) -> tuple[Array, Array]:
    """Densities as the value that mixes linearly, light to a power relative to the median's, and its 1-sigma."""
    good = np.isfinite(sigma)
    d = np.where(good, density, 0.0) - (np.median(density[good]) if good.any() else 0.0)
    rate = max(power, 1e-3) * np.log(10)
    light = np.exp(-rate * np.clip(d, -6.0, 6.0)) / rate
    return light, np.where(good, np.maximum(sigma, 1e-6) * light * rate, np.inf)


def light_of_dn(dn: Array, sigma: Array) -> tuple[Array, Array]:
    """The video's DN taken as they are: near enough to light for a first look."""
    return dn.astype(float), np.where(np.isfinite(sigma), np.maximum(sigma, 1e-6), np.inf)


def _trimmed(residual: Array, noise: Array) -> Array:
    """Inverse variances, the noise widened to the scatter found, less for samples far from the model."""
    ratio2 = (residual / noise) ** 2
    factor = max(1.0, float(np.median(ratio2)) / 0.6745**2)
    return np.minimum(1.0, TRIM**2 * factor / np.maximum(ratio2, 1e-12)) / (noise**2 * factor)
