"""One blurred border between two even parts of the film: where it is."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import MIDDLE_SIZE, median_of, middle_size
from calib.sweep.cross import edge
from calib.sweep.scene import SUMS
from calib.sweep.smallsolve import inverse_of, times
from calib.sweep.smoothing import Picture

LEAST_STEP = 8.0  # of a border's step over its 1-sigma
LEAST_SAMPLES, LEAST_COLUMNS = 40, 8
LEAST_SEEN = 0.5  # of the samples within reach, that must carry signal
TURNS = 8
TRIMMED, ENDS = 2, 3  # turns from which on samples far from the model lose weight, and the fit may end
MOST_STEP = 3.0  # spot radii by which a shift moves a turn at most: beyond these a profile has no slope to go by
SETTLED = 0.03  # of the shift's 1-sigma: no larger step, and it has settled
TRIM = 3.0  # 1-sigma from which on a sample loses weight
RIDGE = 1e-9  # of the normal matrix's diagonal: what no sample tells stays, and the matrix has an inverse
FEWEST_NEAR = 6  # columns about a place that are to tell a level and a step, and still leave something over
BOTH_SIDES = 0.8  # of a flank's width: columns must reach so far on both sides of a place
UNEXPLAINED = 0.02  # of the columns' squares, always left: some columns even to rounding would else explain anything
TINY = 1e-30  # keeps a quotient of nothing by nothing finite

Fit = tuple[bool, float, float, float, float, float]
"""Whether enough samples had signal and said something; shift, level and step of the light, variances of step and
shift."""


class Found(NamedTuple):
    """A border's or gap's shift (mm) along t and its variance (mm^2); the light's level before it, and its step."""

    shift_mm: float
    variance: float
    level: float
    step: float


class Feature(NamedTuple):
    """What is looked for along t: a border where the light steps, or where `half_mm` is not zero a gap of that half
    width; blurred by the spot, whose rms radius is `blur_mm`."""

    blur_mm: float
    half_mm: float


@njit(cache=True, nogil=True, error_model="numpy")
def profile(d_mm: float, feature: Feature) -> tuple[float, float]:  # pragma: no cover
    """The feature's light, 0 .. 1, at a distance from its middle, and its derivative."""
    sharp = 1.0 / feature.blur_mm
    if feature.half_mm == 0.0:
        share, density = edge(d_mm * sharp)
        return share, density * sharp
    share, density = edge((d_mm + feature.half_mm) * sharp)
    less, dense = edge((d_mm - feature.half_mm) * sharp)
    return share - less, (density - dense) * sharp


def fit_border(
    t_mm: Array, light: Picture, noise: Picture, reach_mm: float, feature: Feature, start_mm: float = 0.0
) -> Found | None:
    """Where a border or gap is along t; None where it does not stand out.

    Model: light = a + b profile(t - shift), looked at within `reach_mm` of the start; `noise` is the 1-sigma of the
    light, inf without signal. Weights fall off for samples far from the model, scatter beyond the noise widens the
    variance.
    """
    whole = np.array([0, t_mm.shape[1]])
    return fit_border_in_groups(t_mm, light, noise, whole, reach_mm, feature, start_mm)[0]


def fit_border_in_groups(
    t_mm: Array,
    light: Picture,
    noise: Picture,
    bounds: NDArray[np.int64],
    reach_mm: float,
    feature: Feature,
    start_mm: float = 0.0,
) -> list[Found | None]:
    """`fit_border` in groups of neighbouring columns, group g those from `bounds` (G + 1,) g to the next."""
    fits = _fit_groups(t_mm, light, noise, bounds, reach_mm, feature, start_mm)
    return [_standing_out(fit, feature) for fit in fits]


def _standing_out(fit: Fit, feature: Feature) -> Found | None:
    """What a fit found, None where the feature does not stand out."""
    seen, shift, level, step, step_variance, variance = fit
    if not seen or not abs(step) > LEAST_STEP * np.sqrt(step_variance) or variance > feature.blur_mm**2:
        return None
    return Found(shift, variance, level, step)


