"""Matches one window of an overlap: finds the shift at which the smoothed pictures of both strips agree.

Gauss-Newton on the shift, with an offset (level) and a linear trend along the lines (drift) per window. Compiled,
because there are thousands of small windows. Arrays are stored with lines as the fast axis, (n_s, n_l), because a
window has more lines than samples.
"""

from typing import NamedTuple

import numpy as np

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import MIDDLE_SIZE, middle_size
from calib.sweep.resample import picture_at
from calib.sweep.scene import SUMS
from calib.sweep.smoothing import Picture

ITERATIONS = 6
LEAST_INFORMATION = 1e-12  # on the shift per sample, relative to that on the level; with less there is no match
FARTHEST_PX = 4.0  # from the initial shift
LEAST_SEEN = 0.5  # of a window's samples, that both strips show
LEAST_KEPT = 0.1  # of the information that remains at least when the part due to noise is subtracted
TRIM = 3.0  # sigma beyond which residuals lose weight
BUFFERS = 7  # fields of `Compared`


class Window(NamedTuple):
    """A window of the left picture and its share of signal, the places (lines, samples) of its samples in the right
    picture, (n_s, n_l) each; and the `offsets` (n_s,) to be added to its columns."""

    left: Picture
    seen: Picture
    lines: Array
    samples: Array
    offsets: Array


class Compared(NamedTuple):
    """Buffers of a comparison, (n_s, n_l) each: the right picture at the current shift, 1 for samples that count
    (`good`), weights, the difference left minus right, its residual after the fit, and the gradients of the mean of
    both pictures from line to line (`along`) and from sample to sample (`across`)."""

    right: Picture
    good: Picture
    weight: Picture
    difference: Picture
    residual: Picture
    along: Picture
    across: Picture


@njit(cache=True, nogil=True, error_model="numpy")
def match_window(
    window: Window, coefficients: Picture, signal: Picture, gradient_noise2: float, settled_px: float, shift: Array,
    information: Array, out: Compared,
) -> bool:  # pragma: no cover  # fmt: skip
    """Match a window with the right picture (the `coefficients` of its spline and its share of signal).

    Fills `shift` (2,) in left px, which holds the initial shift at first, and the `information` (2, 2) on it. Returns
    whether there is a match. Ends when an iteration changes the shift by less than `settled_px`. `gradient_noise2` is
    the variance of the gradients that noise alone causes.
    """
    step, jacobian = np.zeros(4), local_jacobian(window.lines, window.samples)
    first_line, first_sample = shift[0], shift[1]
    for iteration in range(ITERATIONS):
        there = (
            jacobian[0, 0] * shift[0] + jacobian[0, 1] * shift[1],
            jacobian[1, 0] * shift[0] + jacobian[1, 1] * shift[1],
        )
        count = picture_at(coefficients, signal, window.lines, window.samples, there, window.seen, out.right, out.good)
        if count < LEAST_SEEN * out.good.size:
            return False
        _compare(window.left, window.offsets, out)
        if iteration == 0:
            if not _solve(out, out.good, gradient_noise2, information, step):
                return False
            _fill_residual(step, out)
        _fill_weight(out)
        if not _solve(out, out.weight, gradient_noise2, information, step):
            return False
        _fill_residual(step, out)
        shift[0] += min(max(step[0], -1.0), 1.0)
        shift[1] += min(max(step[1], -1.0), 1.0)
        if max(abs(shift[0] - first_line), abs(shift[1] - first_sample)) > FARTHEST_PX:
            return False
        if max(abs(step[0]), abs(step[1])) < settled_px:
            break
    return True


@njit(cache=True, nogil=True)
def local_jacobian(lines: Array, samples: Array) -> Array:  # pragma: no cover
    """Derivatives (2, 2) of the right strip's (line, sample) by the left one's, mean over a window whose samples lie at
    `lines` and `samples` (n_s, n_l) of the right strip."""
    jacobian = np.empty((2, 2))
    for axis, places in enumerate((lines, samples)):
        p, q, r, s = places[0, 0], places[-1, 0], places[0, -1], places[-1, -1]
        jacobian[axis, 0] = (r + s - p - q) / 2 / (places.shape[1] - 1)
        jacobian[axis, 1] = (q + s - p - r) / 2 / (places.shape[0] - 1)
    return jacobian


