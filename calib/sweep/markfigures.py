"""What a fitted mark's window says of the mark, compiled: which half arms are seen, how well the model holds."""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import median_of
from calib.sweep.cross import Sizes
from calib.sweep.markmodel import Model, Pixels

N_PARTS = 8  # half arms
CELLS = (2, 3, 4)  # residuals may hang together within cells of any of these powers of two, px
BY_CHANCE = 1.1  # ratio of variances that white noise may give
COVERED = 0.05  # least coverage of a sample that tells how well the model holds
GONE = 0.4  # a half arm with a smaller share of the contrast is not seen
LEAST_PART = 0.3  # of a half arm's area that must carry signal
PART_THERE, PART_GONE = 0.25, 0.2  # 1-sigma of a half arm's share of the contrast where it is there, and where not
LOST = 0.1  # chance that a half arm is not there
SHARES = 3.0  # from -1 to 2: what other things show for shares


class MarkFigures(NamedTuple):
    """Factors by which clumped residuals widen the place's variances, of line and of sample, and chi2, misfit,
    contrast, rise of `MarkFit`."""

    clumping: tuple[float, float]
    chi2: float
    misfit: float
    contrast: float
    rise: float


@njit(cache=True, nogil=True)
def part_of(model: Model, sizes: Sizes) -> NDArray[np.int64]:  # pragma: no cover
    """Which half arm a sample belongs to, 0..7 (right, left, lower, upper; inner then outer), or -1."""
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
    """Share (8,) of the expected contrast found in each half arm; 0 where too little of it carries signal. One of
    `every` so many samples is there."""
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
    area = every * _spread(model.u_mm) * _spread(model.v_mm) / (_spread(pixels.line) + 1) / (_spread(pixels.sample) + 1)
    full = (sizes[0] - 2.0 * sizes[1]) * sizes[1]
    found = np.zeros(N_PARTS)
    for k in range(N_PARTS):
        if covered[k] * area > LEAST_PART * full and square[k] > 0:
            found[k] = product[k] / square[k]
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def likeness_of(parts: Array, contrast: float) -> float:  # pragma: no cover
    """Log of how much likelier the shares (8,) of the contrast found in the half arms are a cross's, some arms of which
    may be gone, than those of something else that the model lies across; half arms without signal say nothing.

    A cross's arms are alike, so each share is looked at beside the middle one.
    """
    middle = median_of(parts[parts > GONE])
    if not middle > 0.0:
        return -np.inf
    noise, total = np.sqrt(N_PARTS) / max(abs(contrast) * middle, 1e-9), 0.0
    for part in parts:
        if part != 0.0:
            of_stroke = _normal(part / middle - 1.0, np.hypot(PART_THERE, noise))
            of_scene = _normal(part / middle, np.hypot(PART_GONE, noise))
            total += np.log(((1 - LOST) * of_stroke + LOST * of_scene) * SHARES + 1e-6)
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _normal(off: float, sigma: float) -> float:  # pragma: no cover
    """Density of a normal distribution."""
    return np.exp(-0.5 * (off / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))


@njit(cache=True, nogil=True)
def _ends(values: NDArray[Any]) -> tuple[Any, Any]:  # pragma: no cover
    """Smallest and largest."""
    least = greatest = values[0]
    for i in range(values.size):
        least, greatest = min(least, values[i]), max(greatest, values[i])
    return least, greatest


@njit(cache=True, nogil=True)
def _spread(values: Array) -> float:  # pragma: no cover
    """Largest less smallest."""
    least, greatest = _ends(values)
    return greatest - least


@njit(cache=True, nogil=True, error_model="numpy")
def figures_of(pixels: Pixels, model: Model, weight: Array, gain: Array) -> MarkFigures:  # pragma: no cover
    """The figures of a finished fit; `gain` (N, 2) is what a sample's residual moves the place by."""
    count, residual2, chi2, excess, rise2 = 0, 0.0, 0.0, 0.0, 0.0
    strength = agreed = level = area = 0.0
    for i in range(weight.size):
        m, c = model.mark_part[i], model.covered[i]
        residual = model.residual[i]
        strength += weight[i] * m * m
        agreed += weight[i] * m * (m + residual)
        level += weight[i] * c * m
        area += weight[i] * c * c
        if c > COVERED and weight[i] > 0:
            count += 1
            residual2, sigma2 = residual * residual, pixels.sigma[i] ** 2
            chi2 += residual2 / sigma2
            excess += residual2 - sigma2
            rise2 += m * m
    return MarkFigures(
        _clumping(pixels, model, weight, gain),
        chi2 / count if count else np.inf,
        np.sqrt(max(excess, 0.0) / rise2) if rise2 > 0 else np.inf,
        agreed / np.sqrt(strength) if strength > 0 else 0.0,
        level / max(area, 1e-300),
    )


@njit(cache=True, nogil=True, error_model="numpy")
def yields_of(
    pixels: Pixels, model: Model, place: Array, flat: Array, curve: Array, gain: Array
) -> Array:  # pragma: no cover
    """By how much a fitted place (line, sample) moves with each entry of `curve` (2, 2, 2), the sweep's own curvature
    in the window: what the model's change there does to the residuals, times their `gain`."""
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
def _clumping(pixels: Pixels, model: Model, weight: Array, gain: Array) -> tuple[float, float]:  # pragma: no cover
    """Factors by which residuals that hang together within cells widen the variances of line and sample; 1 for white
    noise.

    The place's error is a weighted sum of residuals; its variance from the sums over cells is set against that from
    single samples, for each size of cells. Each way counts by itself: what lies along one stroke moves the place across
    it only. Ratios that white noise gives by chance do not count.
    """
    expected = np.zeros(2)
    for i in range(weight.size):
        if weight[i] > 0:
            for axis in range(2):
                expected[axis] += gain[i, axis] ** 2 / max(weight[i], 1e-300)
    most = np.ones(2)
    (first_row, last_row), (first_column, last_column) = _ends(pixels.row), _ends(pixels.column)
    for power in CELLS:
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
            if ratio > BY_CHANCE:
                most[axis] = max(most[axis], ratio)
    return most[0], most[1]
