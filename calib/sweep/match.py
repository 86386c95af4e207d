"""One window of an overlap matched: the shift at which the right strip's smoothed picture shows what the left's does.

Gauss-Newton on the shift, with a level and a drift along the lines of the window's own. Compiled, for there are
thousands of windows and each is small; their pictures lie sample by sample, for a window has more lines than samples.
"""

from typing import NamedTuple

import numpy as np

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import MIDDLE_SIZE, middle_size
from calib.sweep.moved import picture_at
from calib.sweep.scene import SUMS
from calib.sweep.smoothing import Picture

TURNS = 6
FLATTEST = 1e-12  # information on the shift a sample, beside that on the level: less says nothing
FARTHEST_PX = 4.0
LEAST_SEEN = 0.5  # of a window's samples
LEAST_KEPT = 0.1  # of the information, whatever of it is noise
TRIM = 3.0
ROOM = 7  # pictures of a window's size that matching it takes


class Window(NamedTuple):
    """A window of the left picture, (n_s, n_l) each, and its share of signal; the places of its samples in the right
    piece; what is to be added to each sample (n_s,)."""

    left: Picture
    seen: Picture
    lines: Array
    samples: Array
    offsets: Array


class Compared(NamedTuple):
    """A window compared, (n_s, n_l) each: the right picture moved, which samples count, their weights, what is to be
    explained, what is left of it, the gradients of both pictures' mean along the lines' direction and the samples'."""

    right: Picture
    good: Picture
    weight: Picture
    wanted: Picture
    residual: Picture
    along: Picture
    across: Picture


@njit(cache=True, nogil=True, error_model="numpy")
def match_window(
    window: Window, coefficients: Picture, signal: Picture, own_noise: float, settled_px: float, shift: Array,
    information: Array, out: Compared,
) -> bool:  # pragma: no cover  # fmt: skip
    """Match a window with the right picture (its spline's `coefficients` and share of signal), until a turn moves it by
    less than `settled_px`; whether there is a match.

    `own_noise` is the noise's own part in a squared gradient. `shift` (2,) is where to begin and becomes the shift
    found, `information` (2, 2) that on it.
    """
    move, step = np.zeros(4), local_step(window.lines, window.samples)
    first_line, first_sample = shift[0], shift[1]
    for turn in range(TURNS):
        there = step[0, 0] * shift[0] + step[0, 1] * shift[1], step[1, 0] * shift[0] + step[1, 1] * shift[1]
        count = picture_at(coefficients, signal, window.lines, window.samples, there, window.seen, out.right, out.good)
        if count < LEAST_SEEN * out.good.size:
            return False
        _compare(window.left, window.offsets, out)
        if turn == 0:
            if not _solve(out, out.good, own_noise, information, move):
                return False
            _left_over(move, out)
        _trim(out)
        if not _solve(out, out.weight, own_noise, information, move):
            return False
        _left_over(move, out)
        shift[0] += min(max(move[0], -1.0), 1.0)
        shift[1] += min(max(move[1], -1.0), 1.0)
        if max(abs(shift[0] - first_line), abs(shift[1] - first_sample)) > FARTHEST_PX:
            return False
        if max(abs(move[0]), abs(move[1])) < settled_px:
            break
    return True


@njit(cache=True, nogil=True)
def local_step(lines: Array, samples: Array) -> Array:  # pragma: no cover
    """Right-strip (line, sample) px per left-strip (line, sample) px over a window whose samples lie at `lines` and
    `samples` (n_s, n_l) of the right strip, (2, 2)."""
    step = np.empty((2, 2))
    for axis, places in enumerate((lines, samples)):
        p, q, r, s = places[0, 0], places[-1, 0], places[0, -1], places[-1, -1]
        step[axis, 0] = (r + s - p - q) / 2 / (places.shape[1] - 1)
        step[axis, 1] = (q + s - p - r) / 2 / (places.shape[0] - 1)
    return step


@njit(cache=True, nogil=True, error_model="numpy")
def _compare(left: Picture, offsets: Array, out: Compared) -> None:  # pragma: no cover
    """Fill what is to be explained, left plus its profile less right, and the gradients of their mean: central
    differences, one-sided at the edges."""
    n_s, n_l = left.shape
    half, quarter, last = np.float32(0.5), np.float32(0.25), n_l - 1
    for j in range(n_s):
        before, after = max(j - 1, 0), min(j + 1, n_s - 1)
        step, offset = half / np.float32(after - before), np.float32(offsets[j])
        here, there, along = left[j], out.right[j], out.along[j]
        for i in range(n_l):
            out.wanted[j, i] = here[i] + offset - there[i]
        for i in range(n_l):
            both = left[after, i] + out.right[after, i] - left[before, i] - out.right[before, i]
            out.across[j, i] = both * step
        for i in range(1, last):
            along[i] = (here[i + 1] + there[i + 1] - here[i - 1] - there[i - 1]) * quarter
        along[0] = (here[1] + there[1] - here[0] - there[0]) * half
        along[last] = (here[last] + there[last] - here[last - 1] - there[last - 1]) * half


