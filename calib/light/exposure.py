"""Converts noisy density to exposure without bias, with its uncertainty.

Exposure is a nonlinear function H of density, so the exposure of a noisy density is biased. Samples are therefore not
converted by H(D) but by the function h whose mean over the noise is H: ``E[h(D + sigma(D) n)] = H(D)`` for all D of the
curve. It is found by iteration. Each step multiplies h at a density by the ratio of required to present mean exposure,
averaged over all means to which it contributes, weighted by its shares (Richardson 1972, Bayesian-based iterative
method of image restoration; Lucy 1974, An iterative technique for the rectification of observed distributions). Means
are computed by Gauss-Hermite quadrature (Abramowitz and Stegun 1964, 25.4.46). Additive corrections would overshoot in
toe and shoulder, where a sigma of noise multiplies exposure several times: h oscillates and becomes negative. Beyond
the ends of the curve no mean is required: h starts there as a chord over one sigma, and the means up to the ends
determine it; an invented requirement there put the mean off by a tenth in the shoulder. These values only contribute to
means; the caller flags densities beyond the ends. The remaining bias is known, and is added to the systematic error.
The variance of h is looked up at the density of a noisy sample. For a single sample that is right; for a mean of many
it is too large because of the noise of the look-up. A pixel is in between, so half of that excess is removed, in
logarithms.
"""

from functools import cache

import numpy as np

from calib.coordinates import Array
from calib.film.tables import ValueTable
from calib.light.curve import FilmCurve, exposure_of
from calib.remembered import once

NODES = 8193  # over the curve's span; linear interpolation between them is accurate to 6e-6 of the exposure (tested)
STRIDE = 32  # means are computed at one in this many nodes, because the effect of noise is smooth
ITERATIONS = 3  # more add mostly scatter
QUADRATURE = 41  # nodes for the mean over the noise, which has a kink near an end of the curve
PAST_ENDS = 6.0  # sigma by which the table extends beyond the curve
LEAST_NOISE = 1e-6  # density: keeps quotients finite
LEAST_LIGHT = 1e-12  # lux seconds: keeps quotients finite
LEAST_MEAN = 0.05  # of the exposure: keeps quotients finite
AT_DARK_END = 1.0  # sigma inside the dark end within which film counts as at that end
SAMPLES_OF_PIXEL = 2.0  # assumed in a pixel's mean for this limit: at 1 sigma, 4 to 8 % of shadow was missed (by trial)
MOST_NOISE = 0.25  # of the curve's span: noisier densities carry no information


def exposure_table(curve: FilmCurve, density: Array, sigma: Array, doubt: Array, dark: float = 0.0) -> ValueTable:
    """Table from density to unbiased exposure in lux seconds, with factors for its uncertainty.

    `sigma` (K,) and `doubt` (K,) are the 1-sigma noise and systematic error of samples at `density` (K,), rising;
    `dark` is the fraction of samples at the curve's dark end. The table extends beyond both ends of the curve. Its
    spread holds the factors from noise and systematic error of density to those of exposure, and a systematic 1-sigma
    that is added: the remaining bias of the iteration, and near the dark end of the curve the exposure itself, because
    film that may lie at that end may have received no light.
    """
    low, high = curve.span
    step = (high - low) / (NODES - 1)
    means_at = np.linspace(low, high, NODES)[::STRIDE]
    noise = np.clip(np.interp(means_at, density, sigma), LEAST_NOISE, MOST_NOISE * (high - low))
    past = STRIDE * int(np.ceil(PAST_ENDS * max(noise[0], noise[-1]) / (step * STRIDE)))
    at = np.asarray(low + step * np.arange(-past, NODES + past), np.float64)
    exposure = _exposures(curve)
    stated = exposure[::STRIDE]
    value = _extrapolated(exposure, past, noise[[0, -1]] / step)
    value *= np.interp(at, at[::STRIDE], _factor(value, at, stated, means_at, noise))
    mean = _mean(value, at, means_at, noise)
    variance = np.maximum(_mean(value**2, at, means_at, noise) - mean**2, 0.0)
    of_means = np.maximum(_mean(variance, means_at, means_at, noise), LEAST_LIGHT**2)
    variance *= np.sqrt(np.minimum(variance / of_means, 1.0))
    error_factor = _error_factor(mean, means_at, np.clip(np.interp(means_at, density, doubt), LEAST_NOISE, high - low))
    end = _dark_exposure(stated, (means_at - low) / noise, (high - means_at) / noise)
    columns = np.sqrt(variance) / noise, error_factor, np.hypot(end, mean - stated)
    spread = np.stack([np.interp(at, means_at, column) for column in columns], axis=1)
    span = _calibrated_span((low, high), stated, noise, dark)
    return ValueTable(value.astype(np.float32), spread.astype(np.float32), float(at[0]), 1.0 / step, span)


