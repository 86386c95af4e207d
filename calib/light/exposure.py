"""Noisy density -> exposure without bias, with its uncertainty.

Exposure bends with density, so the mean over noise of the exposure of a noisy density is not that of the true one. What
a sample is turned into is therefore not H(D) but the function h whose mean over the noise is H:
``E[h(D + sigma(D) n)] = H(D)``, found by Van Cittert's iteration ``h <- h + H - E[h]`` (1931, Z. Phys. 69:298) with
the mean by Gauss-Hermite quadrature (Abramowitz and Stegun 1964, 25.4.46). Its variance is brought to the right mean in
the same way. Beyond the ends of the characteristic curve h goes on along a chord of one sigma, so that the mean is
right up to the ends too; values there serve in means only, and the caller flags what lies beyond.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.light.curve import FilmCurve, exposure_of

NODES = 8193  # over the curve's span; linear interpolation between them is good to 4e-6 of the exposure (tested)
TURNS = 4  # of the iteration: more only amplifies what the ends leave open
QUADRATURE = 11  # nodes of the mean over the noise
PAST_ENDS = 6.0  # sigma that the table reaches beyond the curve
LEAST_NOISE = 1e-6  # density; only keeps quotients finite
LEAST_SHARE = 0.25  # of a variance is left by the correction of its mean
MOST_NOISE = 0.25  # of the curve's span: what is noisier says nothing


@dataclass(frozen=True, slots=True, eq=False)
class ExposureLookup:
    """What a density is turned into, at equally spaced densities from beyond one end of a curve to beyond the other.

    `exposure` (N,) is the unbiased value in lux seconds; `noise` its 1-sigma at a sample's own noise `sigma_density`;
    `slope` how a systematic error of density shows in its mean; `end` the systematic 1-sigma that the dark end of the
    curve adds: film that could as well lie at it may have seen any light from none to the end's. `span`: the
    characteristic curve's own densities.
    """

    density: Array
    exposure: Array
    noise: Array
    sigma_density: Array
    slope: Array
    end: Array
    span: tuple[float, float]
    table: NDArray[np.float32]  # (N, 4): exposure, noise over sigma_density, slope, end side by side, for one look-up

    @property
    def per_density(self) -> float:
        """Nodes to one density."""
        return 1.0 / float(self.density[1] - self.density[0])


def exposure_lookup(curve: FilmCurve, density: Array, sigma: Array) -> ExposureLookup:
    """Tabulate a curve for samples whose 1-sigma at the densities `density` (K,), rising, is `sigma` (K,)."""
    low, high = curve.span
    inner = np.linspace(low, high, NODES)
    step = (high - low) / (NODES - 1)
    scatter = np.clip(np.interp(inner, density, sigma), LEAST_NOISE, MOST_NOISE * (high - low))
    past = int(np.ceil(PAST_ENDS * max(scatter[0], scatter[-1]) / step))
    at = np.asarray(low + step * np.arange(-past, NODES + past), np.float64)
    noise = np.asarray(np.pad(scatter, past, mode="edge"), np.float64)
    stated = _continued(exposure_of(curve, inner), past, noise / step)
    value = stated.copy()
    for _ in range(TURNS):
        value += stated - _mean(value, at, noise)
    mean = _mean(value, at, noise)
    inside = np.clip(np.arange(at.size), past, past + NODES - 1)
    variance = np.maximum(_mean(value**2, at, noise) - mean**2, 0.0)[inside]
    variance = np.maximum(2.0 * variance - _mean(variance, at, noise), LEAST_SHARE * variance)
    slope = np.abs(np.gradient(mean, step))
    spread, slope = np.asarray(np.sqrt(variance)), slope[inside]
    end = _dark_end(stated[past : past + NODES], (at - low) / noise, (high - at) / noise)
    table = np.ascontiguousarray(np.stack([value, spread / noise, slope, end], axis=1), dtype=np.float32)
    return ExposureLookup(at, value, spread, noise, slope, end, (low, high), table)


def _dark_end(exposure: Array, above_low: Array, below_high: Array) -> Array:
    """Least exposure of the curve, as far as a density so many sigma inside its dark end could lie at it."""
    dark, inside = (exposure[0], above_low) if exposure[0] < exposure[-1] else (exposure[-1], below_high)
    return np.asarray(dark * np.exp(-0.5 * np.maximum(inside, 0.0) ** 2))


def _continued(exposure: Array, past: int, sigma_nodes: Array) -> Array:
    """A curve continued by `past` nodes at both ends along its chord over one sigma (given in nodes)."""
    first, last = (max(1, min(round(float(sigma_nodes[end])), exposure.size - 1)) for end in (0, -1))
    steps = np.arange(1, past + 1)
    before = exposure[0] - steps[::-1] * (exposure[first] - exposure[0]) / first
    after = exposure[-1] + steps * (exposure[-1] - exposure[-1 - last]) / last
    return np.concatenate([before, exposure, after])


def _mean(values: Array, at: Array, sigma: Array) -> Array:
    """Mean of tabulated values over Gaussian noise about each node; held beyond the table."""
    node, weight = np.polynomial.hermite_e.hermegauss(QUADRATURE)
    parts = [w * np.interp(at + sigma * x, at, values) for x, w in zip(node, weight / weight.sum(), strict=True)]
    return np.asarray(np.sum(parts, axis=0))


@dataclass(frozen=True, slots=True, eq=False)
class NoisyExposure:
    """Exposure of samples: unbiased value, 1-sigma from independent noise, 1-sigma from systematic error (lux s)."""

    value: NDArray[np.float32]
    noise: NDArray[np.float32]
    systematic: NDArray[np.float32]


def noisy_exposure(
    lookup: ExposureLookup,
    density: NDArray[np.float32],
    noise: NDArray[np.float32],
    systematic: NDArray[np.float32],
) -> NoisyExposure:
    """Exposure of densities (any shape) with 1-sigma `noise` and `systematic`; held at the table's ends beyond it.

    NaN density stays NaN. `noise` scales the table's; the caller flags what lies beyond `lookup.span`.
    """
    value, sigma, shared = (np.array(part, np.float32) for part in (density, noise, systematic))
    _convert(lookup.table, lookup.density[0], lookup.per_density, value.ravel(), sigma.ravel(), shared.ravel())
    return NoisyExposure(value, sigma, shared)


@njit(cache=True, nogil=True)
def _convert(table, first_density, per_density, value, noise, systematic):  # type: ignore[no-untyped-def]  # pragma: no cover
    end = table.shape[0] - 2
    for i in range(value.size):
        density = value[i]
        if not np.isfinite(density):
            value[i] = noise[i] = systematic[i] = np.nan
            continue
        place = min(max((density - first_density) * per_density, 0.0), end + 1.0)
        index = min(int(place), end)
        share = np.float32(place - index)
        value[i] = table[index, 0] + share * (table[index + 1, 0] - table[index, 0])
        noise[i] *= table[index, 1] + share * (table[index + 1, 1] - table[index, 1])
        shown = systematic[i] * (table[index, 2] + share * (table[index + 1, 2] - table[index, 2]))
        systematic[i] = np.hypot(shown, table[index, 3] + share * (table[index + 1, 3] - table[index, 3]))
