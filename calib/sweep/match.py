"""One window of an overlap matched: the shift at which the right strip's smoothed picture shows what the left's does.

Gauss-Newton on the shift, with a level and a drift along the lines of the window's own. Compiled, for there are
thousands of windows and each is small.
"""

import numpy as np

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import select
from calib.sweep.smoothing import Picture

TURNS = 6
FLATTEST = 1e-12  # information on the shift a sample, beside that on the level: less says nothing
FARTHEST_PX = 4.0
LEAST_SIGNAL = 0.9
LEAST_SEEN = 0.5  # of a window's samples
LEAST_KEPT = 0.1  # of the information, whatever of it is noise
TRIM = 3.0
ROOM = 7  # pictures of a window's size that matching it takes


@njit(cache=True, nogil=True)
def match_window(
    left: Picture, seen_left: Picture, coefficients: Picture, signal: Picture, there: Array, offsets: Array,
    own_noise: float, settled_px: float, shift: Array, information: Array, room: Picture,
) -> bool:  # pragma: no cover  # fmt: skip
    """Match a window of the left picture, (n_l, n_s), with the right one, until a turn moves it by less than
    `settled_px`; whether there is a match.

    `there` (2, n_l, n_s) are the left samples' places in the right piece, `offsets` (n_s,) a column profile added to
    the left; `own_noise` is the noise's own part in a squared gradient. `shift` (2,) is where to begin and becomes the
    shift found, `information` (2, 2) that on it. `room` (ROOM, n_l, n_s) is filled with the right picture, which
    samples count, their weights, what is to be explained, what is left of it, and the gradients along both axes.
    """
    right, good, weight, wanted, residual, slope = room[0], room[1], room[2], room[3], room[4], room[5:]
    move, step = np.zeros(4), local_step(there)
    first_line, first_sample = shift[0], shift[1]
    for turn in range(TURNS):
        move_l = step[0, 0] * shift[0] + step[0, 1] * shift[1]
        move_s = step[1, 0] * shift[0] + step[1, 1] * shift[1]
        if _right_at(coefficients, signal, there, move_l, move_s, seen_left, right, good) < LEAST_SEEN * left.size:
            return False
        _compare(left, right, offsets, wanted, slope)
        if turn == 0:
            if not _solve(wanted, slope, good, own_noise, information, move):
                return False
            _left_over(wanted, slope, move, residual)
        _trimmed(residual, good, weight)
        if not _solve(wanted, slope, weight, own_noise, information, move):
            return False
        _left_over(wanted, slope, move, residual)
        shift[0] += min(max(move[0], -1.0), 1.0)
        shift[1] += min(max(move[1], -1.0), 1.0)
        if max(abs(shift[0] - first_line), abs(shift[1] - first_sample)) > FARTHEST_PX:
            return False
        if max(abs(move[0]), abs(move[1])) < settled_px:
            break
    return True


@njit(cache=True, nogil=True)
def local_step(there: Array) -> Array:  # pragma: no cover
    """Right-strip (line, sample) px per left-strip (line, sample) px over a window (2, n_l, n_s), (2, 2)."""
    step = np.empty((2, 2))
    for axis in range(2):
        p, q = there[axis, 0, 0], there[axis, 0, -1]
        r, s = there[axis, -1, 0], there[axis, -1, -1]
        step[axis, 0] = (r + s - p - q) / 2 / (there.shape[1] - 1)
        step[axis, 1] = (q + s - p - r) / 2 / (there.shape[2] - 1)
    return step


@njit(cache=True, nogil=True)
def _right_at(
    coefficients: Picture, signal: Picture, there: Array, move_l: float, move_s: float, seen_left: Picture,
    values: Picture, good: Picture,
) -> int:  # pragma: no cover  # fmt: skip
    """Fill the right picture (a cubic spline by its `coefficients`) at places (2, n_l, n_s) moved on, and 1 for samples
    that both pictures show, 0 for others; their number. Beyond the piece's edge the picture goes on as at the edge,
    and there is no signal."""
    n_l, n_s = coefficients.shape
    one, count = np.float32(1), 0
    for i in range(values.shape[0]):
        for j in range(values.shape[1]):
            line, sample = there[0, i, j] + move_l, there[1, i, j] + move_s
            inside = 0.0 <= line <= n_l - 1 and 0.0 <= sample <= n_s - 1
            line, sample = min(max(line, 0.0), n_l - 1.0), min(max(sample, 0.0), n_s - 1.0)
            low_l, low_s = min(int(line), n_l - 2), min(int(sample), n_s - 2)
            t, u = np.float32(line - low_l), np.float32(sample - low_s)
            above = (one - u) * signal[low_l, low_s] + u * signal[low_l, low_s + 1]
            below = (one - u) * signal[low_l + 1, low_s] + u * signal[low_l + 1, low_s + 1]
            seen = inside and (one - t) * above + t * below > LEAST_SIGNAL and seen_left[i, j] > LEAST_SIGNAL
            good[i, j] = one if seen else np.float32(0)
            count += int(seen)
            values[i, j] = _spline_at(coefficients, low_l, low_s, t, u)
    return count


