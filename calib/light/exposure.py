"""Noisy density -> exposure without bias, with its uncertainty.

Exposure bends with density, so the mean over noise of the exposure of a noisy density is not that of the true one. What
a sample is turned into is therefore not H(D) but the function h whose mean over the noise is H: ``E[h(D + sigma(D) n)]
= H(D)`` for all D of the curve. It is found by turns. Each multiplies h at a density by demanded over found exposure,
averaged over the means that it goes into by its shares in them (Richardson 1972, Bayesian-based iterative method of
image restoration; Lucy 1974, An iterative technique for the rectification of observed distributions). The means are
taken by Gauss-Hermite quadrature (Abramowitz and Stegun 1964, 25.4.46). Differences would go too far where a sigma of
noise makes exposure several times as large, in toe and shoulder: h swings and falls below zero. Beyond the ends of the
curve nothing is demanded: h begins there as a chord of one sigma and becomes what the means up to the ends need; a
demand made up for there took the mean off by a tenth in the shoulder. Values there serve in means only, and the caller
flags what lies beyond. What the turns leave is known, and belongs to the systematic error. The variance of h is looked
up where a noisy sample lies. For one sample that is right; for a mean of many it is too large by what noise makes of
it. A pixel is between these, so half of that is taken off, in logarithms.
"""

from functools import cache

import numpy as np

from calib.coordinates import Array
from calib.film.tables import ValueTable
from calib.light.curve import FilmCurve, exposure_of
from calib.remembered import once

NODES = 8193  # over the curve's span; linear interpolation between them is good to 6e-6 of the exposure (tested)
EVERY = 32  # of the nodes one is asked for its mean: what noise changes is smooth
TURNS = 3  # of the iteration: more bring little but scatter
QUADRATURE = 41  # nodes of the mean over the noise: beside an end of the curve it sees a kink
PAST_ENDS = 6.0  # sigma that the table reaches beyond the curve
LEAST_NOISE = 1e-6  # density; only keeps quotients finite
LEAST_LIGHT = 1e-12  # lux seconds; only keeps quotients finite
LEAST_MEAN = 0.05  # of the exposure; only keeps quotients finite
AT_DARK_END = 1.0  # sigma inside the dark end: film that noise takes for such is at it
OF_PIXEL = 2.0  # samples of whose mean a pixel is dark or not: a sigma inside, 4 to 8 % of shadow was not (by trial)
MOST_NOISE = 0.25  # of the curve's span: what is noisier says nothing


def exposure_table(curve: FilmCurve, density: Array, sigma: Array, doubt: Array, dark: float = 0.0) -> ValueTable:
    """What densities are turned into, in lux seconds: for samples whose 1-sigma at `density` (K,), rising, is `sigma`,
    and the systematic one about `doubt` (K,), a part `dark` of which lie at the curve's dark end.

    The table goes from beyond one end of the curve to beyond the other. It holds the unbiased exposure; what noise and
    a systematic error of density are multiplied by; and the systematic 1-sigma that is added. This is what the
    iteration left, and what the dark end of the curve leaves open: film that could as well lie at it may have seen no
    light.
    """
    low, high = curve.span
    step = (high - low) / (NODES - 1)
    asked = np.linspace(low, high, NODES)[::EVERY]
    noise = np.clip(np.interp(asked, density, sigma), LEAST_NOISE, MOST_NOISE * (high - low))
    past = EVERY * int(np.ceil(PAST_ENDS * max(noise[0], noise[-1]) / (step * EVERY)))
    at = np.asarray(low + step * np.arange(-past, NODES + past), np.float64)
    exposure = _exposures(curve)
    stated = exposure[::EVERY]
    value = _continued(exposure, past, noise[[0, -1]] / step)
    value *= np.interp(at, at[::EVERY], _factor(value, at, stated, asked, noise))
    mean = _mean(value, at, asked, noise)
    variance = np.maximum(_mean(value**2, at, asked, noise) - mean**2, 0.0)
    of_means = np.maximum(_mean(variance, asked, asked, noise), LEAST_LIGHT**2)
    variance *= np.sqrt(np.minimum(variance / of_means, 1.0))
    of_doubt = _of_doubt(mean, asked, np.clip(np.interp(asked, density, doubt), LEAST_NOISE, high - low))
    end = _dark_end(stated, (asked - low) / noise, (high - asked) / noise)
    columns = np.sqrt(variance) / noise, of_doubt, np.hypot(end, mean - stated)
    spread = np.stack([np.interp(at, asked, column) for column in columns], axis=1)
    span = _without_dark_end((low, high), stated, noise, dark)
    return ValueTable(value.astype(np.float32), spread.astype(np.float32), float(at[0]), 1.0 / step, span)