@njit(cache=True, nogil=True, error_model="numpy")
def _compare(left: Picture, offsets: Array, out: Compared) -> None:  # pragma: no cover
    """Fill the difference, left plus `offsets` minus right, and the gradients of the mean of both: central differences,
    one-sided at the edges."""
    n_s, n_l = left.shape
    half, quarter, last = np.float32(0.5), np.float32(0.25), n_l - 1
    for j in range(n_s):
        before, after = max(j - 1, 0), min(j + 1, n_s - 1)
        step, offset = half / np.float32(after - before), np.float32(offsets[j])
        here, there, along = left[j], out.right[j], out.along[j]
        for i in range(n_l):
            out.difference[j, i] = here[i] + offset - there[i]
        for i in range(n_l):
            both = left[after, i] + out.right[after, i] - left[before, i] - out.right[before, i]
            out.across[j, i] = both * step
        for i in range(1, last):
            along[i] = (here[i + 1] + there[i + 1] - here[i - 1] - there[i - 1]) * quarter
        along[0] = (here[1] + there[1] - here[0] - there[0]) * half
        along[last] = (here[last] + there[last] - here[last - 1] - there[last - 1]) * half


@njit(cache=True, nogil=True)
def _drift(line: int, n_lines: int) -> float:  # pragma: no cover
    """The drift term on a line of a window: -1 on the first line to 1 on the last."""
    return 2 * line / (n_lines - 1) - 1


@njit(cache=True, nogil=True)
def _solve(
    out: Compared, weight: Picture, gradient_noise2: float, information: Array, step: Array
) -> bool:  # pragma: no cover
    """Fill the least squares solution `step` (4,) (shift by line and sample, level, drift), and the information (2, 2)
    on the shift with level and drift eliminated. False if there is no information on the shift along some axis."""
    level, drift, products = np.zeros(4), np.zeros(4), np.zeros(5)
    drift2 = _weighted_sums(out.difference, out.along, out.across, weight, level, drift, products)
    total, drift1 = level[3], drift[3]
    det = total * drift2 - drift1 * drift1
    if not det > LEAST_INFORMATION * total * total:
        return False
    # The level and drift fitted to both gradients and to the difference, in this order.
    of_level, of_drift = np.empty(3), np.empty(3)
    for c in range(3):
        of_level[c] = (drift2 * level[c] - drift1 * drift[c]) / det
        of_drift[c] = (total * drift[c] - drift1 * level[c]) / det
    p = products[0] - of_level[0] * level[0] - of_drift[0] * drift[0]
    q = products[1] - of_level[0] * level[1] - of_drift[0] * drift[1]
    r = products[2] - of_level[1] * level[1] - of_drift[1] * drift[1]
    if not _less_noise(p, q, r, total * gradient_noise2, LEAST_INFORMATION * total, information):
        return False
    v = products[3] - of_level[0] * level[2] - of_drift[0] * drift[2]
    w = products[4] - of_level[1] * level[2] - of_drift[1] * drift[2]
    p, q, r = information[0, 0], information[0, 1], information[1, 1]
    step[0], step[1] = (r * v - q * w) / (p * r - q * q), (p * w - q * v) / (p * r - q * q)
    step[2] = of_level[2] - of_level[0] * step[0] - of_level[1] * step[1]
    step[3] = of_drift[2] - of_drift[0] * step[0] - of_drift[1] * step[1]
    return True


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS)
def _weighted_sums(
    difference: Picture, along: Picture, across: Picture, weight: Picture, level: Array, drift: Array, products: Array
) -> float:  # pragma: no cover
    """Fill weighted sums over a window, and return that of the square of the drift term.

    `level` (4,): sums of both gradients, the difference and 1; `drift` (4,): of the same times the drift term;
    `products` (5,): of the gradients' products (00, 01, 11) and of each gradient times the difference.
    """
    n_s, n_l = difference.shape
    a_1, b_1, v_1, w_1, a_t, b_t, v_t, w_t = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    aa, ab, bb, av, bv, drift2 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for j in range(n_s):
        for i in range(n_l):
            at = _drift(i, n_l)
            w, a, b, v = float(weight[j, i]), float(along[j, i]), float(across[j, i]), float(difference[j, i])
            wa, wb, wv = w * a, w * b, w * v
            a_1, b_1, v_1, w_1 = a_1 + wa, b_1 + wb, v_1 + wv, w_1 + w
            a_t, b_t, v_t, w_t = a_t + at * wa, b_t + at * wb, v_t + at * wv, w_t + at * w
            aa, ab, bb, av, bv = aa + wa * a, ab + wa * b, bb + wb * b, av + wa * v, bv + wb * v
            drift2 += at * at * w
    level[0], level[1], level[2], level[3] = a_1, b_1, v_1, w_1
    drift[0], drift[1], drift[2], drift[3] = a_t, b_t, v_t, w_t
    products[0], products[1], products[2], products[3], products[4] = aa, ab, bb, av, bv
    return drift2


