"""One window of an overlap matched: the shift at which the right strip's smoothed picture shows what the left's does.

Gauss-Newton on the shift, with a level and a drift along the lines of the window's own. Compiled, for there are
thousands of windows and each is small.
"""

import numpy as np

from calib.compiled import njit
from calib.coordinates import Array

TURNS = 6
FLATTEST = 1e-12  # of the normal matrix, beside its other parts: less says nothing of the shift
FARTHEST_PX = 4.0
LEAST_SIGNAL = 0.9
LEAST_SEEN = 0.5  # of a window's samples
TRIM = 3.0
SETTLED_PX = 1e-3


@njit(cache=True)
def _right_at(
    coefficients: Array, signal: Array, there: Array, move: Array, values: Array, seen: Array
) -> None:  # pragma: no cover
    """Fill the right picture (a cubic spline by its `coefficients`) and its signal at places (2, n_l, n_s) moved on.
    Beyond the piece's edge the picture goes on as at the edge, and there is no signal."""
    n_l, n_s = coefficients.shape
    weight_l, weight_s = np.empty(4), np.empty(4)
    for i in range(values.shape[0]):
        for j in range(values.shape[1]):
            line, sample = there[0, i, j] + move[0], there[1, i, j] + move[1]
            inside = 0.0 <= line <= n_l - 1 and 0.0 <= sample <= n_s - 1
            line, sample = min(max(line, 0.0), n_l - 1.0), min(max(sample, 0.0), n_s - 1.0)
            low_l, low_s = min(int(line), n_l - 2), min(int(sample), n_s - 2)
            t, u = line - low_l, sample - low_s
            above = (1 - u) * signal[low_l, low_s] + u * signal[low_l, low_s + 1]
            below = (1 - u) * signal[low_l + 1, low_s] + u * signal[low_l + 1, low_s + 1]
            seen[i, j] = (1 - t) * above + t * below if inside else 0.0
            _bspline(t, weight_l)
            _bspline(u, weight_s)
            total = 0.0
            for a in range(4):
                row = min(max(low_l + a - 1, 0), n_l - 1)
                for b in range(4):
                    column = min(max(low_s + b - 1, 0), n_s - 1)
                    total += weight_l[a] * weight_s[b] * coefficients[row, column]
            values[i, j] = total


@njit(cache=True)
def _bspline(t: float, weight: Array) -> None:  # pragma: no cover
    """Fill the four cubic B-spline weights at t between two knots."""
    weight[0] = (1 - t) ** 3 / 6
    weight[1] = (4 - 6 * t**2 + 3 * t**3) / 6
    weight[3] = t**3 / 6
    weight[2] = 1 - weight[0] - weight[1] - weight[3]


@njit(cache=True)
def _slopes(mean: Array, out: Array) -> None:  # pragma: no cover
    """Fill the gradients (2, n_l, n_s) by central differences, one-sided at the edges."""
    n_l, n_s = mean.shape
    for i in range(n_l):
        up, down = max(i - 1, 0), min(i + 1, n_l - 1)
        for j in range(n_s):
            left, right = max(j - 1, 0), min(j + 1, n_s - 1)
            out[0, i, j] = (mean[down, j] - mean[up, j]) / (down - up)
            out[1, i, j] = (mean[i, right] - mean[i, left]) / (right - left)


@njit(cache=True)
def _without_noise(normal: Array, own: float) -> bool:  # pragma: no cover
    """Take off the shift's part of a normal matrix what the noise's own gradients add, `own` on the diagonal, leaving a
    tenth of it at least; False where it says nothing of the shift along some axis."""
    p, q, r = normal[0, 0], normal[0, 1], normal[1, 1]
    middle, half = (p + r) / 2, np.sqrt(((p - r) / 2) ** 2 + q * q)
    high, low = middle + half, middle - half
    new_high, new_low = max(high - own, 0.1 * high), max(low - own, 0.1 * low)
    if half > 0:
        c, s = (p - r) / 2 / half, q / half
        middle, half = (new_high + new_low) / 2, (new_high - new_low) / 2
        normal[0, 0], normal[1, 1] = middle + half * c, middle - half * c
        normal[0, 1] = normal[1, 0] = half * s
    else:
        normal[0, 0] = normal[1, 1] = new_high
    trace = normal[0, 0] + normal[1, 1] + normal[2, 2] + normal[3, 3]
    return bool(np.isfinite(trace) and new_low > FLATTEST * trace)


