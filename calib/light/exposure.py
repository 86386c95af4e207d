"""Noisy density -> exposure without bias, with its uncertainty.

Exposure bends with density, so the mean over noise of the exposure of a noisy density is not that of the true one. What
a sample is turned into is therefore not H(D) but the function h whose mean over the noise is H: ``E[h(D + sigma(D) n)]
= H(D)``, found by the ratio iteration ``h <- h H / E[h]`` (Gold 1964, An iterative unfolding method for response
matrices) with the mean by Gauss-Hermite quadrature (Abramowitz and Stegun 1964, 25.4.46). Differences would go too far
where a sigma of noise makes exposure several times as large, in toe and shoulder: h swings and falls below zero. What
the ratios leave is known, and belongs to the systematic error. The variance of h is looked up where a noisy sample
lies: for one sample that is right, for a mean of many too large by what noise makes of it, and a pixel is between
these, so half of that is taken off, in logarithms. Beyond the ends of the characteristic curve h goes on along a chord
of one sigma, so that the mean is right up to the ends too; values there serve in means only, and the caller flags what
lies beyond.
"""

from functools import cache

import numpy as np

from calib.coordinates import Array
from calib.film.ready import ValueTable
from calib.light.curve import FilmCurve, exposure_of

NODES = 8193  # over the curve's span; linear interpolation between them is good to 6e-6 of the exposure (tested)
TURNS = 2  # of the iteration: more only amplifies what the ends leave open
QUADRATURE = 11  # nodes of the mean over the noise
PAST_ENDS = 6.0  # sigma that the table reaches beyond the curve
LEAST_NOISE = 1e-6  # density; only keeps quotients finite
LEAST_LIGHT = 1e-12  # lux seconds; only keeps quotients finite
AT_DARK_END = 1.0  # sigma inside the dark end: film that noise takes for such is at it
MOST_NOISE = 0.25  # of the curve's span: what is noisier says nothing


def exposure_table(curve: FilmCurve, density: Array, sigma: Array) -> ValueTable:
    """What densities are turned into, in lux seconds: for samples whose 1-sigma at `density` (K,), rising, is `sigma`.

    The table goes from beyond one end of the curve to beyond the other. It holds the unbiased exposure; what noise and
    a systematic error of density are multiplied by; and the systematic 1-sigma that is added: what the iteration left,
    and what the dark end of the curve leaves open, since film that could as well lie at it may have seen no light.
    """
    low, high = curve.span
    inner = np.linspace(low, high, NODES)
    step = (high - low) / (NODES - 1)
    scatter = np.clip(np.interp(inner, density, sigma), LEAST_NOISE, MOST_NOISE * (high - low))
    past = int(np.ceil(PAST_ENDS * max(scatter[0], scatter[-1]) / step))
    at = np.asarray(low + step * np.arange(-past, NODES + past), np.float64)
    noise = np.asarray(np.pad(scatter, past, mode="edge"), np.float64)
    stated = _continued(exposure_of(curve, inner), past, noise / step)
    value = stated.copy()
    mean = _mean(value, at, noise)
    for _ in range(TURNS):
        ratio = value / np.maximum(mean, LEAST_LIGHT)
        value += (stated - mean) * np.clip(ratio, 0.0, 1.0)  # below zero there is no ratio
        mean = _mean(value, at, noise)
    inside = np.clip(np.arange(at.size), past, past + NODES - 1)
    variance = np.maximum(_mean(value**2, at, noise) - mean**2, 0.0)[inside]
    variance *= np.sqrt(np.minimum(variance / np.maximum(_mean(variance, at, noise), LEAST_LIGHT**2), 1.0))
    slope = np.abs(np.gradient(mean, step))
    end = _dark_end(stated[inside], (at - low) / noise, (high - at) / noise)
    spread = np.stack([np.sqrt(variance) / noise, slope[inside], np.hypot(end, (mean - stated)[inside])], axis=1)
    span = _without_dark_end((low, high), stated[past : past + NODES], scatter)
    return ValueTable(value.astype(np.float32), spread.astype(np.float32), float(at[0]), 1.0 / step, span)


def _without_dark_end(span: tuple[float, float], exposure: Array, scatter: Array) -> tuple[float, float]:
    """Densities between which film can be calibrated: full shadow lies at the dark end, and half of it noise takes
    inside, where it would pass for the least light that the curve knows, or more."""
    low, high = span
    if exposure[0] < exposure[-1]:
        return low + AT_DARK_END * float(scatter[0]), high
    return low, high - AT_DARK_END * float(scatter[-1])


def _dark_end(exposure: Array, above_low: Array, below_high: Array) -> Array:
    """The exposure of a density so many sigma inside the dark end, as far as it could as well lie there."""
    inside = above_low if exposure[0] < exposure[-1] else below_high
    return np.asarray(exposure * np.exp(-0.5 * np.maximum(inside, 0.0) ** 2))


def _continued(exposure: Array, past: int, sigma_nodes: Array) -> Array:
    """A curve continued by `past` nodes at both ends along its chord over one sigma (given in nodes)."""
    first, last = (max(1, min(round(float(sigma_nodes[end])), exposure.size - 1)) for end in (0, -1))
    steps = np.arange(1, past + 1)
    before = exposure[0] - steps[::-1] * (exposure[first] - exposure[0]) / first
    after = exposure[-1] + steps * (exposure[-1] - exposure[-1 - last]) / last
    return np.concatenate([before, exposure, after])


@cache
def _quadrature() -> list[tuple[float, float]]:
    """Nodes in sigma, and weights, of the mean over a Gaussian."""
    node, weight = np.polynomial.hermite_e.hermegauss(QUADRATURE)
    return list(zip(node, weight / weight.sum(), strict=True))


def _mean(values: Array, at: Array, sigma: Array) -> Array:
    """Mean of tabulated values over Gaussian noise about each node; held beyond the table."""
    parts = [w * np.interp(at + sigma * x, at, values) for x, w in _quadrature()]
    return np.asarray(np.sum(parts, axis=0))