@once
def _exposures(curve: FilmCurve) -> Array:
    """Exposures at `NODES` densities over the curve's span, which are the same for all strips."""
    return exposure_of(curve, np.linspace(*curve.span, NODES))


def _factor(value: Array, at: Array, stated: Array, means_at: Array, noise: Array) -> Array:
    """Factors by which a table is multiplied so that its means at the densities `means_at` equal `stated`.

    There is one for every `STRIDE`th node, to be interpolated linearly; 1 where the table has no light or does not
    contribute to any mean.
    """
    nodes, (x, weight) = at[::STRIDE], _quadrature()
    place = means_at[:, None] + noise[:, None] * x
    amount = weight * np.interp(place, at, value) / np.maximum(stated, LEAST_LIGHT)[:, None]
    place = np.clip((place - nodes[0]) / (nodes[1] - nodes[0]), 0.0, nodes.size - 1.0)
    node = np.minimum(place.astype(np.intp), nodes.size - 2)
    shares = np.stack([amount * (node + 1 - place), amount * (place - node)])
    cell = np.arange(means_at.size)[:, None] * nodes.size + np.stack([node, node + 1])
    share = np.bincount(cell.ravel(), shares.ravel(), means_at.size * nodes.size).reshape(means_at.size, nodes.size)
    factor, total = np.ones(nodes.size), share.sum(axis=0)
    used = total > 0.0
    for _ in range(ITERATIONS):
        correction = (1.0 / np.maximum(share @ factor, LEAST_MEAN)) @ share
        factor[used] *= correction[used] / total[used]
    return factor


def _error_factor(exposure: Array, density: Array, doubt: Array) -> Array:
    """RMS error of exposure for a density error of 1-sigma `doubt`, divided by `doubt`; at least the curve's slope.

    For large errors it far exceeds the slope at the density read, because exposure grows by factors. Film is assumed
    not to lie beyond the ends of the curve.
    """
    x, weight = _quadrature()
    off = np.interp(density[:, None] + doubt[:, None] * x, density, exposure) - exposure[:, None]
    return np.maximum(np.sqrt(off**2 @ weight) / doubt, np.abs(np.gradient(exposure, density)))


def _calibrated_span(span: tuple[float, float], exposure: Array, scatter: Array, dark: float) -> tuple[float, float]:
    """Range of densities that can be calibrated. Full shadow lies at the dark end of the curve, and noise moves half of
    it inside, where it would be taken for the lowest exposures of the curve.

    The dark limit lies where, for a fraction `dark` of film in shadow and the rest anywhere on the curve, a density is
    equally likely to be shadow or not, but at least `AT_DARK_END` sigma inside.
    """
    low, high = span
    sigma = float(scatter[0 if exposure[0] < exposure[-1] else -1])
    odds = dark / (1.0 - dark) * (high - low) / (np.sqrt(2.0 * np.pi / SAMPLES_OF_PIXEL) * sigma)
    inside = max(AT_DARK_END, np.sqrt(2.0 / SAMPLES_OF_PIXEL * np.log(max(odds, 1.0)))) * sigma
    return (low + inside, high) if exposure[0] < exposure[-1] else (low, high - inside)


def _dark_exposure(exposure: Array, above_low: Array, below_high: Array) -> Array:
    """The exposure of densities, times the relative likelihood that they lie at the dark end; arguments in sigma."""
    inside = above_low if exposure[0] < exposure[-1] else below_high
    return np.asarray(exposure * np.exp(-0.5 * np.maximum(inside, 0.0) ** 2))


def _extrapolated(exposure: Array, past: int, sigma_nodes: Array) -> Array:
    """A curve extrapolated by `past` nodes at both ends along its chord over one sigma (given in nodes)."""
    first, last = (max(1, min(round(float(sigma_nodes[end])), exposure.size - 1)) for end in (0, -1))
    steps = np.arange(1, past + 1)
    before = exposure[0] - steps[::-1] * (exposure[first] - exposure[0]) / first
    after = exposure[-1] + steps * (exposure[-1] - exposure[-1 - last]) / last
    return np.concatenate([before, exposure, after])


@cache
def _quadrature() -> tuple[Array, Array]:
    """Nodes in sigma, and weights, for the mean over a Gaussian."""
    node, weight = np.polynomial.hermite_e.hermegauss(QUADRATURE)
    return node, weight / weight.sum()


def _mean(values: Array, at: Array, places: Array, sigma: Array) -> Array:
    """Mean of tabulated `values` over Gaussian noise of 1-sigma `sigma` at `places`; held beyond the table."""
    x, weight = _quadrature()
    return np.asarray(np.interp(places[:, None] + sigma[:, None] * x, at, values) @ weight)