@once
def _exposures(curve: FilmCurve) -> Array:
    """Those of `NODES` densities over the curve's span, the same for all strips."""
    return exposure_of(curve, np.linspace(*curve.span, NODES))


def _factor(value: Array, at: Array, stated: Array, asked: Array, noise: Array) -> Array:
    """What makes the means of a table about the densities `asked` those that are `stated`: a factor for every `EVERY`th
    of its nodes, linear between them; none where the table has no light, or goes into no mean.
    """
    nodes, (x, weight) = at[::EVERY], _quadrature()
    place = asked[:, None] + noise[:, None] * x
    amount = weight * np.interp(place, at, value) / np.maximum(stated, LEAST_LIGHT)[:, None]
    place = np.clip((place - nodes[0]) / (nodes[1] - nodes[0]), 0.0, nodes.size - 1.0)
    node = np.minimum(place.astype(np.intp), nodes.size - 2)
    shares = np.stack([amount * (node + 1 - place), amount * (place - node)])
    cell = np.arange(asked.size)[:, None] * nodes.size + np.stack([node, node + 1])
    share = np.bincount(cell.ravel(), shares.ravel(), asked.size * nodes.size).reshape(asked.size, nodes.size)
    factor, total = np.ones(nodes.size), share.sum(axis=0)
    used = total > 0.0
    for _ in range(TURNS):
        lacking = (1.0 / np.maximum(share @ factor, LEAST_MEAN)) @ share
        factor[used] *= lacking[used] / total[used]
    return factor


def _of_doubt(exposure: Array, density: Array, doubt: Array) -> Array:
    """By how much exposure errs for an error of density of 1-sigma `doubt`, root mean square, over it: for a large one
    by far more than by the slope where it is read, since exposure grows by factors. No film lies beyond the ends."""
    x, weight = _quadrature()
    off = np.interp(density[:, None] + doubt[:, None] * x, density, exposure) - exposure[:, None]
    return np.maximum(np.sqrt(off**2 @ weight) / doubt, np.abs(np.gradient(exposure, density)))


def _without_dark_end(span: tuple[float, float], exposure: Array, scatter: Array, dark: float) -> tuple[float, float]:
    """Densities between which film can be calibrated: full shadow lies at the dark end, and half of it noise takes
    inside, where it would pass for the least light that the curve knows, or more.

    Where a part `dark` of the film is in shadow and the rest lies anywhere on the curve, what noise takes so far inside
    is shadow more likely than not.
    """
    low, high = span
    sigma = float(scatter[0 if exposure[0] < exposure[-1] else -1])
    odds = dark / (1.0 - dark) * (high - low) / (np.sqrt(2.0 * np.pi / OF_PIXEL) * sigma)
    inside = max(AT_DARK_END, np.sqrt(2.0 / OF_PIXEL * np.log(max(odds, 1.0)))) * sigma
    return (low + inside, high) if exposure[0] < exposure[-1] else (low, high - inside)


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
def _quadrature() -> tuple[Array, Array]:
    """Nodes in sigma, and weights, of the mean over a Gaussian."""
    node, weight = np.polynomial.hermite_e.hermegauss(QUADRATURE)
    return node, weight / weight.sum()


def _mean(values: Array, at: Array, places: Array, sigma: Array) -> Array:
    """Mean of tabulated values over Gaussian noise about places; held beyond the table."""
    x, weight = _quadrature()
    return np.asarray(np.interp(places[:, None] + sigma[:, None] * x, at, values) @ weight)
