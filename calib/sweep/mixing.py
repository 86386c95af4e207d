"""What mixes where a sample sees two parts of the film: light, density, or a power of the light between them."""

import math

import numpy as np

from calib.coordinates import Array
from calib.sweep.smoothing import Picture

SPARSE = 16  # every so manieth density tells their middle
MOST_RATIO = 1e4  # of the light on two sides of a border
LEAST_POWER = 1e-3  # of the light: as good as densities themselves
STRONGEST, LAWS = 8.0, 3201  # of the ln of two mixed lights' ratio, 3000 to 1; and how many between its two signs
LEAST_BEND_SIGMA = 1e-3  # a bend that seems to be known better would count for all others
DEEPEST = 6.0  # of density from the middle: no film is deeper, and no power of its light overflows
LEAST_SIGMA = 1e-6  # of a value: none is free of noise


def mixing_exponent(rise: Array, bend: Array, bend_sigma: Array) -> float:
    """The power k of transmitted light that half covered samples average, as reseau strokes show it: 1 where the spot
    mixes light, 0 where densities themselves are mixed (a picture blurred after the logarithm was taken).

    Of strokes with a density `rise` above the scene, x = -k ln(10) rise, half covered samples lie at
    ln((1 + e^x) / 2) / x of the way; `bend` is the logit of that.
    """
    if rise.size == 0:
        return 1.0
    x = np.linspace(-STRONGEST, STRONGEST, LAWS)
    x = np.delete(x, LAWS // 2)  # equal lights have no way between them
    way = np.log((1 + np.exp(x)) / 2) / x
    found = np.interp(bend, np.log(way / (1 - way)), x)
    power = -found / (np.log(10) * rise)
    weight = (rise / np.maximum(bend_sigma, LEAST_BEND_SIGMA)) ** 2
    order = np.argsort(power, kind="stable")
    middle = np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)
    return float(np.clip(power[order][middle], 0.0, 1.0))


def mixed_value(density: Picture, sigma: Picture, power: float) -> tuple[Picture, Picture]:
    """Densities as the value that mixes linearly, light to a power relative to that of a middle one, and its 1-sigma,
    which is inf without signal."""
    good = np.isfinite(sigma) & np.isfinite(density)
    d = np.where(good, density, 0.0) - (np.median(density[good][::SPARSE]) if good.any() else 0.0)
    rate = max(power, LEAST_POWER) * math.log(10)
    light = np.asarray(np.exp(-rate * np.clip(d, -DEEPEST, DEEPEST)) / rate, np.float32)
    return light, np.where(good, np.maximum(sigma, LEAST_SIGMA) * light * rate, np.inf)


def light_of_dn(dn: Picture, sigma: Picture) -> tuple[Picture, Picture]:
    """The video's DN taken as they are, near enough to light for a first look; 1-sigma is inf without signal."""
    good = np.isfinite(sigma) & np.isfinite(dn)
    return dn, np.where(good, np.maximum(sigma, LEAST_SIGMA), np.inf)


def rise_of(level: Array, step: Array, power: float) -> Array:
    """By how much denser the film is beyond borders (N,) than before them, of their `Found` in `mixed_value`.

    Light below what film can let through is taken for the least that it can.
    """
    before, beyond = level, level + step
    least = np.maximum(before, beyond) / MOST_RATIO
    ratio = np.maximum(beyond, least) / np.maximum(before, least)
    return np.asarray(-np.log10(ratio) / max(power, LEAST_POWER), np.float64)


def shift_per_power(rise: Array, blur_mm: float) -> Array:
    """How far (mm) borders (N,) beyond which the film is denser by `rise` are seen along t beyond where they are, for
    each unit by which the power in `mixed_value` is larger than that which mixes.

    With x = -ln(10) rise, a sample with the share f of the step then reads less by x f (1 - f) / 2 of it for each unit.
    Least squares take that for a shift by x / 2 times the integral of f (1 - f) f' over that of f'^2, which are 1 / 6
    and 1 / (2 sqrt(pi) blur) where f' is Gaussian.
    """
    return np.asarray(-math.sqrt(math.pi) / 6 * math.log(10) * blur_mm * rise, np.float64)
