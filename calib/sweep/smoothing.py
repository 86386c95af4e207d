"""Smooths pictures by a Gaussian that ignores samples without signal, and computes cubic splines through the result.

Compiled, in single precision and line by line, because it processes every sample of every overlap. Beyond its edge a
picture is constant.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array

Picture = NDArray[np.float32]
REACH = 4.0  # sigma at which the Gaussian is truncated
LEAST_NEAR = 1e-3  # share of signal below which the smoothed value is 0
POLE = np.float32(np.sqrt(3.0) - 2.0)  # of the recursive filter that turns samples into cubic B-spline coefficients
LAST = np.float32(POLE / (POLE * POLE - 1))  # initial factor of its backward pass
GAIN = np.float32(((1 - POLE) * (1 - 1 / POLE)) ** 2)  # of the filter along both axes
RING = 16  # samples after which the initial value no longer matters: POLE^16 < 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class SmoothPicture:
    """A smoothed piece of one strip: `values` minus a constant, and for each the share of `signal` (0 .. 1), the weight
    of the samples with signal in it."""

    values: Picture
    signal: Picture


def gaussian_weights(blur_px: float) -> Array:
    """Normalised weights (2 reach + 1,) of a Gaussian at integer px, up to four sigma."""
    reach = int(REACH * blur_px + 0.5)
    weight = np.exp(-0.5 * (np.arange(-reach, reach + 1) / blur_px) ** 2)
    return np.asarray(weight / weight.sum())


def smooth(values: Picture, sigma: Picture, blur_px: float) -> SmoothPicture:
    """Gaussian smoothing of a piece (n_l, n_s), ignoring samples without signal (infinite `sigma`)."""
    good, filled, smoothed, signal = np.empty(values.shape, np.bool_), *np.empty((3, *values.shape), np.float32)
    _fill(values, sigma, good, filled)
    _smooth(filled, good, gaussian_weights(blur_px).astype(np.float32), smoothed, signal)
    return SmoothPicture(smoothed, signal)


def spline_coefficients(values: Picture) -> Picture:
    """Coefficients (n_l, n_s) of the cubic spline through a picture's samples."""
    out = values.copy()
    _prefilter(out)
    return out


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc"})
def _fill(values: Picture, sigma: Picture, good: NDArray[np.bool_], filled: Picture) -> None:  # pragma: no cover
    """Fill the mask of samples with signal, and their values minus their mean, 0 for the others."""
    total, count = 0.0, 0
    for i in range(values.shape[0]):
        mine = np.float32(0)
        for j in range(values.shape[1]):
            good[i, j] = np.isfinite(values[i, j]) & np.isfinite(sigma[i, j])
            mine += values[i, j] if good[i, j] else np.float32(0)
            count += good[i, j]
        total += float(mine)
    level = np.float32(total / max(count, 1))
    for i in range(values.shape[0]):
        for j in range(values.shape[1]):
            filled[i, j] = values[i, j] - level if good[i, j] else np.float32(0)


@njit(cache=True, nogil=True)
def _smooth(
    filled: Picture, good: NDArray[np.bool_], kernel: Picture, smoothed: Picture, signal: Picture
) -> None:  # pragma: no cover
    """Fill the smoothed picture and the share of signal of each sample."""
    n_l, n_s = filled.shape
    half = kernel.size // 2
    lost = np.zeros(n_l + 1, np.int64)  # samples without signal before each line
    for i in range(n_l):
        lost[i + 1] = lost[i]
        for j in range(n_s):
            lost[i + 1] += not good[i, j]
    wide = np.empty(n_s + 2 * half, np.float32)
    for i in range(n_l):
        _blurred(filled, i, kernel, wide, smoothed[i])
        if lost[min(i + half + 1, n_l)] == lost[max(i - half, 0)]:
            signal[i] = 1.0
            continue
        _blurred(good, i, kernel, wide, signal[i])
        for j in range(n_s):
            near = signal[i, j]
            smoothed[i, j] = smoothed[i, j] / near if near > LEAST_NEAR else np.float32(0.0)


@njit(cache=True, nogil=True)
def _blurred(picture: NDArray, line: int, kernel: Picture, wide: Picture, out: Picture) -> None:  # pragma: no cover
    """Fill one line `out` of a picture smoothed along both axes; `wide` is a buffer for a line with its margins."""
    n_l, n_s = picture.shape
    half = kernel.size // 2
    wide[:] = 0.0
    for k in range(kernel.size):
        row, weight = picture[min(max(line + k - half, 0), n_l - 1)], kernel[k]
        for j in range(n_s):
            wide[j + half] += weight * row[j]
    wide[:half], wide[n_s + half :] = wide[half], wide[n_s + half - 1]
    out[:] = 0.0
    for k in range(kernel.size):
        weight = kernel[k]
        for j in range(n_s):
            out[j] += weight * wide[j + k]


@njit(cache=True, nogil=True)
def _prefilter(c: Picture) -> None:  # pragma: no cover
    """Turn samples into spline coefficients in place, along both axes; edges are mirrored."""
    n_l, n_s = c.shape
    for i in range(n_l):
        power = POLE
        for k in range(1, min(RING, n_s)):
            c[i, 0] += power * c[i, k]
            power *= POLE
        for j in range(1, n_s):
            c[i, j] += POLE * c[i, j - 1]
        c[i, n_s - 1] = LAST * (c[i, n_s - 1] + POLE * c[i, n_s - 2])
        for j in range(n_s - 2, -1, -1):
            c[i, j] = POLE * (c[i, j + 1] - c[i, j])
    power = POLE
    for k in range(1, min(RING, n_l)):
        for j in range(n_s):
            c[0, j] += power * c[k, j]
        power *= POLE
    for i in range(1, n_l):
        for j in range(n_s):
            c[i, j] += POLE * c[i - 1, j]
    for j in range(n_s):
        c[n_l - 1, j] = LAST * (c[n_l - 1, j] + POLE * c[n_l - 2, j])
    for i in range(n_l - 2, -1, -1):
        for j in range(n_s):
            c[i, j] = POLE * (c[i + 1, j] - c[i, j])
            c[i + 1, j] *= GAIN
    for j in range(n_s):
        c[0, j] *= GAIN
