"""Locates a blurred border between two uniform parts of the film, or a narrow gap in one."""

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

LEAST_STEP = 8.0  # least step of a border, in units of its 1-sigma
LEAST_SAMPLES, LEAST_COLUMNS = 40, 8  # fewest samples for a fit, and columns for a search
LEAST_SEEN = 0.5  # least share of the samples within reach that carry signal
ITERATIONS = 8
TRIM_FROM, END_FROM = 2, 3  # first iteration that downweights outliers, and first one that may be the last
MOST_STEP = 3.0  # spot radii: greatest change of the shift per iteration; farther off a profile has no slope
SETTLED = 0.03  # change of the shift, in units of its 1-sigma, below which the fit has converged
TRIM = 3.0  # sigma beyond which a sample is downweighted
RIDGE = 1e-9  # fraction added to the normal matrix's diagonal, so that it is invertible; undetermined unknowns stay
FEWEST_NEAR = 6  # columns needed around a place, to determine level and step with some degrees of freedom left
BOTH_SIDES = 0.8  # of the flank's width: how far columns must reach on both sides of a place
UNEXPLAINED = 0.02  # share of the columns' squares always counted as unexplained, against columns equal up to rounding
TINY = 1e-30  # keeps 0 / 0 finite

Fit = tuple[bool, float, float, float, float, float]
"""Whether the fit was possible (enough samples with signal, a regular normal matrix); shift, level and step of the
light, variances of step and shift."""


class Found(NamedTuple):
    """Shift (mm) of a border or gap along t and its variance (mm^2); the light's level before it, and its step."""

    shift_mm: float
    variance: float
    level: float
    step: float


class Feature(NamedTuple):
    """The feature to locate along t: a step of the light, or a gap of half width `half_mm` if that is not 0; blurred by
    the spot, whose rms radius is `blur_mm`."""

    blur_mm: float
    half_mm: float


@njit(cache=True, nogil=True, error_model="numpy")
def profile(d_mm: float, feature: Feature) -> tuple[float, float]:  # pragma: no cover
    """The feature's light, 0 .. 1, at a distance `d_mm` from its middle, and its derivative per mm."""
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
    """Locate a border or gap along t; None if it does not stand out.

    `t_mm`, `light` and its 1-sigma `noise` (inf without signal): (n_lines, n_columns). Model: light = a + b profile(t -
    shift), fitted to samples within `reach_mm` of the start. Outliers are downweighted; scatter beyond the noise widens
    the variance.
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
    """`fit_border` in each group of columns; group g has the columns `bounds[g]` to `bounds[g + 1]` (exclusive)."""
    fits = _fit_groups(t_mm, light, noise, bounds, reach_mm, feature, start_mm)
    return [_if_significant(fit, feature) for fit in fits]


def _if_significant(fit: Fit, feature: Feature) -> Found | None:
    """The result of a fit; None if the step is not significant or the shift is less certain than the spot's radius."""
    possible, shift, level, step, step_variance, variance = fit
    if not possible or not abs(step) > LEAST_STEP * np.sqrt(step_variance) or variance > feature.blur_mm**2:
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
    """The fit of each group of columns."""
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
    t, some_light, some_noise, inside = _samples_within(t_mm, light, noise, start_mm, reach_mm)
    if t.size < max(LEAST_SAMPLES, LEAST_SEEN * inside):
        return False, 0.0, 0.0, 0.0, 0.0, 0.0
    possible, shift, level, step, cov = _fit(t, some_light, some_noise, feature, start_mm)
    return possible, shift, level, step, cov[1, 1], cov[2, 2]


@njit(cache=True, nogil=True)
def _samples_within(
    t_mm: Array, light: Picture, noise: Picture, start_mm: float, reach_mm: float
) -> tuple[Array, Array, Array, int]:  # pragma: no cover
    """t, light and noise (N,) of the samples within reach that carry signal; and the number within reach with or
    without signal."""
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
    """Gauss-Newton fit: whether it was possible; shift, level and step of the light; covariance (3, 3) of level, step
    and shift."""
    shift, level, step = start_mm, 0.0, 0.0
    weight, residual, share, slope = 1.0 / noise**2, np.empty(t.size), np.empty(t.size), np.empty(t.size)
    cov = np.zeros((3, 3))
    for iteration in range(-1, ITERATIONS):  # iteration -1 finds level and step for a fixed shift
        for i in range(t.size):
            share[i], slope[i] = profile(t[i] - shift, feature)
        for i in range(t.size):
            slope[i] *= -step
            residual[i] = light[i] - level - step * share[i]
        if iteration >= TRIM_FROM:
            _robust_weights(residual, noise, weight)
        normal, right = _normals(share, slope, residual, weight)
        if iteration < 0:
            normal[2, 2] = 1.0
        for k in range(3):
            normal[k, k] *= 1.0 + RIDGE
        cov, possible = inverse_of(normal)
        if not possible:
            return False, shift, level, step, cov
        change = times(cov, right)
        level, step = level + change[0], step + change[1]
        if iteration >= 0:
            shift += min(max(change[2], -MOST_STEP * feature.blur_mm), MOST_STEP * feature.blur_mm)
        if iteration >= END_FROM and abs(change[2]) < SETTLED * np.sqrt(1.0 / normal[2, 2]):
            break
    return True, shift, level, step, cov


