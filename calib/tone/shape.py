"""Determines the shape of transfer curves if the wedges have too few patches to do so strip by strip.

All strips were read by one video chain, so their curves have one shape (exponent and bend), each with a dark level and
a gain of its own. All laws are weighted by a prior on their shapes and by the patches of all strips. The mean law is
used, and the spread of the others about it is the doubt of the curves, between and beyond the patches.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.coordinates import Array
from calib.tone.transfer import BEYOND, EXPONENTS, MISFIT_SIGMA, FirstCurve, light_by, lines_through

EXPONENT_SIGMA = 0.5  # of its logarithm: five in six video chains bend light by a half to two (no source)
BENDS = (0.0, *np.geomspace(0.1, 8.0, 12).tolist())
TYPICAL_BEND = 1.0  # as many video chains bend more as less: a share of b / (1 + b) less than b (no source)
NODES = 64  # densities at which laws are compared


@dataclass(frozen=True, slots=True, eq=False)
class Shapes:
    """Exponents, bends and weights (S,) of laws; the densities (P,) of the patches that they go through."""

    exponent: Array
    bend: Array
    weight: Array
    density: Array

    def middle(self, curve: FirstCurve) -> tuple[float, float]:
        """Exponent and bend of the law nearest to the mean of all laws through a curve's DN at the patches."""
        z = np.linspace(self.density.min(), self.density.max(), NODES)
        off = self._off(curve, z)
        mean = self.weight @ off
        nearest = int(np.argmin(((off - mean) ** 2).sum(axis=1)))
        return float(self.exponent[nearest]), float(self.bend[nearest])

    def sigma(self, curve: FirstCurve, z: Array) -> Array:
        """1-sigma of rising densities z (N,) by a curve of the mean shape; no film lies beyond their ends."""
        off = np.clip(z + self._off(curve, z), z[0], z[-1]) - z
        return np.asarray(np.sqrt(self.weight @ off**2))

    def _off(self, curve: FirstCurve, z: Array) -> Array:
        """Differences (S, N) in density between all laws through a curve's DN at the patches and the curve, at z."""
        dark, gain, _ = _laws_through(self.exponent, self.bend, curve, curve.dn_of(self.density), self.density)
        dn, ends = curve.dn_of(z), (float(self.density.max()) + BEYOND, float(self.density.min()) - BEYOND)
        rows = zip(dark.tolist(), gain.tolist(), self.exponent.tolist(), self.bend.tolist(), strict=True)
        return np.array([FirstCurve(*row, *ends).density_of(dn) - z for row in rows])


def _laws_through(
    exponent: Array, bend: Array, curve: FirstCurve, dn: Array, density: Array
) -> tuple[Array, Array, Array]:
    """Dark levels and gains (S,) of laws of some shapes (S,) through patches (P,), and residuals in density (S, P).

    DN are weighed as a `curve` turns them into density.
    """
    dn, slope = dn[:, None], np.abs(curve.slope(density))[:, None]
    light = light_by(exponent, bend, density[:, None])
    dark, gain = lines_through(light, dn, slope**-2)
    return dark, gain, ((dn - dark - gain * light) / slope).T


def weighed_shapes(curves: Sequence[FirstCurve], dn: Array, density: Array, sigma: Array) -> Shapes:
    """All shapes, weighed by what is common and by the patches: DN (strips, P), NaN where one is not used, of densities
    and their 1-sigma (P,), with a first curve of each strip.

    The patches err alike in all strips: their middle residuals say as much as those of one strip without noise.
    """
    exponent, bend = (each.ravel() for each in np.meshgrid(EXPONENTS, np.array(BENDS), indexing="ij"))
    edges = np.concatenate([[0.0], (np.array(BENDS[1:]) + np.array(BENDS[:-1])) / 2, [np.inf]])
    share = -np.diff(1.0 / (1.0 + edges / TYPICAL_BEND))
    cost = 0.5 * (np.log(exponent) / EXPONENT_SIGMA) ** 2 - np.log(np.tile(share, EXPONENTS.size))
    used = np.isfinite(dn)
    left = np.full((len(curves), exponent.size, density.size), np.nan)
    for strip in np.flatnonzero(used.sum(axis=1) == used.sum(axis=1).max()):
        some = used[strip]
        left[strip][:, some] = _laws_through(exponent, bend, curves[int(strip)], dn[strip, some], density[some])[2]
    told = np.isfinite(left).any(axis=(0, 1))
    residual = np.nanmedian(left[:, :, told], axis=0)
    cost += 0.5 * ((residual / np.hypot(sigma[told], MISFIT_SIGMA)) ** 2).sum(axis=1)
    weight = np.exp(cost.min() - cost)
    return Shapes(exponent, bend, weight / weight.sum(), density[told])