@njit(cache=True, nogil=True)
def _spline_at(
    coefficients: Picture, line: int, sample: int, t: np.float32, u: np.float32
) -> np.float32:  # pragma: no cover
    """Value of a cubic spline the parts t, u of a step beyond a sample."""
    n_l, n_s = coefficients.shape
    a, b, c, d = _bspline(u)
    before, after = max(sample - 1, 0), min(sample + 2, n_s - 1)
    e, f, g, h = _bspline(t)
    up, down = max(line - 1, 0), min(line + 2, n_l - 1)
    p, q, r, s = coefficients[up], coefficients[line], coefficients[line + 1], coefficients[down]
    return (
        e * (a * p[before] + b * p[sample] + c * p[sample + 1] + d * p[after])
        + f * (a * q[before] + b * q[sample] + c * q[sample + 1] + d * q[after])
        + g * (a * r[before] + b * r[sample] + c * r[sample + 1] + d * r[after])
        + h * (a * s[before] + b * s[sample] + c * s[sample + 1] + d * s[after])
    )


@njit(cache=True, nogil=True)
def _bspline(t: np.float32) -> tuple[np.float32, np.float32, np.float32, np.float32]:  # pragma: no cover
    """The four cubic B-spline weights at t between two knots."""
    one, sixth = np.float32(1), np.float32(1 / 6)
    s = one - t
    first, last = s * s * s * sixth, t * t * t * sixth
    second = (np.float32(4) + t * t * (np.float32(3) * t - np.float32(6))) * sixth
    return first, second, one - first - second - last, last


@njit(cache=True, nogil=True)
def _compare(
    left: Picture, right: Picture, offsets: Array, wanted: Picture, slope: Picture
) -> None:  # pragma: no cover
    """Fill what is to be explained, left plus its profile less right, and the gradients (2, n_l, n_s) of their mean:
    central differences, one-sided at the edges."""
    n_l, n_s = left.shape
    half = np.float32(0.5)
    for i in range(n_l):
        up, down = max(i - 1, 0), min(i + 1, n_l - 1)
        along = half / np.float32(down - up)
        for j in range(n_s):
            before, after = max(j - 1, 0), min(j + 1, n_s - 1)
            across = half / np.float32(after - before)
            wanted[i, j] = left[i, j] + np.float32(offsets[j]) - right[i, j]
            slope[0, i, j] = (left[down, j] + right[down, j] - left[up, j] - right[up, j]) * along
            slope[1, i, j] = (left[i, after] + right[i, after] - left[i, before] - right[i, before]) * across


@njit(cache=True, nogil=True)
def _drift(line: int, n_lines: int) -> float:  # pragma: no cover
    """-1 .. 1 along the lines of a window."""
    return 2 * line / (n_lines - 1) - 1


@njit(cache=True, nogil=True)
def _solve(
    wanted: Picture, slope: Picture, weight: Picture, own_noise: float, information: Array, move: Array
) -> bool:  # pragma: no cover
    """Fill the best shift, level and drift, `move` (4,), and the information (2, 2) on the shift, level and drift
    unknown; False where there is nothing of it along some axis."""
    level, drift, products = np.zeros(4), np.zeros(4), np.zeros(5)
    twice = _sums(wanted, slope, weight, level, drift, products)
    total, once = level[3], drift[3]
    det = total * twice - once * once
    if not det > FLATTEST * total * total:
        return False
    # what level and drift explain of both gradients and of the wanted, in this order
    of_level, of_drift = np.empty(3), np.empty(3)
    for c in range(3):
        of_level[c] = (twice * level[c] - once * drift[c]) / det
        of_drift[c] = (total * drift[c] - once * level[c]) / det
    p = products[0] - of_level[0] * level[0] - of_drift[0] * drift[0]
    q = products[1] - of_level[0] * level[1] - of_drift[0] * drift[1]
    r = products[2] - of_level[1] * level[1] - of_drift[1] * drift[1]
    if not _without_noise(p, q, r, total, own_noise, information):
        return False
    v = products[3] - of_level[0] * level[2] - of_drift[0] * drift[2]
    w = products[4] - of_level[1] * level[2] - of_drift[1] * drift[2]
    p, q, r = information[0, 0], information[0, 1], information[1, 1]
    move[0], move[1] = (r * v - q * w) / (p * r - q * q), (p * w - q * v) / (p * r - q * q)
    move[2] = of_level[2] - of_level[0] * move[0] - of_level[1] * move[1]
    move[3] = of_drift[2] - of_drift[0] * move[0] - of_drift[1] * move[1]
    return True


