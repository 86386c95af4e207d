"""Noisy density -> exposure without bias, with its uncertainty.

Exposure is a convex function of density on most of a curve, so noise alone raises its mean. The mean over Gaussian
noise is 2/3 H(D) + 1/6 H(D + a) + 1/6 H(D - a), a = sqrt(3) sigma (three-point Gauss-Hermite rule, Abramowitz and
Stegun 1964, table 25.10); what exceeds H(D) is taken off each sample before anything is averaged.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.light.curve import FilmCurve, exposure_of

NODES = 16_385  # linear interpolation between them is good to 1e-6 of the exposure (tested)
OUTER = np.sqrt(3.0)


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

    def at(offset: NDArray[np.float32] | float) -> Array:
        return np.interp(density + offset, lookup.density, lookup.exposure)

    here = at(0.0)
    step = np.maximum(noise, np.float32(1e-6))
    above, below = at(OUTER * step), at(-OUTER * step)
    excess = (above + below - 2 * here) / 6
    slope = np.abs(above - below) / (2 * OUTER * step)
    value = np.maximum(here - excess, 0.5 * here)  # beyond a half, no expansion holds: sigma says how poor the value is
    return NoisyExposure(
        value.astype(np.float32), (slope * noise).astype(np.float32), (slope * systematic).astype(np.float32)
    )
