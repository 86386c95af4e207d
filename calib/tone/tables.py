"""Converts the fitted unknowns to tables for each strip: density and sigma by DN, by sample and by line."""

from dataclasses import dataclass, replace

import numpy as np

from calib.compiled import njit
from calib.coordinates import Array
from calib.tone.adjust import Adjustment
from calib.tone.drift import cosines, level_of_modes
from calib.tone.model import StripTone, Table32
from calib.tone.placing import Curves, correction
from calib.tone.readings import Readings, curve_variance

NODES = 400  # densities at which a curve's sigma is computed; between them it is interpolated
FINEST_NODES = 4096  # part of a curve's gain between DN at which noise, its bias and the curve's sigma are computed
CURVE_NODES = 4  # times as many are those at which the curve itself is
LINE_NODES = 2048  # lines at which the drift is worked out; between them it is interpolated
SPAN_NOISE = 2.5  # a sample of film at the wedge's end may read so many sigma beyond it
SPAN_BANDING = (2.0, 98.0)  # percentiles of the banding that are its reach
SPAN_STEP = 0.5  # ... but the span never grows by more than this part of the last step
MOST_BIAS_SIGMA = 0.15  # density
MOST_SIGMA = 9.9  # density: what a strip that carries nothing says of itself


@dataclass(frozen=True, slots=True)
class Span:
    """Densities between which a strip's curve is known, and the steps between the last patches at both ends.

    The table of density follows the curve up to `beyond` the span and is constant from there; samples outside the span
    have no tone.
    """

    low: float
    high: float
    low_step: float
    high_step: float
    beyond: float = 0.0


def span_of(densities: Array, beyond: float = 0.0) -> Span:
    """The span of some known densities, at least two of them different."""
    order = np.unique(densities)
    return Span(float(order[0]), float(order[-1]), float(order[1] - order[0]), float(order[-1] - order[-2]), beyond)


@dataclass(frozen=True, slots=True, eq=False)
class Banding:
    """A strip's banding as it was estimated, (n_samples,), with its 1-sigma, and as it was read."""

    density: Array
    sigma: Array
    readings: Readings


