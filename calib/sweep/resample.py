"""Interpolates one strip's smoothed picture at the places of its neighbour's samples, with an offset: compiled.

Lines are the fast axis of pictures, (samples, lines). Along a column of a window the places usually advance line by
line in this picture too, so whole runs of them are interpolated in one loop that the compiler can vectorise.
"""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.sweep.smoothing import Picture

LEAST_SIGNAL = np.float32(0.9)  # share of signal of a place that counts
Four = tuple[np.float32, np.float32, np.float32, np.float32]


@njit(cache=True, nogil=True, error_model="numpy")
def picture_at(
    coefficients: Picture, signal: Picture, lines: Array, samples: Array, offset: tuple[float, float],
    other_signal: Picture, values: Picture, good: Picture,
) -> int:  # pragma: no cover  # fmt: skip
    """Interpolate a picture at places (n_s, n_l) plus an `offset` (line, sample), and return the number of good ones.

    The picture is a cubic spline with `coefficients` (m_s, m_l); beyond its edge it is constant, without signal. Fills
    `values`, and `good` with 1 for places with signal both here and in `other_signal`, the neighbour's, else 0.
    """
    (m_s, m_l), (n_s, n_l) = coefficients.shape, values.shape
    line, sample = np.empty(n_l, np.int64), np.empty(n_l, np.int64)
    t, u, count = np.empty(n_l, np.float32), np.empty(n_l, np.float32), np.float32(0)
    for j in range(n_s):
        _cells(lines[j], offset[0], m_l, line, t)
        _cells(samples[j], offset[1], m_s, sample, u)
        stop = 0
        while stop < n_l:
            start, stop = stop, _end_of_run(line, sample, stop)
            if 1 <= line[start] < m_l - 1 - (stop - start) and 1 <= sample[start] < m_s - 2:
                _value_run(
                    coefficients, line[start], sample[start], t[start:stop], u[start:stop], values[j, start:stop]
                )
                _signal_run(signal, line[start], sample[start], t[start:stop], u[start:stop], good[j, start:stop])
            else:
                for i in range(start, stop):
                    values[j, i] = _value_at(coefficients, line[i], sample[i], t[i], u[i])
                    inside = 0.0 <= lines[j, i] + offset[0] <= m_l - 1 and 0.0 <= samples[j, i] + offset[1] <= m_s - 1
                    good[j, i] = _signal_at(signal, line[i], sample[i], t[i], u[i]) if inside else np.float32(0)
        for i in range(n_l):
            both = (good[j, i] > LEAST_SIGNAL) & (other_signal[j, i] > LEAST_SIGNAL)
            good[j, i] = np.float32(1) if both else np.float32(0)
            count += good[j, i]
    return int(count)


@njit(cache=True, nogil=True, error_model="numpy")
def _cells(
    places: Array, offset: float, size: int, low: NDArray[np.int64], fraction: Picture
) -> None:  # pragma: no cover
    """Fill for places plus an offset along one axis of `size` samples the index `low` of the sample before, and the
    `fraction` of the step from it; places outside are moved to the edge."""
    for i in range(places.size):
        place = min(max(places[i] + offset, 0.0), size - 1.0)
        low[i] = min(int(place), size - 2)
        fraction[i] = place - low[i]


@njit(cache=True, nogil=True)
def _end_of_run(line: NDArray[np.int64], sample: NDArray[np.int64], start: int) -> int:  # pragma: no cover
    """The end of the run of places from `start` on that lie in consecutive lines and between the same samples."""
    stop = start + 1
    while stop < line.size and line[stop] - stop == line[start] - start and sample[stop] == sample[start]:
        stop += 1
    return stop


@njit(cache=True, nogil=True, error_model="numpy")
def _value_run(
    coefficients: Picture, line: int, sample: int, t: Picture, u: Picture, values: Picture
) -> None:  # pragma: no cover
    """Fill the values of a run in consecutive lines from `line` on; t, u are the fractions along lines and samples."""
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
def _signal_run(
    signal: Picture, line: int, sample: int, t: Picture, u: Picture, share: Picture
) -> None:  # pragma: no cover
    """Fill the shares of signal of a run, interpolated linearly."""
    here, after = signal[sample, line : line + share.size + 1], signal[sample + 1, line : line + share.size + 1]
    for i in range(share.size):
        share[i] = _bilinear((here[i], here[i + 1], after[i], after[i + 1]), t[i], u[i])


@njit(cache=True, nogil=True)
def _signal_at(signal: Picture, line: int, sample: int, t: np.float32, u: np.float32) -> np.float32:  # pragma: no cover
    """The share of signal at the fractions t, u between lines and samples."""
    here, after = signal[sample], signal[sample + 1]
    return _bilinear((here[line], here[line + 1], after[line], after[line + 1]), t, u)


@njit(cache=True, nogil=True)
def _bilinear(corners: Four, t: np.float32, u: np.float32) -> np.float32:  # pragma: no cover
    """Bilinear interpolation between the corners (0, 0), (1, 0), (0, 1), (1, 1) of (line, sample)."""
    here, below, after, last = corners
    one = np.float32(1)
    return (one - t) * ((one - u) * here + u * after) + t * ((one - u) * below + u * last)


@njit(cache=True, nogil=True)
def _value_at(
    coefficients: Picture, line: int, sample: int, t: np.float32, u: np.float32
) -> np.float32:  # pragma: no cover
    """The value at the fractions t, u between lines and samples, also at the picture's edge."""
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
    """The four cubic B-spline weights at the fraction t between two knots."""
    one, sixth = np.float32(1), np.float32(1 / 6)
    s = one - t
    first, last = s * s * s * sixth, t * t * t * sixth
    second = (np.float32(4) + t * t * (np.float32(3) * t - np.float32(6))) * sixth
    return first, second, one - first - second - last, last
