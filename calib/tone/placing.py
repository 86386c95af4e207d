"""Places cells of a strip on its curve by the model of a frame's tone, and linearises rows of evidence there."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.tone.drift import Stretches
from calib.tone.noise import NoiseModel
from calib.tone.system import Values
from calib.tone.terms import Terms
from calib.tone.transfer import LN_10, CorrectionBasis, FirstCurve, curve_at, power_of_ten, rise_at, splines
from calib.tone.unknowns import Layout, banding_of

SLOPES = (0.25, 4.0)  # bounds of a corrected curve's slope against the first


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """First curves of all strips and the splines that correct them: what every row is linearised about.

    `shape_sigma` (K,), from end to end of the basis, is what is left open of densities by the curves' common shape.
    """

    first: tuple[FirstCurve, ...]
    noise: tuple[NoiseModel, ...]
    basis: CorrectionBasis
    layout: Layout
    n_lines: tuple[int, ...]
    shape_sigma: Array

    def dark_shape(self, strip: int, density: Array) -> Array:
        """How an error of a strip's dark level shows in density, 1 at the dark end of the basis."""
        exponent = self.first[strip].exponent
        return power_of_ten(exponent * (np.clip(density, self.basis.low, self.basis.high) - self.basis.high))


@dataclass(frozen=True, slots=True, eq=False)
class StripSide:
    """Cells in one strip, as rows of evidence, wherever the rows are linearised.

    `drift` are the stretches of lines that they lie in, `sample` (N, k) those whose banding is in a row with its
    `share` (N, k); `measured` (N,) their first-order density, `part` (N,) that of a row's variance which they make.
    """

    strip: int
    drift: Stretches
    sample: NDArray[np.int64]
    share: Array
    measured: Array
    part: Array


@dataclass(frozen=True, slots=True, eq=False)
class Placing:
    """The places of cells by the model, as first-order densities, with the slope of the corrected curve relative to the
    first one, and the effect of an error of the dark level.

    Rows are linearised there. At measured places the splines would contain the noise of the data, and the curve would
    flatten towards the mean (errors in variables). By the slope, residuals are weighted as in DN, so that a flat part
    of a curve cannot hide them.
    """

    z: Array
    slope: Array
    dark: Array


def placed(curves: Curves, strip: int, z: Array, solution: Values | None) -> Placing:
    """A placing at first-order densities `z`, with the slope by a solution."""
    if solution is None:
        return Placing(z, np.ones_like(z), curves.dark_shape(strip, z))
    basis, exponent = curves.basis, curves.first[strip].exponent
    slope, dark = np.empty(z.size), np.empty(z.size)
    by_dark = LN_10 * exponent * solution.strips[strip][curves.layout.dark]
    pieces = basis.pieces(_weights(curves, strip, solution))
    _place(z, (basis.low, basis.high), exponent, by_dark, pieces, slope, dark)
    return Placing(z, slope, dark)


def correction(curves: Curves, strip: int, z: Array, solution: Values) -> Array:
    """Correction of a solution to the first-order densities of a strip."""
    dark = curves.dark_shape(strip, z) * solution.strips[strip][curves.layout.dark]
    return np.asarray(curves.basis.curve(z, _weights(curves, strip, solution)) + dark)


def _weights(curves: Curves, strip: int, solution: Values) -> Array:
    return solution.strips[strip][curves.layout.curve] + solution.common[curves.layout.curve]


def modelled(curves: Curves, side: StripSide, at: Placing, solution: Values) -> Array:
    """The rows' ``splines - banding - drift`` in one strip by a solution, (N,)."""
    layout, own, basis = curves.layout, solution.strips[side.strip], curves.basis
    pieces = basis.pieces(_weights(curves, side.strip, solution))
    banding = banding_of(solution, layout, side.strip)
    found, strip = np.empty(at.z.size), (pieces, own[layout.dark], side.drift.modes @ own[layout.drift], banding)
    _model(at.z, at.dark, side.drift.number, side.sample, side.share, (basis.low, basis.high), strip, found)
    return found


def terms_of(curves: Curves, side: StripSide, at: Placing, sign: float) -> Terms:
    """The terms of the rows in one strip, all with a sign: splines, dark level and kept banding, and the drift."""
    layout, basis = curves.layout, curves.basis
    shape = at.z.size, 5 + side.sample.shape[1]
    places, values = np.full(shape, layout.dark, np.int32), np.zeros(shape)
    edge, span = layout.edge[side.strip], (basis.low, basis.high, basis.n)
    kept = side.sample, side.share, np.where(edge >= 0, edge + layout.drift.stop, -1)
    _fill(at.z, at.dark, kept, span, sign, places, values)
    return Terms(places, values, side.drift.number, layout.drift.start, -sign * side.drift.modes)


@njit(cache=True, nogil=True)
def _place(z, ends, exponent, by_dark, pieces, slope, dark):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Slopes of a corrected curve, and how an error of the dark level shows, at densities z."""
    low, high = ends
    for row in range(z.size):
        dark[row] = np.exp(LN_10 * (exponent * (min(max(z[row], low), high) - high)))
        rise = rise_at(z[row], low, high, pieces)
        if low < z[row] < high:
            rise += by_dark * dark[row]
        slope[row] = min(max(1.0 + rise, SLOPES[0]), SLOPES[1])


@njit(cache=True, nogil=True)
def _model(z, dark, stretch, sample, share, ends, strip, found):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Splines and dark level less drift and banding."""
    pieces, own_dark, drift, banding = strip
    for row in range(found.size):
        total = drift[stretch[row]]
        for term in range(sample.shape[1]):
            total += share[row, term] * banding[sample[row, term]]
        found[row] = curve_at(z[row], ends[0], ends[1], pieces) + own_dark * dark[row] - total


@njit(cache=True, nogil=True)
def _fill(z, dark, kept, span, sign, places, values):  # type: ignore[no-untyped-def]  # pragma: no cover
    sample, share, unknown = kept
    for row in range(z.size):
        first, four = splines(z[row], span[0], span[1], span[2])
        for term in range(4):
            places[row, term], values[row, term] = first + term, sign * four[term]
        values[row, 4] = sign * dark[row]
        for term in range(sample.shape[1]):
            at = unknown[sample[row, term]]
            if at >= 0:
                places[row, 5 + term], values[row, 5 + term] = at, -sign * share[row, term]