@njit(cache=True, nogil=True)
def _drift(line: int, n_lines: int) -> float:  # pragma: no cover
    """-1 .. 1 along the lines of a window."""
    return 2 * line / (n_lines - 1) - 1


@njit(cache=True, nogil=True)
def _solve(
    out: Compared, weight: Picture, own_noise: float, information: Array, move: Array
) -> bool:  # pragma: no cover
    """Fill the best shift, level and drift, `move` (4,), and the information (2, 2) on the shift, level and drift
    unknown; False where there is nothing of it along some axis."""
    level, drift, products = np.zeros(4), np.zeros(4), np.zeros(5)
    twice = _sums(out.wanted, out.along, out.across, weight, level, drift, products)
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


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS)
def _sums(
    wanted: Picture, along: Picture, across: Picture, weight: Picture, level: Array, drift: Array, products: Array
) -> float:  # pragma: no cover
    """Add up, weighted, both gradients, the wanted and 1 over a window into `level` (4,), times the drift into `drift`
    (4,), products of the gradients (00, 01, 11) and of each with the wanted into `products` (5,); returns the drift's
    square's sum."""
    n_s, n_l = wanted.shape
    a_1, b_1, v_1, w_1, a_t, b_t, v_t, w_t = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    aa, ab, bb, av, bv, twice = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for j in range(n_s):
        for i in range(n_l):
            at = _drift(i, n_l)
            w, a, b, v = float(weight[j, i]), float(along[j, i]), float(across[j, i]), float(wanted[j, i])
            wa, wb, wv = w * a, w * b, w * v
            a_1, b_1, v_1, w_1 = a_1 + wa, b_1 + wb, v_1 + wv, w_1 + w
            a_t, b_t, v_t, w_t = a_t + at * wa, b_t + at * wb, v_t + at * wv, w_t + at * w
            aa, ab, bb, av, bv = aa + wa * a, ab + wa * b, bb + wb * b, av + wa * v, bv + wb * v
            twice += at * at * w
    level[0], level[1], level[2], level[3] = a_1, b_1, v_1, w_1
    drift[0], drift[1], drift[2], drift[3] = a_t, b_t, v_t, w_t
    products[0], products[1], products[2], products[3], products[4] = aa, ab, bb, av, bv
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


@njit(cache=True, nogil=True, error_model="numpy")
def _left_over(move: Array, out: Compared) -> None:  # pragma: no cover
    """Fill what a move leaves to be explained."""
    n_s, n_l = out.wanted.shape
    first, second = np.float32(move[0]), np.float32(move[1])
    for j in range(n_s):
        for i in range(n_l):
            level = np.float32(move[2] + move[3] * _drift(i, n_l))
            out.residual[j, i] = out.wanted[j, i] - first * out.along[j, i] - second * out.across[j, i] - level


@njit(cache=True, nogil=True, error_model="numpy")
def _trim(out: Compared) -> None:  # pragma: no cover
    """Fill weights that fall off beyond TRIM robust sigmas, 0 where a sample does not count."""
    limit = np.float32(TRIM * (robust_scatter(out.residual, out.good) + 1e-30))
    for j in range(out.weight.shape[0]):
        for i in range(out.weight.shape[1]):
            ratio = limit / max(abs(out.residual[j, i]), limit)
            out.weight[j, i] = out.good[j, i] * ratio * ratio


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS)
def robust_scatter(residual: Picture, good: Picture) -> float:  # pragma: no cover
    """1-sigma of the residuals of the samples that count, from the middle one by size."""
    (n_s, n_l), count = residual.shape, np.float32(0)
    sizes = np.empty(residual.size, np.float32)
    for j in range(n_s):
        for i in range(n_l):
            sizes[j * n_l + i] = abs(residual[j, i]) if good[j, i] > 0 else np.float32(np.inf)
            count += good[j, i]
    return float(middle_size(sizes, int(count)) / np.float32(MIDDLE_SIZE))
