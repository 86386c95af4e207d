"""From the fitted unknowns to each strip's tables: density and sigma by DN, by sample, by line."""

from dataclasses import dataclass

import numpy as np

from calib.coordinates import Array
from calib.tone.adjust import Adjustment
from calib.tone.evidence import Curves, correction
from calib.tone.model import StripTone
from calib.tone.unknowns import DRIFT_MODES, cosines

NODES = 400  # densities at which a curve's sigma is computed; between them it is interpolated
SPAN_NOISE = 2.5  # a sample of film at the wedge's end may read so many sigma beyond it
SPAN_STEP = 0.5  # ... but the span never grows by more than this part of the last step
MOST_SIGMA = 9.9  # density: what a strip that carries nothing says of itself


@dataclass(frozen=True, slots=True)
class Span:
    """Densities between which a strip's curve is known, and the steps between the last patches at both ends."""

    low: float
    high: float
    low_step: float
    high_step: float


def span_of(densities: Array) -> Span:
    """The span of some known densities, at least two of them different."""
    order = np.unique(densities)
    return Span(float(order[0]), float(order[-1]), float(order[1] - order[0]), float(order[-1] - order[-2]))


def strip_tone(
    curves: Curves, fit: Adjustment, strip: int, span: Span, clip: tuple[int, int], n_dn: int, reason: str
) -> StripTone:
    """The tables of one strip; `n_dn` is 256 or 65536."""
    dn = np.arange(n_dn, dtype=np.float64)
    density = monotone(curve_density(curves, fit, strip, dn), curves.first[strip].is_rising)
    per_dn = np.abs(np.gradient(density))
    sigma = np.sqrt(curves.noise[strip].variance(density, per_dn))
    first, last = _dn_span(density, sigma, span, clip)
    held = np.clip(np.arange(n_dn), first, last)
    layout, solution = curves.layout, fit.solution
    return StripTone(
        density_of_dn=density[held].astype(np.float32),
        dn_span=(first, last),
        rising=curves.first[strip].is_rising,
        column_density=solution.strips[strip][layout.own_banding] + solution.common[layout.banding],
        line_density=cosines(curves.n_lines[strip], np.arange(curves.n_lines[strip], dtype=np.float64), DRIFT_MODES)
        @ solution.strips[strip][layout.drift],
        noise_density=sigma[held].astype(np.float32),
        curve_sigma=_curve_sigma(curves, fit, strip, dn)[held].astype(np.float32),
        column_sigma=_column_sigma(curves, fit, strip),
        line_sigma=_line_sigma(curves, fit, strip),
        reason=reason,
    )


def lost_tone(n_samples: int, n_lines: int, n_dn: int, reason: str) -> StripTone:
    """The tone of a strip that carries nothing: every sample of it is a dropout, so its tables are never used."""
    nothing = np.zeros(n_dn, dtype=np.float32)
    unknown = np.full(n_dn, MOST_SIGMA, dtype=np.float32)
    return StripTone(
        density_of_dn=nothing,
        dn_span=(0, 0),
        rising=True,
        column_density=np.zeros(n_samples),
        line_density=np.zeros(n_lines),
        noise_density=unknown,
        curve_sigma=unknown,
        column_sigma=np.full(n_samples, MOST_SIGMA),
        line_sigma=np.full(n_lines, MOST_SIGMA),
        reason=reason,
    )


def curve_density(curves: Curves, fit: Adjustment, strip: int, dn: Array) -> Array:
    """Density that the video saw, of DN (real), by a strip's first curve and its corrections."""
    z = curves.first[strip].density_of(dn)
    return np.asarray(z + correction(curves, strip, z, fit.solution))


def monotone(density: Array, rising: bool) -> Array:
    """The nearest curve that never turns back: midway between the running extremes from both ends."""
    upward = density if rising else density[::-1]
    forward = np.maximum.accumulate(upward)
    backward = np.minimum.accumulate(upward[::-1])[::-1]
    middle = (forward + backward) / 2
    return middle if rising else middle[::-1]


def _dn_span(density: Array, sigma: Array, span: Span, clip: tuple[int, int]) -> tuple[int, int]:
    """First and last DN that can be calibrated: within the known densities but for noise, and not clipped."""
    at_low, at_high = np.argmin(np.abs(density - span.low)), np.argmin(np.abs(density - span.high))
    low = span.low - min(SPAN_NOISE * float(sigma[at_low]), SPAN_STEP * span.low_step)
    high = span.high + min(SPAN_NOISE * float(sigma[at_high]), SPAN_STEP * span.high_step)
    dn = np.arange(density.size)
    inside = np.flatnonzero((density >= low) & (density <= high) & (dn > clip[0]) & (dn < clip[1]))
    if inside.size == 0:
        return int(at_low), int(at_low)
    return int(inside[0]), int(inside[-1])


def _curve_sigma(curves: Curves, fit: Adjustment, strip: int, dn: Array) -> Array:
    layout, solution = curves.layout, fit.curves
    z = np.linspace(curves.basis.low, curves.basis.high, NODES)
    splines = curves.basis.matrix(z)
    own = np.column_stack([splines, curves.dark_shape(strip, z)])
    n = layout.n_curve
    variance = np.einsum("ij,jk,ik->i", own, solution.strip_covariance[strip][: n + 1, : n + 1], own)
    variance += np.einsum("ij,jk,ik->i", splines, solution.common_covariance[:n, :n], splines)
    variance += 2 * np.einsum("ij,jk,ik->i", own, solution.cross_covariance[strip][: n + 1, :n], splines)
    return np.interp(curves.first[strip].density_of(dn), z, np.sqrt(np.maximum(variance, 0.0)))


def _column_sigma(curves: Curves, fit: Adjustment, strip: int) -> Array:
    layout, solution = curves.layout, fit.solution
    variance = np.diag(solution.strip_covariance[strip])[layout.own_banding]
    variance = variance + np.diag(solution.common_covariance)[layout.banding]
    variance = variance + 2 * np.diag(solution.cross_covariance[strip][layout.own_banding, layout.banding])
    return np.sqrt(np.maximum(variance, 0.0))


def _line_sigma(curves: Curves, fit: Adjustment, strip: int) -> Array:
    layout = curves.layout
    modes = cosines(curves.n_lines[strip], np.arange(curves.n_lines[strip], dtype=np.float64), DRIFT_MODES)
    covariance = fit.solution.strip_covariance[strip][layout.drift, layout.drift]
    return np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", modes, covariance, modes), 0.0))


def common_banding(curves: Curves, fit: Adjustment) -> tuple[Array, Array]:
    """The banding that all strips share, and its 1-sigma, (n_samples,) each."""
    part = curves.layout.banding
    variance = np.diag(fit.solution.common_covariance)[part]
    return fit.solution.common[part].copy(), np.sqrt(np.maximum(variance, 0.0))