@njit(cache=True, nogil=True)
def _fit_groups(
    t_mm: Array,
    light: Picture,
    noise: Picture,
    bounds: NDArray[np.int64],
    reach_mm: float,
    feature: Feature,
    start_mm: float,
) -> list[Fit]:  # pragma: no cover
    """The fits of the groups of columns."""
    found = []
    for g in range(bounds.size - 1):
        first, stop = bounds[g], bounds[g + 1]
        some = light[:, first:stop], noise[:, first:stop]
        found.append(_fit_near(t_mm[:, first:stop], some[0], some[1], reach_mm, feature, start_mm))
    return found


@njit(cache=True, nogil=True)
def _fit_near(
    t_mm: Array, light: Picture, noise: Picture, reach_mm: float, feature: Feature, start_mm: float
) -> Fit:  # pragma: no cover
    """The fit to the samples within reach of the start."""
    t, some_light, some_noise, inside = _near(t_mm, light, noise, start_mm, reach_mm)
    if t.size < max(LEAST_SAMPLES, LEAST_SEEN * inside):
        return False, 0.0, 0.0, 0.0, 0.0, 0.0
    possible, shift, level, step, cov = _fit(t, some_light, some_noise, feature, start_mm)
    return possible, shift, level, step, cov[1, 1], cov[2, 2]


@njit(cache=True, nogil=True)
def _near(
    t_mm: Array, light: Picture, noise: Picture, start_mm: float, reach_mm: float
) -> tuple[Array, Array, Array, int]:  # pragma: no cover
    """Samples (N,) with signal of those (n_lines, n_columns) within reach, t, light and noise; how many lie within."""
    chosen, n, inside = np.empty((3, t_mm.size)), 0, 0
    for i in range(t_mm.shape[0]):
        for j in range(t_mm.shape[1]):
            if abs(t_mm[i, j] - start_mm) < reach_mm:
                inside += 1
                if np.isfinite(noise[i, j]):
                    chosen[0, n], chosen[1, n], chosen[2, n] = t_mm[i, j], light[i, j], noise[i, j]
                    n += 1
    return chosen[0, :n], chosen[1, :n], chosen[2, :n], inside


@njit(cache=True, nogil=True, error_model="numpy")
def _fit(
    t: Array, light: Array, noise: Array, feature: Feature, start_mm: float
) -> tuple[bool, float, float, float, Array]:  # pragma: no cover
    """Gauss-Newton: whether it was possible, shift, level and step of the light, covariance of level, step, shift."""
    shift, level, step = start_mm, 0.0, 0.0
    weight, residual, share, slope = 1.0 / noise**2, np.empty(t.size), np.empty(t.size), np.empty(t.size)
    cov = np.zeros((3, 3))
    for turn in range(-1, TURNS):  # before the first turn the light's level and step are found
        for i in range(t.size):
            share[i], slope[i] = profile(t[i] - shift, feature)
        for i in range(t.size):
            slope[i] *= -step
            residual[i] = light[i] - level - step * share[i]
        if turn >= TRIMMED:
            _trim(residual, noise, weight)
        normal, right = _sums(share, slope, residual, weight)
        if turn < 0:
            normal[2, 2] = 1.0
        for k in range(3):
            normal[k, k] *= 1.0 + RIDGE
        cov, possible = inverse_of(normal)
        if not possible:
            return False, shift, level, step, cov
        change = times(cov, right)
        level, step = level + change[0], step + change[1]
        if turn >= 0:
            shift += min(max(change[2], -MOST_STEP * feature.blur_mm), MOST_STEP * feature.blur_mm)
        if turn >= ENDS and abs(change[2]) < SETTLED * np.sqrt(1.0 / normal[2, 2]):
            break
    return True, shift, level, step, cov


@njit(cache=True, nogil=True, fastmath=SUMS)
def _sums(share: Array, slope: Array, residual: Array, weight: Array) -> tuple[Array, Array]:  # pragma: no cover
    """Weighted sums of the products (3, 3) of 1, share and slope, and of each with the residual (3,)."""
    total, shares, slopes, squares, both, steep = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    level, way, pull = 0.0, 0.0, 0.0
    for i in range(weight.size):
        w, f, d = weight[i], share[i], slope[i]
        total, shares, slopes = total + w, shares + w * f, slopes + w * d
        squares, both, steep = squares + w * f * f, both + w * f * d, steep + w * d * d
        level, way, pull = level + w * residual[i], way + w * f * residual[i], pull + w * d * residual[i]
    normal, right = np.empty((3, 3)), np.empty(3)
    normal[0, 0], normal[1, 1], normal[2, 2] = total, squares, steep
    normal[0, 1] = normal[1, 0] = shares
    normal[0, 2] = normal[2, 0] = slopes
    normal[1, 2] = normal[2, 1] = both
    right[0], right[1], right[2] = level, way, pull
    return normal, right


