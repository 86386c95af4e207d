"""Hapke's bidirectional reflectance with an opposition surge and macroscopic roughness, as a radiance factor.

    I/F = w/4 * mu0e / (mu0e + mue) * { [1 + B(g)] p(g) + H(mu0e) H(mue) - 1 } * S(i, e, psi)

Hapke 1981, J. Geophys. Res. 86:3039 (reflectance), 1986, Icarus 67:264 (surge), 1984, Icarus 59:41 (roughness,
eqs 45-58 there). All angles in this module are radians.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calib.coordinates import Array

ParticlePhase = Callable[[Array], Array]
Multiple = Callable[[Array, float], Array]
_TINY = 1e-12  # keeps cotangents finite at the zenith, where their exponentials vanish


@dataclass(frozen=True, slots=True)
class Soil:
    """Single-scattering albedo, opposition surge amplitude and width, mean slope of the unresolved roughness."""

    albedo: float
    surge_amplitude: float
    surge_width: float
    roughness: float


def legendre(b: float, c: float) -> ParticlePhase:
    """Particle phase function 1 + b P1(cos g) + c P2(cos g)."""

    def of_phase(g: Array) -> Array:
        return 1.0 + b * np.cos(g) + c * (1.5 * np.cos(g) ** 2 - 0.5)

    return of_phase


def multiple_1981(x: Array, albedo: float) -> Array:
    """Hapke's first approximation to Chandrasekhar's H function (1981, eq. 7 in the form for isotropic scatterers)."""
    return (1.0 + 2.0 * x) / (1.0 + 2.0 * x * np.sqrt(1.0 - albedo))


def radiance_factor(
    incidence: Array, emission: Array, phase: Array, soil: Soil, particle: ParticlePhase, multiple: Multiple
) -> Array:
    """I/F of a rough particulate surface; angles in radians below pi/2 (incidence, emission)."""
    mu0, mu, shadow = _rough(incidence, emission, phase, soil.roughness)
    surge = soil.surge_amplitude / (1.0 + np.tan(phase / 2.0) / soil.surge_width)
    scattered = multiple(mu0, soil.albedo) * multiple(mu, soil.albedo) - 1.0
    return soil.albedo / 4.0 * mu0 / (mu0 + mu) * ((1.0 + surge) * particle(phase) + scattered) * shadow


def _rough(incidence: Array, emission: Array, phase: Array, slope: float) -> tuple[Array, Array, Array]:
    """Effective cosines of incidence and emission, and the shadowing function S, for a mean slope (radians)."""
    if slope == 0.0:
        return np.cos(incidence), np.cos(emission), np.ones_like(phase)
    tan = np.tan(slope)
    chi = 1.0 / np.sqrt(1.0 + np.pi * tan**2)
    low, high = np.maximum(incidence, emission), np.minimum(incidence, emission)  # by height above the horizon
    psi = _azimuth(incidence, emission, phase)
    mu_low, mu_high = _effective(low, high, psi, tan, chi)
    level_low, level_high = _level(low, tan, chi), _level(high, tan, chi)
    sun_is_low = incidence >= emission
    mu0, mu = np.where(sun_is_low, mu_low, mu_high), np.where(sun_is_low, mu_high, mu_low)
    level0, level = np.where(sun_is_low, level_low, level_high), np.where(sun_is_low, level_high, level_low)
    common = np.exp(-2.0 * np.tan(np.minimum(psi, np.pi - _TINY) / 2.0))  # both shadowed and hidden
    shadow = mu / level * np.cos(incidence) / level0 * chi / (1.0 - common * (1.0 - chi * np.cos(high) / level_high))
    return mu0, mu, shadow


def _azimuth(incidence: Array, emission: Array, phase: Array) -> Array:
    """Azimuth between the planes of incidence and emission; at the zenith it is arbitrary and has no effect."""
    across = np.maximum(np.sin(incidence) * np.sin(emission), _TINY)
    cosine = (np.cos(phase) - np.cos(incidence) * np.cos(emission)) / across
    return np.arccos(np.clip(cosine, -1.0, 1.0))


def _e1(angle: Array, tan: float) -> Array:
    return np.exp(-2.0 / (np.pi * tan * np.tan(np.maximum(angle, _TINY))))


def _e2(angle: Array, tan: float) -> Array:
    return np.exp(-1.0 / (np.pi * tan**2 * np.tan(np.maximum(angle, _TINY)) ** 2))


def _level(angle: Array, tan: float, chi: float) -> Array:
    """Effective cosine of one direction alone (azimuth 0)."""
    return chi * (np.cos(angle) + np.sin(angle) * tan * _e2(angle, tan) / (2.0 - _e1(angle, tan)))


def _effective(low: Array, high: Array, psi: Array, tan: float, chi: float) -> tuple[Array, Array]:
    """Effective cosines of the direction nearer the horizon and of the other, `psi` apart in azimuth."""
    half = np.sin(psi / 2.0) ** 2
    below = 2.0 - _e1(low, tan) - psi / np.pi * _e1(high, tan)
    tilt_low = _e2(low, tan) - half * _e2(high, tan)
    tilt_high = np.cos(psi) * _e2(low, tan) + half * _e2(high, tan)
    mu_low = chi * (np.cos(low) + np.sin(low) * tan * tilt_low / below)
    mu_high = chi * (np.cos(high) + np.sin(high) * tan * tilt_high / below)
    return mu_low, mu_high
