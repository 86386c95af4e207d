"""Noisy density -> exposure without bias, with its uncertainty.

Exposure is a convex function of density on most of a curve, so noise alone raises its mean. The mean over Gaussian
noise is 2/3 H(D) + 1/6 H(D + a) + 1/6 H(D - a), a = sqrt(3) sigma (three-point Gauss-Hermite rule, Abramowitz and
Stegun 1964, table 25.10); what exceeds H(D) is taken off each sample before anything is averaged.
"""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.light.curve import FilmCurve, exposure_of

NODES = 16_385  # linear interpolation between them is good to 1e-6 of the exposure (tested)
OUTER = 3.0**0.5
LEAST_NOISE = 1e-6  # density; only keeps the difference quotient finite


@dataclass(frozen=True, slots=True, eq=False)
class ExposureLookup:
    """Exposure in lux seconds at equally spaced densities over the whole span of a characteristic curve."""

    density: Array
    exposure: Array

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest density that has an exposure."""
        return float(self.density[0]), float(self.density[-1])


def exposure_lookup(curve: FilmCurve) -> ExposureLookup:
    """Tabulate a curve once, so that each sample costs a look-up."""
    density = np.linspace(*curve.span, NODES)
    return ExposureLookup(density, exposure_of(curve, density))


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
    """Exposure of densities (any shape) with 1-sigma `noise` and `systematic`; held at its ends beyond the curve.

    NaN density stays NaN. The caller flags what lies beyond `lookup.span`.
    """

    value, sigma, shared = (np.empty(density.shape, np.float32) for _ in range(3))
    low, high = lookup.span
    per_density = (lookup.density.size - 1) / (high - low)
    flat = (array.ravel() for array in (density, noise, systematic, value, sigma, shared))
    _convert(lookup.exposure, low, per_density, *flat)
    return NoisyExposure(value, sigma, shared)


@numba.njit(cache=True, nogil=True)
def _at(exposure: Array, place: float) -> float:  # pragma: no cover
    """Linear look-up at a fractional index, held at the ends."""
    last = exposure.size - 1
    if place <= 0.0:
        return exposure[0]
    if place >= last:
        return exposure[last]
    index = int(place)
    return exposure[index] + (place - index) * (exposure[index + 1] - exposure[index])


@numba.njit(cache=True, nogil=True)
def _convert(exposure, low, per_density, density, noise, systematic, value, sigma, shared):  # type: ignore[no-untyped-def]  # pragma: no cover
    for i in range(density.size):
        if not np.isfinite(density[i]):
            value[i] = sigma[i] = shared[i] = np.nan
            continue
        place = (density[i] - low) * per_density
        step = max(noise[i], LEAST_NOISE) * OUTER * per_density
        here = _at(exposure, place)
        above, below = _at(exposure, place + step), _at(exposure, place - step)
        excess = (above + below - 2.0 * here) / 6.0
        slope = abs(above - below) / (2.0 * step) * per_density
        value[i] = max(here - excess, 0.5 * here)  # beyond a half no expansion holds: sigma says how poor the value is
        sigma[i] = slope * noise[i]
        shared[i] = slope * systematic[i]