def strip_tone(
    curves: Curves, fit: Adjustment, strip: int, banding: Banding, span: Span, clip: tuple[int, int], n_dn: int
) -> StripTone:
    """The tables of one strip; `n_dn` is 256 or 65536."""
    step = _node_step(curves.first[strip].gain, n_dn)
    shift = banding.readings.level + float(banding.density.mean())  # into the curve: means of both others are zero
    fine = max(step // CURVE_NODES, 1)
    seen = _between(curve_density(curves, fit, strip, np.arange(0.0, n_dn, fine)), fine)
    biased = seen - shift - _between(_noise_bias(curves, strip, seen[::step]), step)
    density = monotone(biased, curves.first[strip].is_rising)
    at = density[::step]
    sigma = _between(np.sqrt(curves.noise[strip].variance(at, np.abs(np.gradient(at, step)))), step)
    curve_sigma = _between(_curve_sigma(curves, fit, strip, np.arange(0.0, n_dn, step), banding.readings), step)
    reach = np.percentile(banding.density - banding.density.mean(), SPAN_BANDING)
    first, last = _dn_span(density, sigma, span, reach, clip)
    n_lines = curves.n_lines[strip]
    line, at_line = np.arange(n_lines), np.linspace(0.0, n_lines - 1.0, min(n_lines, LINE_NODES))
    modes = cosines(n_lines, at_line) - level_of_modes(n_lines)
    return StripTone(
        density_of_dn=_held(density, *_made_span(density, (first, last), span, clip)),
        dn_span=(first, last),
        rising=curves.first[strip].is_rising,
        column_density=banding.density - banding.density.mean(),
        line_density=np.interp(line, at_line, modes @ fit.solution.strips[strip][curves.layout.drift]),
        noise_density=_held(sigma, first, last),
        curve_sigma=_held(curve_sigma, first, last),
        column_sigma=banding.sigma,
        line_sigma=np.interp(line, at_line, _line_sigma(curves, fit, strip, modes)),
    )


def _node_step(gain: float, n_dn: int) -> int:
    """DN from node to node: a power of two, so that whole steps make the table."""
    return 1 << max(int(min(abs(gain), n_dn) / FINEST_NODES).bit_length() - 1, 0)


@njit(cache=True, nogil=True)
def _between(values, step):  # type: ignore[no-untyped-def]  # pragma: no cover
    """A table with `step` entries for each of some values: straight from one to the next, the last one held."""
    table = np.empty(values.size * step)
    for n in range(values.size):
        rise = (values[min(n + 1, values.size - 1)] - values[n]) / step
        for k in range(step):
            table[n * step + k] = values[n] + rise * k
    return table


def _held(table: Array, first: int, last: int) -> Table32:
    """A table that is constant before entry `first` and after entry `last`."""
    held = table.astype(np.float32)
    held[:first], held[last + 1 :] = held[first], held[last]
    return held


def _noise_bias(curves: Curves, strip: int, density: Array) -> Array:
    """Bias of a sample's density due to the video's noise: the curve is convex, so noise alone makes it denser.

    To second order it is f'' var / 2, which is subtracted from each sample so that means of densities are unbiased. The
    noise is limited to `MOST_BIAS_SIGMA`, beyond which the expansion fails.
    """
    first, noise = curves.first[strip], curves.noise[strip]
    at = np.clip(density, curves.basis.low, curves.basis.high)
    variance = noise.variance_dn(at)
    small = np.minimum(1.0, MOST_BIAS_SIGMA**2 / np.maximum(variance / first.slope(at) ** 2, 1e-12))
    return np.asarray(0.5 * first.curvature(at) * variance * small)


def lost_tone(n_samples: int, n_lines: int, n_dn: int, reason: str) -> StripTone:
    """The tone of a lost strip: all its samples are dropouts, so its tables are never used."""
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


def in_doubt(tone: StripTone, curve: float, line: Array) -> StripTone:
    """A tone with additional uncertainty, in density, of its `curve` and of its lines, `line` (n_lines,)."""
    curve_sigma = np.hypot(tone.curve_sigma, np.float32(curve))
    return replace(tone, curve_sigma=curve_sigma, line_sigma=np.hypot(tone.line_sigma, line))


def curve_density(curves: Curves, fit: Adjustment, strip: int, dn: Array) -> Array:
    """Density that the video saw, of DN (real), by a strip's first curve and its corrections."""
    z = curves.first[strip].density_of(dn)
    return np.asarray(z + correction(curves, strip, z, fit.solution))


def monotone(density: Array, rising: bool) -> Array:
    """The nearest curve that never turns back: midway between the running extremes from both ends."""
    upward = density if rising else density[::-1]
    if (upward[1:] >= upward[:-1]).all():
        return density
    forward = np.maximum.accumulate(upward)
    backward = np.minimum.accumulate(upward[::-1])[::-1]
    middle = (forward + backward) / 2
    return middle if rising else middle[::-1]


def _dn_span(density: Array, sigma: Array, span: Span, reach: Array, clip: tuple[int, int]) -> tuple[int, int]:
    """First and last DN that can be calibrated: within the known densities but for noise, and not clipped.

    The video saw the known densities under all of the banding, whose lower and upper `reach` belongs to the span.
    """
    at_low, at_high = np.argmin(np.abs(density - span.low)), np.argmin(np.abs(density - span.high))
    low = span.low + float(reach[0]) - min(SPAN_NOISE * float(sigma[at_low]), SPAN_STEP * span.low_step)
    high = span.high + float(reach[1]) + min(SPAN_NOISE * float(sigma[at_high]), SPAN_STEP * span.high_step)
    dn = np.arange(density.size)
    inside = np.flatnonzero((density >= low) & (density <= high) & (dn > clip[0]) & (dn < clip[1]))
    if inside.size == 0:
        return int(at_low), int(at_low)
    return int(inside[0]), int(inside[-1])


def _made_span(density: Array, known: tuple[int, int], span: Span, clip: tuple[int, int]) -> tuple[int, int]:
    """First and last DN of those that can be calibrated, `known`, and of those that lie no farther beyond the span than
    it says, not clipped."""
    dn = np.arange(density.size)
    near = (density >= span.low - span.beyond) & (density <= span.high + span.beyond)
    inside = np.flatnonzero(near & (dn > clip[0]) & (dn < clip[1]))
    if inside.size == 0:
        return known
    return min(known[0], int(inside[0])), max(known[1], int(inside[-1]))


def _curve_sigma(curves: Curves, fit: Adjustment, strip: int, dn: Array, readings: Readings) -> Array:
    z = np.linspace(curves.basis.low, curves.basis.high, NODES)
    variance = curve_variance(curves, fit, strip, z, readings) + curves.shape_sigma**2
    return np.interp(curves.first[strip].density_of(dn), z, np.sqrt(np.maximum(variance, 0.0)))


def _line_sigma(curves: Curves, fit: Adjustment, strip: int, modes: Array) -> Array:
    covariance = fit.solution.strip_covariance[strip][curves.layout.drift, curves.layout.drift]
    return np.sqrt(np.maximum(np.einsum("ij,ij->i", modes @ covariance, modes), 0.0))