@njit(cache=True)
def match_window(
    left: Array, seen_left: Array, coefficients: Array, signal: Array, there: Array, step: Array, offsets: Array,
    guess: Array, own_noise: float,
) -> tuple[bool, Array, Array, Array, Array, Array]:  # pragma: no cover  # fmt: skip
    """Match a window of the left picture, (n_l, n_s), with the right one.

    `there` (2, n_l, n_s) are the left samples' places in the right piece, `step` (2, 2) is what a left px makes there,
    `offsets` (n_s,) a column profile added to the left; `own_noise` the noise's own part in a squared gradient. Returns
    whether there is a match, the shift (2,), normal matrix (4, 4), gradients, residuals, and which samples count.
    """
    n_l, n_s = left.shape
    right, seen, slope = np.zeros((n_l, n_s)), np.zeros((n_l, n_s)), np.zeros((2, n_l, n_s))
    good, residual, weight = np.zeros((n_l, n_s)), np.zeros((n_l, n_s)), np.zeros((n_l, n_s))
    normal, vector = np.zeros((4, 4)), np.zeros(4)
    shift = guess.copy()
    failed = (False, shift, normal, slope, residual, good)
    for turn in range(TURNS):
        _right_at(coefficients, signal, there, step @ shift, right, seen)
        if _both_seen(seen_left, seen, good) < LEAST_SEEN * n_l * n_s:
            return failed
        if turn < 2:
            weight[:] = good
        else:
            _trimmed(residual, good, weight)
        _slopes((left + right) / 2, slope)
        residual[:] = left + offsets - right
        total = _accumulate(residual, slope, weight, normal, vector)
        if not _without_noise(normal, total * own_noise) or not np.linalg.cond(normal) < 1 / FLATTEST:
            return failed
        move = np.linalg.solve(normal + 1e-12 * np.trace(normal) * np.eye(4), vector)
        for i in range(n_l):
            residual[i] -= move[0] * slope[0, i] + move[1] * slope[1, i] + move[2] + move[3] * _drift(i, n_l)
        for a in range(2):
            shift[a] += min(max(move[a], -1.0), 1.0)
        if np.abs(shift - guess).max() > FARTHEST_PX:
            return failed
        if np.abs(move[:2]).max() < SETTLED_PX:
            break
    return True, shift, normal, slope, residual, good


@njit(cache=True)
def _both_seen(seen_left: Array, seen: Array, good: Array) -> int:  # pragma: no cover
    """Fill in 1 for samples that both pictures show, 0 for others; their number."""
    count = 0
    for i in range(good.shape[0]):
        for j in range(good.shape[1]):
            both = seen_left[i, j] > LEAST_SIGNAL and seen[i, j] > LEAST_SIGNAL
            good[i, j] = 1.0 if both else 0.0
            count += int(both)
    return count


@njit(cache=True)
def _drift(line: int, n_lines: int) -> float:  # pragma: no cover
    """-1 .. 1 along the lines of a window."""
    return 2 * line / (n_lines - 1) - 1


@njit(cache=True)
def _accumulate(wanted: Array, slope: Array, weight: Array, normal: Array, vector: Array) -> float:  # pragma: no cover
    """Fill normal matrix and right side for shift, level and drift; the sum of weights."""
    normal[:] = 0.0
    vector[:] = 0.0
    row, total = np.ones(4), 0.0
    for i in range(wanted.shape[0]):
        row[3] = _drift(i, wanted.shape[0])
        for j in range(wanted.shape[1]):
            w = weight[i, j]
            if w == 0.0:
                continue
            total += w
            row[0], row[1] = slope[0, i, j], slope[1, i, j]
            for a in range(4):
                vector[a] += w * row[a] * wanted[i, j]
                for b in range(4):
                    normal[a, b] += w * row[a] * row[b]
    return total


@njit(cache=True)
def _trimmed(residual: Array, good: Array, weight: Array) -> None:  # pragma: no cover
    """Fill weights that fall off beyond TRIM robust sigmas, 0 where a sample does not count."""
    limit = TRIM * (robust_scatter(residual, good) + 1e-30)
    for i in range(residual.shape[0]):
        for j in range(residual.shape[1]):
            ratio = limit / max(abs(residual[i, j]), 1e-30)
            weight[i, j] = good[i, j] * min(1.0, ratio * ratio)


@njit(cache=True)
def robust_scatter(residual: Array, good: Array) -> float:  # pragma: no cover
    """1-sigma of the residuals of the samples that count, from their middle ones."""
    size = np.empty(residual.size)
    n = 0
    for i in range(residual.shape[0]):
        for j in range(residual.shape[1]):
            if good[i, j] > 0:
                size[n] = abs(residual[i, j])
                n += 1
    return float(np.median(size[:n]) / 0.6745)


@njit(cache=True)
def smoothed_products(slope: Array, good: Array, kernel: Array) -> Array:  # pragma: no cover
    """Sums (2, 2) of products of the gradients smoothed by a symmetric kernel along both axes, nothing beyond edges."""
    _, n_l, n_s = slope.shape
    half = kernel.size // 2
    blurred, once = np.zeros((2, n_l, n_s)), np.zeros((n_l, n_s))
    for part in range(2):
        for i in range(n_l):
            for j in range(n_s):
                total = 0.0
                for k in range(max(-half, -j), min(half, n_s - 1 - j) + 1):
                    total += kernel[k + half] * slope[part, i, j + k] * good[i, j + k]
                once[i, j] = total
        for i in range(n_l):
            for j in range(n_s):
                total = 0.0
                for k in range(max(-half, -i), min(half, n_l - 1 - i) + 1):
                    total += kernel[k + half] * once[i + k, j]
                blurred[part, i, j] = total
    out = np.zeros((2, 2))
    for a in range(2):
        for b in range(2):
            out[a, b] = np.sum(blurred[a] * blurred[b])
    return out
