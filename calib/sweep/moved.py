"""One strip's smoothed picture at places in it, as its neighbour's samples have them, moved on: compiled.

Pictures lie sample by sample: along a column of a window the places go from line to line of this picture too, so that
whole runs of them are looked up side by side.
"""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.sweep.smoothing import Picture

LEAST_SIGNAL = np.float32(0.9)
Four = tuple[np.float32, np.float32, np.float32, np.float32]


@njit(cache=True, nogil=True, error_model="numpy")
def picture_at(
    coefficients: Picture, signal: Picture, lines: Array, samples: Array, move: tuple[float, float],
    seen_there: Picture, values: Picture, good: Picture,
) -> int:  # pragma: no cover  # fmt: skip
    """Fill the picture (a cubic spline by its `coefficients`, (m_s, m_l)) at places (n_s, n_l) moved on by (line,
    sample), and 1 for places that show something in it and in `seen_there`, 0 for others; their number.

    Beyond its edge the picture goes on as at the edge, and there is no signal.
    """
    (m_s, m_l), (n_s, n_l) = coefficients.shape, values.shape
    line, sample = np.empty(n_l, np.int64), np.empty(n_l, np.int64)
    t, u, count = np.empty(n_l, np.float32), np.empty(n_l, np.float32), np.float32(0)
    for j in range(n_s):
        _steps(lines[j], move[0], m_l, line, t)
        _steps(samples[j], move[1], m_s, sample, u)
        stop = 0
        while stop < n_l:
            start, stop = stop, _end_of_run(line, sample, stop)
            if 1 <= line[start] < m_l - 1 - (stop - start) and 1 <= sample[start] < m_s - 2:
                _run_at(coefficients, line[start], sample[start], t[start:stop], u[start:stop], values[j, start:stop])
                _run_seen(signal, line[start], sample[start], t[start:stop], u[start:stop], good[j, start:stop])
            else:
                for i in range(start, stop):
                    values[j, i] = _value_at(coefficients, line[i], sample[i], t[i], u[i])
                    inside = 0.0 <= lines[j, i] + move[0] <= m_l - 1 and 0.0 <= samples[j, i] + move[1] <= m_s - 1
                    good[j, i] = _share_at(signal, line[i], sample[i], t[i], u[i]) if inside else np.float32(0)
        for i in range(n_l):
            both = (good[j, i] > LEAST_SIGNAL) & (seen_there[j, i] > LEAST_SIGNAL)
            good[j, i] = np.float32(1) if both else np.float32(0)
            count += good[j, i]
    return int(count)


@njit(cache=True, nogil=True, error_model="numpy")
def _steps(places: Array, move: float, size: int, low: NDArray[np.int64], part: Picture) -> None:  # pragma: no cover
    """Fill along one axis the step of a picture of some size in which each place moved on lies, or the nearest, and the
    part of the step up to there."""
    for i in range(places.size):
        place = min(max(places[i] + move, 0.0), size - 1.0)
        low[i] = min(int(place), size - 2)
        part[i] = place - low[i]


@njit(cache=True, nogil=True)
def _end_of_run(line: NDArray[np.int64], sample: NDArray[np.int64], start: int) -> int:  # pragma: no cover
    """Where places stop to lie in steps of lines that follow each other and in one step of samples."""
    stop = start + 1
    while stop < line.size and line[stop] - stop == line[start] - start and sample[stop] == sample[start]:
        stop += 1
    return stop


@njit(cache=True, nogil=True, error_model="numpy")
def _run_at(
    coefficients: Picture, line: int, sample: int, t: Picture, u: Picture, values: Picture
) -> None:  # pragma: no cover
    """Fill values at the parts t, u of a step of lines and samples, that of the lines going on from `line`."""
    first, end = line - 1, line + values.size + 2
    p, q = coefficients[sample - 1, first:end], coefficients[sample, first:end]
    r, s = coefficients[sample + 1, first:end], coefficients[sample + 2, first:end]
    for i in range(values.size):
        a, b, c, d = _bspline(u[i])
        e, f, g, h = _bspline(t[i])
        values[i] = (
            e * (a * p[i] + b * q[i] + c * r[i] + d * s[i])
            + f * (a * p[i + 1] + b * q[i + 1] + c * r[i + 1] + d * s[i + 1])
            + g * (a * p[i + 2] + b * q[i + 2] + c * r[i + 2] + d * s[i + 2])
            + h * (a * p[i + 3] + b * q[i + 3] + c * r[i + 3] + d * s[i + 3])
        )


@njit(cache=True, nogil=True)
def _run_seen(
    signal: Picture, line: int, sample: int, t: Picture, u: Picture, share: Picture
) -> None:  # pragma: no cover
    """Fill the shares of signal there, linear between samples."""
    here, after = signal[sample, line : line + share.size + 1], signal[sample + 1, line : line + share.size + 1]
    for i in range(share.size):
        share[i] = _between((here[i], here[i + 1], after[i], after[i + 1]), t[i], u[i])


@njit(cache=True, nogil=True)
def _share_at(signal: Picture, line: int, sample: int, t: np.float32, u: np.float32) -> np.float32:  # pragma: no cover
    """The share of signal at the parts t, u of any step."""
    here, after = signal[sample], signal[sample + 1]
    return _between((here[line], here[line + 1], after[line], after[line + 1]), t, u)


@njit(cache=True, nogil=True)
def _between(corners: Four, t: np.float32, u: np.float32) -> np.float32:  # pragma: no cover
    """Linear between a sample, the next line's, the next sample and the next line's."""
    here, below, after, last = corners
    one = np.float32(1)
    return (one - t) * ((one - u) * here + u * after) + t * ((one - u) * below + u * last)


@njit(cache=True, nogil=True)
def _value_at(
    coefficients: Picture, line: int, sample: int, t: np.float32, u: np.float32
) -> np.float32:  # pragma: no cover
    """The value at the parts t, u of any step, also at the picture's edge."""
    (n_s, n_l), total = coefficients.shape, np.float32(0)
    weights = _bspline(u)
    for k, down in enumerate(_bspline(t)):
        at, across = min(max(line + k - 1, 0), n_l - 1), np.float32(0)
        for m, weight in enumerate(weights):
            across += weight * coefficients[min(max(sample + m - 1, 0), n_s - 1), at]
        total += down * across
    return total


@njit(cache=True, nogil=True)
def _bspline(t: np.float32) -> Four:  # pragma: no cover
    """The four cubic B-spline weights at t between two knots."""
    one, sixth = np.float32(1), np.float32(1 / 6)
    s = one - t
    first, last = s * s * s * sixth, t * t * t * sixth
    second = (np.float32(4) + t * t * (np.float32(3) * t - np.float32(6))) * sixth
    return first, second, one - first - second - last, last
