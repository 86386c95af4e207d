"""The film: its characteristic curve at stated knots, interpolated by a monotone cubic, and its grain."""

from dataclasses import dataclass

import numpy as np
from calib_demo.scenario import Emulsion
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

Array = NDArray[np.float64]

APERTURE_48_MM2 = np.pi * 0.024**2  # of the RMS granularity measurement


@dataclass(frozen=True, slots=True, eq=False)
class Knots:
    """The curve as the package states it: log10(lux s) rising, density strictly monotone."""

    log_exposure: Array
    density: Array


def knots_of(emulsion: Emulsion) -> Knots:
    """The stated knots: a logistic in log exposure, skewed by an exponent, rounded to four decimals."""
    half = emulsion.half_span_log_exposure
    log_exposure = np.round(emulsion.mid_log_exposure + np.linspace(-half, half, emulsion.knots), 3)
    slope = emulsion.contrast * (log_exposure - emulsion.mid_log_exposure)
    share = (1.0 + np.exp(-slope)) ** -emulsion.skew
    density = emulsion.fog + emulsion.span * (1.0 - share if emulsion.positive else share)
    return Knots(log_exposure, np.round(density, 4))


def density_of(knots: Knots, log_exposure: Array) -> Array:
    """Density of the film for log10(lux s), constant beyond the knots (unexposed film is fog)."""
    curve = PchipInterpolator(knots.log_exposure, knots.density)
    return np.asarray(curve(np.clip(log_exposure, knots.log_exposure[0], knots.log_exposure[-1])))


def density_table(knots: Knots, steps: int = 1 << 15) -> tuple[Array, Array]:
    """The curve at `steps` equal steps of log exposure, for fast linear interpolation of millions of samples."""
    grid = np.linspace(knots.log_exposure[0], knots.log_exposure[-1], steps)
    return grid, density_of(knots, grid)


def fog_of(knots: Knots) -> float:
    """Density of unexposed film: the curve's unexposed end."""
    return float(knots.density[0])


def grain_sigma(granularity: float, area_mm2: float, density: Array) -> Array:
    """Selwyn's law as the contract writes it: granularity/1000 sqrt(A48/A) sqrt(D)."""
    return granularity / 1000.0 * np.sqrt(APERTURE_48_MM2 / area_mm2) * np.sqrt(np.maximum(density, 0.0))