@njit(cache=True, nogil=True, fastmath=SUMS)
def _normals(share: Array, slope: Array, residual: Array, weight: Array) -> tuple[Array, Array]:  # pragma: no cover
    """Normal equations: weighted sums of products (3, 3) of 1, share and slope, and of each with the residual (3,)."""
    total, shares, slopes, share_share, share_slope, slope_slope = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    right_level, right_step, right_shift = 0.0, 0.0, 0.0
    for i in range(weight.size):
        w, f, d, r = weight[i], share[i], slope[i], residual[i]
        total, shares, slopes = total + w, shares + w * f, slopes + w * d
        share_share, share_slope = share_share + w * f * f, share_slope + w * f * d
        slope_slope = slope_slope + w * d * d
        right_level, right_step, right_shift = right_level + w * r, right_step + w * f * r, right_shift + w * d * r
    normal, right = np.empty((3, 3)), np.empty(3)
    normal[0, 0], normal[1, 1], normal[2, 2] = total, share_share, slope_slope
    normal[0, 1] = normal[1, 0] = shares
    normal[0, 2] = normal[2, 0] = slopes
    normal[1, 2] = normal[2, 1] = share_slope
    right[0], right[1], right[2] = right_level, right_step, right_shift
    return normal, right


@njit(cache=True, nogil=True, error_model="numpy")
def _robust_weights(residual: Array, noise: Array, out: Array) -> None:  # pragma: no cover
    """Fill `out` with robust weights: inverse variances, with the noise widened to the scatter found, and lower for
    outliers."""
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
    """Rough shift (mm), within `reach_mm`, of a border or gap across the columns, from the columns' mean light.

    It is where the profile explains the largest part of the columns within `flank_mm`. `t_mm`: (n_lines, n_columns).
    None if too few columns have signal, or if the profile explains less than it leaves. Also None if the best place is
    the first or the last with columns on both sides: then a feature outside the range shows only its flank.
    """
    found, shift = _search(t_mm, light, noise, feature, flank_mm, reach_mm)
    return shift if found else None


@njit(cache=True, nogil=True, error_model="numpy")
def _search(
    t_mm: Array, light: Picture, noise: Picture, feature: Feature, flank_mm: float, reach_mm: float
) -> tuple[bool, float]:  # pragma: no cover
    """Whether a shift was found, and the shift in mm."""
    t, mean = _column_means(t_mm, light, noise)
    if t.size < LEAST_COLUMNS:
        return False, 0.0
    spacing = np.empty(t.size - 1)
    for i in range(spacing.size):
        spacing[i] = t[i + 1] - t[i]
    step = median_of(spacing) / 2
    steps = int(np.ceil(reach_mm / step))
    best, shift, first, last, most = 0, 0.0, -1, -1, 0.0
    for i in range(2 * steps + 1):
        explained = _explained_ratio(t - (i - steps) * step, mean, feature, flank_mm)
        if explained > most:
            best, shift, most = i, (i - steps) * step, explained
        if explained != 0.0:
            first, last = i if first < 0 else first, i
    return most > 1.0 and first < best < last, shift


@njit(cache=True, nogil=True)
def _column_means(t_mm: Array, light: Picture, noise: Picture) -> tuple[Array, Array]:  # pragma: no cover
    """Mean t and mean light of the columns that have signal on more than half of the lines."""
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
def _explained_ratio(t: Array, mean: Array, feature: Feature, flank_mm: float) -> float:  # pragma: no cover
    """Sum of squares explained by a level and a step of the profile at t = 0, over the unexplained; 0 if there are not
    enough columns on both sides."""
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