@njit(cache=True, nogil=True)
def _sums(
    wanted: Picture, slope: Picture, weight: Picture, level: Array, drift: Array, products: Array
) -> float:  # pragma: no cover
    """Add up, weighted, both gradients, the wanted and 1 over a window into `level` (4,), times the drift into `drift`
    (4,), products of the gradients (00, 01, 11) and of each with the wanted into `products` (5,); returns the drift's
    square's sum."""
    twice = 0.0
    for i in range(wanted.shape[0]):
        at = _drift(i, wanted.shape[0])
        row_a, row_b, row_v, row_w = 0.0, 0.0, 0.0, 0.0
        aa, ab, bb, av, bv = 0.0, 0.0, 0.0, 0.0, 0.0
        for j in range(wanted.shape[1]):
            w, a, b, v = weight[i, j], slope[0, i, j], slope[1, i, j], wanted[i, j]
            wa, wb = w * a, w * b
            row_w += w
            row_a += wa
            row_b += wb
            row_v += w * v
            aa += wa * a
            ab += wa * b
            bb += wb * b
            av += wa * v
            bv += wb * v
        for c, value in enumerate((aa, ab, bb, av, bv)):
            products[c] += value
        for c, value in enumerate((row_a, row_b, row_v, row_w)):
            level[c] += value
            drift[c] += at * value
        twice += at * at * row_w
    return twice


@njit(cache=True, nogil=True)
def _without_noise(
    p: float, q: float, r: float, total: float, own_noise: float, out: Array
) -> bool:  # pragma: no cover
    """Fill the information p, q, r (entries 00, 01, 11) less what the noise's own gradients add to its diagonal,
    leaving a part of it at least; False where it says nothing of the shift along some axis."""
    middle, half = (p + r) / 2, np.sqrt(((p - r) / 2) ** 2 + q * q)
    high, low = middle + half, middle - half
    new_high = max(high - total * own_noise, LEAST_KEPT * high)
    new_low = max(low - total * own_noise, LEAST_KEPT * low)
    middle, new_half = (new_high + new_low) / 2, (new_high - new_low) / 2
    c, s = ((p - r) / 2 / half, q / half) if half > 0 else (1.0, 0.0)
    out[0, 0], out[1, 1] = middle + new_half * c, middle - new_half * c
    out[0, 1] = out[1, 0] = new_half * s
    return bool(new_low > FLATTEST * total and np.isfinite(new_high))


@njit(cache=True, nogil=True)
def _left_over(wanted: Picture, slope: Picture, move: Array, residual: Picture) -> None:  # pragma: no cover
    """Fill what a move leaves to be explained."""
    n_l, n_s = wanted.shape
    along, across = np.float32(move[0]), np.float32(move[1])
    for i in range(n_l):
        level = np.float32(move[2] + move[3] * _drift(i, n_l))
        for j in range(n_s):
            residual[i, j] = wanted[i, j] - along * slope[0, i, j] - across * slope[1, i, j] - level


@njit(cache=True, nogil=True)
def _trimmed(residual: Picture, good: Picture, weight: Picture) -> None:  # pragma: no cover
    """Fill weights that fall off beyond TRIM robust sigmas, 0 where a sample does not count."""
    limit = np.float32(TRIM * (robust_scatter(residual, good) + 1e-30))
    for i in range(residual.shape[0]):
        for j in range(residual.shape[1]):
            size = abs(residual[i, j])
            ratio = limit / size if size > limit else np.float32(1)
            weight[i, j] = good[i, j] * ratio * ratio


@njit(cache=True, nogil=True)
def robust_scatter(residual: Picture, good: Picture) -> float:  # pragma: no cover
    """1-sigma of the residuals of the samples that count, from their middle ones."""
    size = np.empty(residual.size, residual.dtype)
    n = 0
    for i in range(residual.shape[0]):
        for j in range(residual.shape[1]):
            if good[i, j] > 0:
                size[n] = abs(residual[i, j])
                n += 1
    return float(select(size, n, n // 2) / np.float32(0.6745))
