"""How a sample scatters, as a function of density: film grain, video noise and rounding, from the patches' scatter.

In density, ``sigma^2 = grain * D + (video^2 + shot^2 * light) * (dD/dDN)^2``: grain by Selwyn's law (variance
proportional to density), video noise constant in DN (rounding to whole DN is in it), shot noise that grows with light.
The three are told apart by non-negative least squares over the patches.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from calib.coordinates import Array
from calib.median import TO_SIGMA
from calib.tone.transfer import power_of_ten

A48_MM2 = np.pi * 0.024**2  # aperture of RMS granularity, ISO 10505: 48 um across
ROUNDING_VARIANCE = 1.0 / 12.0
LEAST_SCATTER_DN = 0.3  # of a sample: the rounding to whole numbers alone
FEWEST_OF_GRAIN = 3  # patches that tell grain and the video's two parts from each other
BELIEVED = 3.0  # standard errors
LIGHTEST = -10.0  # density: what reads lighter lies on a curve's tangent, far beyond all film
ODD_SPOT = 1.5  # times the area over which noise is seen to hang together, which is looked at two samples far only
ODD_GRAIN = 0.1  # of the stated grain's variance: a difference that does not matter


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Variance of one sample: `grain` per unit of density, `video_dn2` in DN squared, `shot_dn2` per unit of light."""

    grain: float
    video_dn2: float
    shot_dn2: float

    def variance(self, density: Array, density_per_dn: Array) -> Array:
        """Variance in density of one sample."""
        return self.grain_variance(density) + self.variance_dn(density) * density_per_dn**2

    def grain_variance(self, density: Array) -> Array:
        """The film's part of it."""
        return self.grain * np.maximum(density, 0.0)

    def variance_dn(self, density: Array) -> Array:
        """The video's part of it, in DN squared."""
        return self.video_dn2 + self.shot_dn2 * power_of_ten(-np.maximum(density, LIGHTEST))


def selwyn_variance(granularity: float, area_mm2: float) -> float:
    """Variance in density per unit of density that grain makes in an area (Selwyn 1935, Photogr. J. 75:571)."""
    return (granularity / 1000.0) ** 2 * A48_MM2 / area_mm2


def fit_noise(density: Array, scatter_dn: Array, density_per_dn: Array, grain: float | None = None) -> NoiseModel:
    """The noise model from patches (P,): their density, scatter in DN, and |dD/dDN| there.

    A `grain` that is known beforehand is kept, and the video's parts are fitted to what it leaves.
    """
    slope2 = density_per_dn**2
    film = np.maximum(density, 0.01) / slope2
    design = np.stack([film, np.ones_like(density), 10.0**-density], axis=1)
    measured = scatter_dn**2
    first = 0 if grain is None else 1
    last = 3 if density.size >= FEWEST_OF_GRAIN else 2
    first = max(first, 1 if density.size < FEWEST_OF_GRAIN else 0)
    known = (grain or 0.0) * film
    weight = 1.0 / np.maximum(measured, ROUNDING_VARIANCE)
    for _ in range(4):
        part = nnls(design[:, first:last] * weight[:, None], np.maximum(measured - known, 0.0) * weight)[0]
        fitted = np.maximum(design[:, first:last] @ part + known, ROUNDING_VARIANCE)
        off = np.abs(measured - fitted) / fitted
        weight = 1.0 / fitted / np.sqrt(1.0 + (off / 0.5) ** 2)
    found = dict(zip(range(first, last), part.tolist(), strict=True))
    return NoiseModel(found.get(0, grain or 0.0), max(found[1], ROUNDING_VARIANCE), found.get(2, 0.0))


@dataclass(frozen=True, slots=True)
class Grain:
    """What all strips' grain comes to, and a sentence where it is at odds with what was stated."""

    per_density: float
    warning: str = ""


def agreed_grain(measured: Array, stated: float | None, samples: float) -> Grain:
    """The film's grain, the same in all strips, from that measured in some (K,) and the `stated` one, if any.

    Stated granularity is believed where the patches agree with it within their own doubt or `ODD_GRAIN`; otherwise
    they are: the spot of a readout averages grain that a microscope sees. That is not odd as far as noise hangs
    together over the area, in `samples`, of which it is the mean.
    """
    if measured.size == 0:
        return Grain(stated or 0.0)
    middle = float(np.median(measured))
    if stated is None:
        return Grain(middle)
    doubt = TO_SIGMA * float(np.median(np.abs(measured - middle))) / np.sqrt(measured.size)
    if abs(middle - stated) <= max(BELIEVED * doubt, ODD_GRAIN * stated):
        return Grain(stated)
    if samples > 1.0 + ODD_GRAIN and middle < stated < middle * samples * ODD_SPOT:
        return Grain(middle)
    share = np.sqrt(middle / stated)
    return Grain(
        middle, f"the wedge patches show {share:.2f} times the grain of the stated granularity; what they show is used"
    )


def rounding_variance(scatter_dn: Array) -> Array:
    """Variance of the bias that rounding leaves in the mean of many samples of a given scatter, in DN squared.

    Rounding adds a saw-tooth of the level; Gaussian scatter `s` smooths it to its first harmonic, of amplitude
    ``exp(-2 pi^2 s^2) / pi`` (Fourier series of the saw-tooth), whose mean square is half the square of that.
    """
    return 0.5 * (np.exp(-2.0 * np.pi**2 * scatter_dn**2) / np.pi) ** 2


def grain_bias(density_per_dn: Array, curvature: Array, grain_variance: Array) -> Array:
    """What grain adds to the density of a mean DN: ``-(1/2) f'' / f'^2 * var`` with `curvature` f'' = d2D/dDN2.

    The mean of ``g(D + grain)`` is ``g(D) + g'' var / 2``, and ``g'' / g' = -f'' / f'^2``.
    """
    return -0.5 * curvature / density_per_dn**2 * grain_variance
