"""Photometric functions of plain angles, by name, and the ratio that converts reflectance to the standard geometry.

A *disk function* gives the distribution of brightness over the disk at one phase angle; it is 1 at phase 0, incidence 0
and does not contain the decrease with phase. `lommel-seeliger`, `lunar-lambert` and `akimov` are disk functions: ratios
of them leave the phase curve in the picture. Two functions include it: `hapke`, and the default `akimov-phase-curve`,
which is the Akimov disk function times the equigonal albedo that, integrated over the disk, gives the observed
brightness of the whole Moon at that phase. The default has no free parameter, is positive at every geometry and never
rises with phase. The curve was observed from 1.55 to 97 degrees, continues smoothly beyond, and is held constant from
`held_beyond_deg` (130) on. Coefficients and sources: `reference/photometry.toml`.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaln

from calib.coordinates import Array
from calib.light import hapke
from calib.published import constants

_NO_PHASE = 1e-7  # radians; below it the Akimov function is 1 to rounding, and its longitude 0/0


@dataclass(frozen=True, slots=True)
class PhotometricFunction:
    """A function of incidence, emission and phase in radians (arrays that broadcast), with its published source."""

    name: str
    evaluate: Callable[[Array, Array, Array], Array]
    has_phase_curve: bool
    source: str


def photometric_function(name: str) -> PhotometricFunction:
    """The function of that name.

    Raises:
        ValueError: unknown name; the message lists the known ones.
    """
    if name not in MODELS:
        raise ValueError(f"photometric function {name!r}: expected one of {', '.join(MODELS)}")
    return MODELS[name]


def evaluate(name: str, incidence_deg: ArrayLike, emission_deg: ArrayLike, phase_deg: ArrayLike) -> Array:
    """A photometric function at angles in degrees that broadcast; NaN where Sun or camera is not above the horizon."""
    function = photometric_function(name)
    i, e, g = np.broadcast_arrays(*(np.radians(a) for a in (incidence_deg, emission_deg, phase_deg)))
    with np.errstate(invalid="ignore"):
        meant = (i >= 0.0) & (i < np.pi / 2.0) & (e >= 0.0) & (e < np.pi / 2.0) & (g >= 0.0) & (g < np.pi)
    value = function.evaluate(np.where(meant, i, 0.0), np.where(meant, e, 0.0), np.where(meant, g, 0.0))
    return np.where(meant, value, np.nan)


def to_standard(name: str, incidence_deg: ArrayLike, emission_deg: ArrayLike, phase_deg: ArrayLike) -> Array:
    """Factor that converts reflectance to the standard geometry: f(30, 0, 30) / f(i, e, g).

    Angles in degrees that broadcast; NaN where incidence or emission is 90 degrees or more. Towards the terminator
    the factor grows without limit, and with it the error of the result.
    """
    standard = constants("photometry")["standard_geometry"]
    there = evaluate(name, standard["incidence_deg"], standard["emission_deg"], standard["phase_deg"])
    return there / evaluate(name, incidence_deg, emission_deg, phase_deg)


def lommel_seeliger(incidence: Array, emission: Array, phase: Array) -> Array:
    """2 mu0 / (mu0 + mu): single scattering only, normalised to 1 at the sub-solar point seen from the Sun."""
    mu0, mu = np.cos(incidence), np.cos(emission)
    return np.broadcast_to(2.0 * mu0 / (mu0 + mu), phase.shape)


def lunar_lambert(incidence: Array, emission: Array, phase: Array) -> Array:
    """L(g) 2 mu0 / (mu0 + mu) + (1 - L(g)) mu0, McEwen 1996.

    The published cubic L falls below zero near 104 degrees of phase, where it would turn the disk's brightness
    inside out; from there on L is 0, which leaves Lambert's law.
    """
    polynomial = constants("photometry")["lunar_lambert"]["limb_darkening"]
    limb = np.maximum(np.polynomial.polynomial.polyval(np.degrees(phase), polynomial), 0.0)
    return limb * lommel_seeliger(incidence, emission, phase) + (1.0 - limb) * np.cos(incidence)


def akimov(incidence: Array, emission: Array, phase: Array) -> Array:
    """Akimov's disk function without parameters: Shkuratov et al. 2011, eqs 18-19.

    cos(g/2) cos[pi / (pi - g) (lon - g/2)] (cos lat)^(g / (pi - g)) / cos lon, with photometric longitude and latitude:
    tan lon = (cos i - cos e cos g) / (cos e sin g), cos lat = cos e / cos lon.
    """
    g = np.maximum(phase, _NO_PHASE)
    lon = np.arctan2(np.cos(incidence) - np.cos(emission) * np.cos(g), np.cos(emission) * np.sin(g))
    # angles in float32 may lie beyond the terminator or the limb by rounding
    lon = np.clip(lon, g - np.pi / 2.0, np.pi / 2.0)
    cos_lat = np.clip(np.cos(emission) / np.cos(lon), 0.0, 1.0)
    shape = np.cos(np.pi / (np.pi - g) * (lon - g / 2.0)) / np.cos(lon)
    value = np.cos(g / 2.0) * np.maximum(shape, 0.0) * cos_lat ** (g / (np.pi - g))
    return np.where(phase < _NO_PHASE, 1.0, value)


def akimov_disk_integral(phase: Array) -> Array:
    """Integral of the Akimov disk function over the whole disk, relative to phase 0; phase in radians below pi.

    (1/pi) times the integral of the function over the disk as seen: the longitudes and latitudes separate, which leaves
    2 cos(g/2) (pi - g) / pi^(3/2) * Gamma((n + 1)/2) / Gamma(n/2 + 1) with n = 2 + g / (pi - g).
    """
    n = 2.0 + phase / (np.pi - phase)
    beta = np.exp(gammaln((n + 1.0) / 2.0) - gammaln(n / 2.0 + 1.0))
    return 2.0 * np.cos(phase / 2.0) * (np.pi - phase) / np.pi**1.5 * beta


def disk_reflectance(phase: Array) -> Array:
    """Reflectance of the whole Moon as a disk, Kieffer and Stone 2005 at 553.8 nm; phase in radians."""
    curve = constants("photometry")["phase_curve"]
    degrees = np.degrees(phase)
    log = np.polynomial.polynomial.polyval(phase, curve["a"])
    for amplitude, decay_deg in zip(curve["d"], curve["decay_deg"], strict=True):
        log = log + amplitude * np.exp(-degrees / decay_deg)
    return np.exp(log + curve["ripple"] * np.cos((degrees - curve["ripple_start_deg"]) / curve["ripple_deg"]))


def akimov_phase_curve(incidence: Array, emission: Array, phase: Array) -> Array:
    """Radiance factor of the average Moon: equigonal albedo of the phase times the Akimov disk function."""
    held = np.minimum(phase, np.radians(constants("photometry")["phase_curve"]["held_beyond_deg"]))
    return disk_reflectance(held) / akimov_disk_integral(held) * akimov(incidence, emission, phase)


def hapke_average_moon(incidence: Array, emission: Array, phase: Array) -> Array:
    """Radiance factor by Hapke's model with the published average lunar parameters."""
    fit = constants("photometry")["hapke"]
    particle = hapke.legendre(*fit["legendre"])
    amplitude = fit["surge_at_zero"] / (fit["albedo"] * float(particle(np.zeros(()))))
    soil = hapke.Soil(fit["albedo"], amplitude, fit["surge_width"], np.radians(fit["roughness_deg"]))
    return hapke.radiance_factor(incidence, emission, phase, soil, particle, hapke.multiple_1981)


def _named(name: str, function: Callable[[Array, Array, Array], Array], tables: tuple[str, ...]) -> PhotometricFunction:
    published = constants("photometry")
    sources = "; ".join(published[table]["source"] for table in tables)
    return PhotometricFunction(name, function, "phase_curve" in tables or "hapke" in tables, sources)


DEFAULT_MODEL = "akimov-phase-curve"
MODELS: dict[str, PhotometricFunction] = {
    function.name: function
    for function in (
        _named("akimov-phase-curve", akimov_phase_curve, ("akimov", "phase_curve")),
        _named("akimov", akimov, ("akimov",)),
        _named("hapke", hapke_average_moon, ("hapke",)),
        _named("lommel-seeliger", lommel_seeliger, ("lommel_seeliger",)),
        _named("lunar-lambert", lunar_lambert, ("lunar_lambert",)),
    )
}
