"""Quality figures of a fitted mark, compiled: which half arms are visible, and how well the model fits its window."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import median_of
from calib.sweep.cross import Sizes
from calib.sweep.markmodel import Model, Pixels

N_PARTS = 8  # half arms
CELL_POWERS = (2, 3, 4)  # log2 of the cell sizes, px, within which residuals are tested for correlation
CHANCE_RATIO = 1.1  # ratio of variances that white noise may reach by chance
LEAST_COVERAGE = 0.05  # of a sample that counts in chi2 and misfit
VISIBLE_SHARE = 0.4  # least share of the contrast of a visible half arm
LEAST_AREA = 0.3  # of a half arm's area that must carry signal
PRESENT_SIGMA, ABSENT_SIGMA = 0.25, 0.2  # 1-sigma of a half arm's share of the contrast if it is present, and if not
ABSENT_CHANCE = 0.1  # probability that a half arm is absent
SHARE_RANGE = 3.0  # width of the range of shares, -1 to 2, that anything other than a cross shows


class MarkFigures(NamedTuple):
    """Chi2, misfit, contrast and rise of `MarkFit`; `variance_factors`: factors on the place's variances of line and of
    sample, for correlated residuals."""

    variance_factors: tuple[float, float]
    chi2: float
    misfit: float
    contrast: float
    rise: float


@njit(cache=True, nogil=True)
def part_of(model: Model, sizes: Sizes) -> NDArray[np.int64]:  # pragma: no cover
    """The half arm (N,) that each sample belongs to, 0..7 (right, left, lower, upper; inner, then outer), or -1."""
    arm, width = sizes[0], 2.0 * sizes[1]
    out = np.full(model.u_mm.size, -1)
    for i in range(out.size):
        for axis in range(2):
            along, across = model.u_mm[i], model.v_mm[i]
            if axis == 1:
                along, across = across, along
            reach = abs(along)
            if abs(across) < 1.5 * width and width < reach < arm + width:
                out[i] = 4 * axis + (2 if along < 0 else 0) + (1 if reach > (arm + width) / 2 else 0)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def visible_parts(pixels: Pixels, model: Model, sizes: Sizes, every: int) -> Array:  # pragma: no cover
    """Share (8,) of the fitted contrast that each half arm shows; 0 where too little of it carries signal.

    `pixels` holds one of every `every` samples.
    """
    part, part_sum = part_of(model, sizes), np.zeros((N_PARTS, 4))
    covered, square, most, product = part_sum[:, 0], part_sum[:, 1], part_sum[:, 2], part_sum[:, 3]
    for i in range(part.size):
        if part[i] >= 0:
            m = model.mark_part[i]
            covered[part[i]] += model.covered[i]
            square[part[i]] += m * m
            most[part[i]] = max(most[part[i]], 2.0 * abs(m))
    for i in range(part.size):
        if part[i] >= 0:
            m, limit = model.mark_part[i], most[part[i]]
            product[part[i]] += m * min(max(m + model.residual[i], -limit), limit)
    # The film area that a sample stands for, from the spread of film places in the window.
    area = every * _extent(model.u_mm) * _extent(model.v_mm) / (_extent(pixels.line) + 1) / (_extent(pixels.sample) + 1)
    full = (sizes[0] - 2.0 * sizes[1]) * sizes[1]
    found = np.zeros(N_PARTS)
    for k in range(N_PARTS):
        if covered[k] * area > LEAST_AREA * full and square[k] > 0:
            found[k] = product[k] / square[k]
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def log_likelihood_ratio(parts: Array, contrast: float) -> float:  # pragma: no cover
    """Log likelihood ratio of a cross, possibly with missing half arms, against anything else, from the shares (8,).

    Half arms without signal (share 0) do not count. The arms of a cross have equal contrast, so each share is divided
    by the median of the visible ones.
    """
    middle = median_of(parts[parts > VISIBLE_SHARE])
    if not middle > 0.0:
        return -np.inf
    noise, total = np.sqrt(N_PARTS) / max(abs(contrast) * middle, 1e-9), 0.0
    for part in parts:
        if part != 0.0:
            of_stroke = _normal(part / middle - 1.0, np.hypot(PRESENT_SIGMA, noise))
            of_scene = _normal(part / middle, np.hypot(ABSENT_SIGMA, noise))
            total += np.log(((1 - ABSENT_CHANCE) * of_stroke + ABSENT_CHANCE * of_scene) * SHARE_RANGE + 1e-6)
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _normal(off: float, sigma: float) -> float:  # pragma: no cover
    """Probability density of a normal distribution at a distance `off` from its mean."""
    return np.exp(-0.5 * (off / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))


@njit(cache=True, nogil=True)
def _limits(values: NDArray[Any]) -> tuple[Any, Any]:  # pragma: no cover
    """Smallest and largest value."""
    least = greatest = values[0]
    for i in range(values.size):
        least, greatest = min(least, values[i]), max(greatest, values[i])
    return least, greatest


@njit(cache=True, nogil=True)
def _extent(values: Array) -> float:  # pragma: no cover
    """Largest minus smallest value."""
    least, greatest = _limits(values)
    return greatest - least


@njit(cache=True, nogil=True, error_model="numpy")
def figures_of(pixels: Pixels, model: Model, weight: Array, gain: Array) -> MarkFigures:  # pragma: no cover
    """The figures of a finished fit; `gain` (N, 2) is the change of the place (line, sample) per unit of residual."""
    count, residual2, chi2, excess, rise2 = 0, 0.0, 0.0, 0.0, 0.0
    strength = agreed = level = area = 0.0
    for i in range(weight.size):
        m, c = model.mark_part[i], model.covered[i]
        residual = model.residual[i]
        strength += weight[i] * m * m
        agreed += weight[i] * m * (m + residual)
        level += weight[i] * c * m
        area += weight[i] * c * c
        if c > LEAST_COVERAGE and weight[i] > 0:
            count += 1
            residual2, sigma2 = residual * residual, pixels.sigma[i] ** 2
            chi2 += residual2 / sigma2
            excess += residual2 - sigma2
            rise2 += m * m
    return MarkFigures(
        _variance_factors(pixels, model, weight, gain),
        chi2 / count if count else np.inf,
        np.sqrt(max(excess, 0.0) / rise2) if rise2 > 0 else np.inf,
        agreed / np.sqrt(strength) if strength > 0 else 0.0,
        level / max(area, 1e-300),
    )


@njit(cache=True, nogil=True, error_model="numpy")
def place_per_curve(
    pixels: Pixels, model: Model, place: Array, flat: Array, curve: Array, gain: Array
) -> Array:  # pragma: no cover
    """Derivatives (2, 2, 2) of a fitted place (line, sample) by each entry of `curve` (2, 2), the sweep's curvature
    over the window: the derivatives of the residuals, times their `gain`."""
    out, per_px = np.zeros((2, 2, 2)), flat + 2.0 * curve * place
    det = per_px[0, 0] * per_px[1, 1] - per_px[0, 1] * per_px[1, 0]
    for i in range(gain.shape[0]):
        down, right = model.terms[i, 0], model.terms[i, 1]
        squares = pixels.line[i] ** 2 - place[0] ** 2, pixels.sample[i] ** 2 - place[1] ** 2
        by_film = (per_px[1, 1] * down - per_px[1, 0] * right) / det, (per_px[0, 0] * right - per_px[0, 1] * down) / det
        for axis in range(2):
            for way in range(2):
                change = by_film[axis] * squares[way]
                out[0, axis, way] += gain[i, 0] * change
                out[1, axis, way] += gain[i, 1] * change
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _variance_factors(
    pixels: Pixels, model: Model, weight: Array, gain: Array
) -> tuple[float, float]:  # pragma: no cover
    """Factors on the variances of line and sample for residuals that are correlated within cells; 1 for white noise.

    The place's error is a weighted sum of residuals. For each size of cells, its variance estimated from the sums over
    cells is divided by that expected for independent samples; the largest ratio counts, unless white noise may reach it
    by chance. Line and sample are separate, because a disturbance along one stroke moves the place across it only.
    """
    expected = np.zeros(2)
    for i in range(weight.size):
        if weight[i] > 0:
            for axis in range(2):
                expected[axis] += gain[i, axis] ** 2 / max(weight[i], 1e-300)
    most = np.ones(2)
    (first_row, last_row), (first_column, last_column) = _limits(pixels.row), _limits(pixels.column)
    for power in CELL_POWERS:
        n_rows, n_columns = ((last_row - first_row) >> power) + 1, ((last_column - first_column) >> power) + 1
        sums = np.zeros((n_rows, n_columns, 2))
        for i in range(weight.size):
            row, column = (pixels.row[i] - first_row) >> power, (pixels.column[i] - first_column) >> power
            for axis in range(2):
                sums[row, column, axis] += gain[i, axis] * model.residual[i]
        for axis in range(2):
            ratio = 0.0
            for row in range(n_rows):
                for column in range(n_columns):
                    ratio += sums[row, column, axis] ** 2 / max(expected[axis], 1e-300)
            if ratio > CHANCE_RATIO:
                most[axis] = max(most[axis], ratio)
    return most[0], most[1]
