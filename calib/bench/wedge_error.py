"""Computes errors of density and reflectance due to errors of the stated wedge values, which no calibration can avoid.

The simulator prints patches whose true density differs from the stated one. A calibration by the stated values is wrong
by that difference at their densities; between patches the difference is interpolated linearly.
"""

from dataclasses import dataclass, replace

import numpy as np
from calib_demo.truth import Truth
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from calib.frame.film import Film
from calib.light.curve import FilmCurve, density_of, exposure_of, film_curve, log_exposure_of, slope_of
from calib.run.fitting.fit import FrameFits
from calib.tone.estimate import fit_tone
from calib.tone.strokes import spot_told

Floats = NDArray[np.float64]
BINS = 512
TABLE = 1 << 15
LEAST_EXPOSURE = 1e-30  # lux seconds, keeps the logarithm finite


@dataclass(frozen=True, slots=True, eq=False)
class WedgeError:
    """Stated minus true density of the patches (P,), by rising true density, with the 1-sigma of the stated values."""

    density: Floats
    error: Floats
    sigma: Floats
    curve: FilmCurve
    exposure: tuple[Floats, Floats]  # a fine table: density, exposure in lux seconds

    def of_density(self, density: NDArray) -> Floats:
        """Implied error of density at true densities of any shape; constant beyond the outermost patches."""
        return np.interp(density, self.density, self.error)

    def of_reflectance(self, density: NDArray) -> Floats:
        """Implied relative error of reflectance at true densities of any shape."""
        at = np.clip(density, *self.curve.span)
        moved = np.clip(at + self.of_density(at), *self.curve.span)
        return self._exposure(moved) / self._exposure(at) - 1.0

    def sigma_of_mean_reflectance(self, density: NDArray) -> float:
        """1-sigma, from random errors of the patches, of the mean relative error of reflectance over `density` (N,)."""
        count, edges = np.histogram(density, BINS, self.curve.span)
        middle = 0.5 * (edges[1:] + edges[:-1])
        slope = np.log(10.0) * slope_of(self.curve, middle)
        hats = np.array([np.interp(middle, self.density, one) for one in np.eye(self.density.size)])
        weight = hats @ (slope * count) / max(count.sum(), 1)
        return float(np.sqrt(np.sum((weight * self.sigma) ** 2)))

    def _exposure(self, density: Floats) -> Floats:
        return np.interp(density, *self.exposure)


def wedge_error(film: Film, truth: Truth) -> WedgeError:
    """The errors of the stated values of a frame's wedge, converted to density if they are log exposures."""
    curve = film_curve(film.characteristic.log_exposure, film.characteristic.density)
    patches, sigma = truth.layout.patches, truth.scenario.wedge.sigma
    stated, spread = patches.stated, np.full(patches.stated.size, sigma)
    if film.wedge.quantity == "log_exposure":
        stated = density_of(curve, patches.stated)
        spread = sigma / np.abs(slope_of(curve, stated))
    order = np.argsort(patches.density)
    error = stated - patches.density
    table = np.linspace(*curve.span, TABLE)
    fine = table, exposure_of(curve, table)
    return WedgeError(patches.density[order], error[order], spread[order], curve, fine)


def told_true_wedge(fits: FrameFits, truth: Truth) -> FrameFits:
    """The fits with the tone fitted again by the same code to the same samples, but with the true patch values.

    Remaining errors are then not due to the stated values, however the fit distributes their errors.
    """
    film = fits.frame.film
    value = truth.layout.patches.density
    if film.wedge.quantity == "log_exposure":
        curve = film_curve(film.characteristic.log_exposure, film.characteristic.density)
        exposure = log_exposure_of(curve, value)
        value = np.where(np.isfinite(exposure), exposure, truth.layout.patches.stated)
    patches = tuple(
        patch.model_copy(update={"value": float(v)}) for patch, v in zip(film.wedge.patches, value, strict=True)
    )
    wedge = film.wedge.model_copy(update={"patches": patches})
    frame = replace(fits.frame, film=film.model_copy(update={"wedge": wedge}))
    with threadpool_limits(1, user_api="blas"):
        tone = fit_tone(frame, fits.sweep.sweeps, fits.dropouts, spot=spot_told(fits.sweep.spot_px))
    return replace(fits, frame=frame, tone=tone)


def well_exposed(curve: FilmCurve, density: NDArray, share: float = 0.5) -> NDArray[np.bool_]:
    """Mask of densities at which the curve's slope is at least `share` of its maximum: neither toe nor shoulder.

    Half is common practice, no source.
    """
    table = np.linspace(curve.density[0], curve.density[-1], 4001)
    gain = 1.0 / np.abs(slope_of(curve, table))
    inside = (density > table[0]) & (density < table[-1])
    return np.asarray(inside & (np.interp(density, table, gain) >= share * gain.max()))


def true_density(curve: FilmCurve, exposure: NDArray) -> Floats:
    """Density for exposures in lux seconds, any shape; constant beyond the knots."""
    table = np.linspace(curve.log_exposure.min(), curve.log_exposure.max(), TABLE)
    return np.interp(np.log10(np.maximum(exposure, LEAST_EXPOSURE)), table, density_of(curve, table))
