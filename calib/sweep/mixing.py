"""The quantity that a sample averages over the film it covers: light, density, or a power of the light between them."""

import math

import numpy as np

from calib.coordinates import Array
from calib.sweep.smoothing import Picture

SPARSE = 16  # the median of the densities is taken from one in so many
MOST_RATIO = 1e4  # of the light on two sides of a border
LEAST_POWER = 1e-3  # of light: practically density
STRONGEST, N_RATIOS = 8.0, 3201  # greatest |ln| of the ratio of two mixed lights (3000 to 1), and size of its grid
LEAST_BEND_SIGMA = 1e-3  # lower limit, so that no single bend outweighs all others
DEEPEST = 6.0  # limit of density from the median: no film exceeds it, and powers of light do not overflow
LEAST_SIGMA = 1e-6  # lower limit of a value's 1-sigma


def mixing_exponent(rise: Array, bend: Array, bend_sigma: Array) -> float:
    """The power k of transmitted light that samples average, 0 .. 1, from the bends (N,) of reseau strokes.

    It is 1 if the spot averages light, 0 if densities are averaged (a picture blurred after the logarithm was taken).
    With x = -k ln(10) `rise`, for strokes denser than the scene by `rise`, half covered samples read ln((1 + e^x) / 2)
    / x of the way to the stroke; `bend` is the logit of that. The result is the weighted median over the strokes; 1 if
    there are none.
    """
    if rise.size == 0:
        return 1.0
    x = np.linspace(-STRONGEST, STRONGEST, N_RATIOS)
    x = np.delete(x, N_RATIOS // 2)  # x = 0: the formula is 0 / 0
    way = np.log((1 + np.exp(x)) / 2) / x
    found = np.interp(bend, np.log(way / (1 - way)), x)
    power = -found / (np.log(10) * rise)
    weight = (rise / np.maximum(bend_sigma, LEAST_BEND_SIGMA)) ** 2
    order = np.argsort(power, kind="stable")
    middle = np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)
    return float(np.clip(power[order][middle], 0.0, 1.0))


def mixed_value(density: Picture, sigma: Picture, power: float) -> tuple[Picture, Picture]:
    """Densities converted to the value that is averaged linearly, and its 1-sigma, which is inf without signal.

    The value is light, relative to that at the median density, to a power, over power ln(10).
    """
    good = np.isfinite(sigma) & np.isfinite(density)
    d = np.where(good, density, 0.0) - (np.median(density[good][::SPARSE]) if good.any() else 0.0)
    rate = max(power, LEAST_POWER) * math.log(10)
    light = np.asarray(np.exp(-rate * np.clip(d, -DEEPEST, DEEPEST)) / rate, np.float32)
    return light, np.where(good, np.maximum(sigma, LEAST_SIGMA) * light * rate, np.inf)


def light_of_dn(dn: Picture, sigma: Picture) -> tuple[Picture, Picture]:
    """The DN unchanged, close enough to light for the first look, and the 1-sigma, which is inf without signal."""
    good = np.isfinite(sigma) & np.isfinite(dn)
    return dn, np.where(good, np.maximum(sigma, LEAST_SIGMA), np.inf)


def rise_of(level: Array, step: Array, power: float) -> Array:
    """Density after borders (N,) minus density before them, from the `level` before and the `step` in `mixed_value`.

    Light is limited to 1 / MOST_RATIO of that on the lighter side, the least that film transmits.
    """
    before, beyond = level, level + step
    least = np.maximum(before, beyond) / MOST_RATIO
    ratio = np.maximum(beyond, least) / np.maximum(before, least)
    return np.asarray(-np.log10(ratio) / max(power, LEAST_POWER), np.float64)


def shift_per_power(rise: Array, blur_mm: float) -> Array:
    """Apparent shift in mm along t of borders (N,) after which the film is denser by `rise`, per unit of power by which
    `mixed_value` used a larger power than that which the spot averages.

    With x = -ln(10) rise, a sample that covers the share f of the step reads less by x f (1 - f) / 2 of the step per
    unit. In least squares that is a shift by x / 2 times the integral of f (1 - f) f' over that of f'^2. These are 1 /
    6 and 1 / (2 sqrt(pi) blur) for a Gaussian f'.
    """
    return np.asarray(-math.sqrt(math.pi) / 6 * math.log(10) * blur_mm * rise, np.float64)