@njit(cache=True, nogil=True, error_model="numpy")
def _trim(residual: Array, noise: Array, out: Array) -> None:  # pragma: no cover
    """Inverse variances, the noise widened to the scatter found, less for samples far from the model."""
    sizes = np.empty(out.size, np.float32)
    for i in range(out.size):
        ratio = residual[i] / noise[i]
        sizes[i] = np.float32(ratio * ratio)
    factor = max(1.0, middle_size(sizes, out.size) / MIDDLE_SIZE**2)
    for i in range(out.size):
        ratio = residual[i] / noise[i]
        trimmed = TRIM * TRIM * factor / max(ratio * ratio, 1e-12)
        out[i] = min(1.0, trimmed) / (noise[i] * noise[i] * factor)


def search_border(
    t_mm: Array, light: Picture, noise: Picture, feature: Feature, flank_mm: float, reach_mm: float
) -> float | None:
    """Rough shift (mm) of a border across columns within `reach_mm`, from the columns' mean light: where the profile
    explains most of what lies within `flank_mm` of it. t (n_lines, n_columns) mm. None where no column has signal, and
    where the best place is the first or the last with columns on both its sides, or explains less than it leaves: what
    is there is the flank of something that lies beyond."""
    found, shift = _search(t_mm, light, noise, feature, flank_mm, reach_mm)
    return shift if found else None


@njit(cache=True, nogil=True, error_model="numpy")
def _search(
    t_mm: Array, light: Picture, noise: Picture, feature: Feature, flank_mm: float, reach_mm: float
) -> tuple[bool, float]:  # pragma: no cover
    """Whether there is a place, and the place."""
    t, mean = _columns(t_mm, light, noise)
    if t.size < LEAST_COLUMNS:
        return False, 0.0
    apart = np.empty(t.size - 1)
    for i in range(apart.size):
        apart[i] = t[i + 1] - t[i]
    step = median_of(apart) / 2
    steps = int(np.ceil(reach_mm / step))
    best, shift, first, last, most = 0, 0.0, -1, -1, 0.0
    for i in range(2 * steps + 1):
        explained = _explained(t - (i - steps) * step, mean, feature, flank_mm)
        if explained > most:
            best, shift, most = i, (i - steps) * step, explained
        if explained != 0.0:
            first, last = i if first < 0 else first, i
    return most > 1.0 and first < best < last, shift


@njit(cache=True, nogil=True)
def _columns(t_mm: Array, light: Picture, noise: Picture) -> tuple[Array, Array]:  # pragma: no cover
    """Mean t of the columns more than half of which has signal, and the mean light of what has."""
    t, mean, n = np.zeros(t_mm.shape[1]), np.zeros(t_mm.shape[1]), 0
    for j in range(t.size):
        along, total, count = 0.0, 0.0, 0
        for i in range(t_mm.shape[0]):
            along += t_mm[i, j]
            if np.isfinite(noise[i, j]):
                total += light[i, j]
                count += 1
        if 2 * count > t_mm.shape[0]:
            t[n], mean[n] = along / t_mm.shape[0], total / count
            n += 1
    return t[:n], mean[:n]


@njit(cache=True, nogil=True, error_model="numpy")
def _explained(t: Array, mean: Array, feature: Feature, flank_mm: float) -> float:  # pragma: no cover
    """Sum of squares that a level and a step of the profile explain, over what they leave; 0 where columns lack."""
    near = np.abs(t) < flank_mm
    count = np.count_nonzero(near)
    if count < FEWEST_NEAR or t[0] > -BOTH_SIDES * flank_mm or t[-1] < BOTH_SIDES * flank_mm:
        return 0.0
    f, m = np.empty(count), mean[near]
    for i, d in enumerate(t[near]):
        f[i] = profile(d, feature)[0]
    f, m = f - np.mean(f), m - np.mean(m)
    explained = np.sum(f * m) ** 2 / max(np.sum(f * f), TINY)
    whole = np.sum(m * m)
    return explained / (whole - explained + UNEXPLAINED * whole + TINY)