@njit(cache=True, nogil=True)
def _less_noise(p: float, q: float, r: float, noise: float, least: float, out: Array) -> bool:  # pragma: no cover
    """Fill the information p, q, r (entries 00, 01, 11) minus `noise`, what the gradients of noise add to its
    eigenvalues.

    LEAST_KEPT of each eigenvalue remains at least. Returns whether both are larger than `least`.
    """
    middle, half = (p + r) / 2, np.sqrt(((p - r) / 2) ** 2 + q * q)
    high, low = middle + half, middle - half
    new_high = max(high - noise, LEAST_KEPT * high)
    new_low = max(low - noise, LEAST_KEPT * low)
    middle, new_half = (new_high + new_low) / 2, (new_high - new_low) / 2
    c, s = ((p - r) / 2 / half, q / half) if half > 0 else (1.0, 0.0)
    out[0, 0], out[1, 1] = middle + new_half * c, middle - new_half * c
    out[0, 1] = out[1, 0] = new_half * s
    return bool(new_low > least and np.isfinite(new_high))


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_residual(step: Array, out: Compared) -> None:  # pragma: no cover
    """Fill the residual of the difference after a step (4,) of the fit."""
    n_s, n_l = out.difference.shape
    first, second = np.float32(step[0]), np.float32(step[1])
    for j in range(n_s):
        for i in range(n_l):
            level = np.float32(step[2] + step[3] * _drift(i, n_l))
            out.residual[j, i] = out.difference[j, i] - first * out.along[j, i] - second * out.across[j, i] - level


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_weight(out: Compared) -> None:  # pragma: no cover
    """Fill weights that decrease beyond TRIM robust sigmas; 0 where a sample does not count."""
    limit = np.float32(TRIM * (robust_scatter(out.residual, out.good) + 1e-30))
    for j in range(out.weight.shape[0]):
        for i in range(out.weight.shape[1]):
            ratio = limit / max(abs(out.residual[j, i]), limit)
            out.weight[j, i] = out.good[j, i] * ratio * ratio


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS)
def robust_scatter(residual: Picture, good: Picture) -> float:  # pragma: no cover
    """1-sigma of the residuals of the samples that count, from the median of their absolute values."""
    (n_s, n_l), count = residual.shape, np.float32(0)
    sizes = np.empty(residual.size, np.float32)
    for j in range(n_s):
        for i in range(n_l):
            sizes[j * n_l + i] = abs(residual[j, i]) if good[j, i] > 0 else np.float32(np.inf)
            count += good[j, i]
    return float(middle_size(sizes, int(count)) / np.float32(MIDDLE_SIZE))
