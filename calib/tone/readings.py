"""Reads each strip's banding from the fit, sample by sample and without a prior, and the level of its curve.

A constant can be moved between a strip's curve, banding and drift. Here the banding of the measured samples has mean
zero, and so has the drift over all lines; uncertainties refer to quantities defined that way.
"""

from dataclasses import dataclass

import numpy as np

from calib.coordinates import Array
from calib.tone.adjust import Adjustment
from calib.tone.drift import level_of_modes
from calib.tone.placing import Curves
from calib.tone.system import FREE_BANDING
from calib.tone.unknowns import banding_of, kept_banding

MEASURED = 1e4  # a sample counts as measured if the fit reduces the variance of its banding by this factor


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Banding of a strip (n_samples,) with variances, not finite where nothing was measured, less its mean.

    The `level`, means of banding and drift together, as a linear form of the unknowns:
    ``level = constant + own @ x + common @ c``, and the variance that the eliminated samples add to it.
    """

    banding: Array
    variance: Array
    level: float
    own: Array
    common: Array
    level_variance: float


def read_banding(curves: Curves, fit: Adjustment, strip: int) -> Readings:
    """The banding of a strip by the fit."""
    layout, solution, part = curves.layout, fit.solution, fit.solution.eliminated[strip]
    n_own, edge = layout.n_own(strip), layout.edge[strip]
    kept, place = kept_banding(layout, strip)
    own, common = np.zeros((part.weight.size, n_own)), -part.common / part.weight[:, None]
    own[:, : part.own.shape[1]] = -part.own / part.weight[:, None]
    own[kept], common[kept] = 0.0, 0.0
    own[kept, place] = 1.0
    alone = np.where(edge >= 0, 0.0, 1.0 / part.weight)
    values = banding_of(solution, layout, strip)
    measured = (part.weight * FREE_BANDING > MEASURED) & (edge < 0)
    first = measured if measured.any() else edge >= 0
    if kept.size:  # they are measured where they are known relative to the first
        mean_own, mean_common = own[first].mean(axis=0), common[first].mean(axis=0)
        relative = _variance(fit, strip, own[kept] - mean_own, common[kept] - mean_common)
        measured[kept] = relative * MEASURED < FREE_BANDING
    of_drift = np.zeros(n_own)
    of_drift[layout.drift] = level_of_modes(curves.n_lines[strip])
    drift = float(of_drift @ solution.strips[strip])
    if not measured.any():
        return Readings(values, np.full(values.size, np.inf), drift, of_drift, np.zeros(layout.n_common), 0.0)
    mean_own, mean_common = own[measured].mean(axis=0), common[measured].mean(axis=0)
    variance = _variance(fit, strip, own - mean_own, common - mean_common) + alone
    if measured.sum() == 1:  # its own mean is no measurement of its banding
        variance[:] = np.inf
    return Readings(
        banding=np.where(measured, values - values[measured].mean(), 0.0),
        variance=np.where(measured, variance, np.inf),
        level=float(values[measured].mean()) + drift,
        own=mean_own + of_drift,
        common=mean_common,
        level_variance=float(alone[measured].sum()) / int(measured.sum()) ** 2,
    )


def _variance(fit: Adjustment, strip: int, own: Array, common: Array) -> Array:
    """Variance of linear forms of a strip's and the common unknowns, one a row."""
    solution = fit.solution
    total = np.einsum("ij,ij->i", own @ solution.strip_covariance[strip], own)
    total += np.einsum("ij,ij->i", common @ solution.common_covariance, common)
    return np.asarray(total + 2 * np.einsum("ij,ij->i", own @ solution.cross_covariance[strip], common))


def curve_variance(curves: Curves, fit: Adjustment, strip: int, z: Array, readings: Readings) -> Array:
    """Variance of a strip's curve, its level as in `readings`, at first-order densities."""
    layout = curves.layout
    splines = curves.basis.matrix(z)
    own, common = np.zeros((z.size, layout.n_own(strip))), np.zeros((z.size, layout.n_common))
    own[:, layout.curve], own[:, layout.dark] = splines, curves.dark_shape(strip, z)
    common[:, layout.curve] = splines
    return _variance(fit, strip, own - readings.own, common - readings.common) + readings.level_variance
