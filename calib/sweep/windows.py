"""Matches all windows of a seam in compiled code: first to estimate the seam's column profile, then with that profile.

The covariance of a shift includes the correlation of the noise after smoothing, and is widened if the residual scatter
exceeds the noise.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.sweep.match import BUFFERS, Compared, Window, match_window, robust_scatter
from calib.sweep.scene import SUMS
from calib.sweep.seam import WINDOW_LINES, SeamPictures
from calib.sweep.smoothing import Picture, gaussian_weights

PLACE_PX = 0.3  # 1-sigma of the error of place within a window, for the weight of a sample in the column profile
TINY = 1e-30
MOST_SIGMA_PX = 1.0  # greatest 1-sigma of a match along its best direction
NEARLY_PX = 0.05  # step at which the iteration of a window ends when the profile is estimated,
SETTLED_PX = 2e-2  # and when ties are measured
PROFILE_ROWS = 30  # of windows, used for the profile: its variance is then a thirtieth of one window's


class Matches(NamedTuple):
    """Matches of windows, by row of windows and part of the width (R, P): the mask of those `found`, shift (R, P, 2) in
    left px, its covariance (R, P, 2, 2), and its place (R, P, 2), (line in the window, sample in the overlap).

    The place is the centre of the texture that determines the shift across, not of the window, because the sweeps may
    still be stretched against each other.
    """

    found: NDArray[np.bool_]
    shift: Array
    cov: Array
    place: Array


def column_profile(
    pictures: SeamPictures, blur_px: float, guess: Array, bounds: NDArray[np.int64]
) -> tuple[Array, Array]:
    """The column profile (n_s,), which makes the left picture equal to the right one when added to it, and approximate
    shifts (R, P, 2) of all windows.

    `blur_px`: the pictures' blur; `guess` (R, P, 2): initial shifts; `bounds` (P + 1,): bounds of the parts of the
    width. Of many rows only some are matched; the others get the shifts of the matched row before them. A window
    without a match gets its guess.
    """
    shift, found = guess.copy(), np.zeros(guess.shape[:2], np.bool_)
    sums, step = np.zeros((2, pictures.left.shape[1])), max(len(guess) // PROFILE_ROWS, 1)
    _add_columns(pictures, bounds, blur_px, step, shift, found, sums)
    columns, matched = sums[0] / np.maximum(sums[1], TINY), np.arange(len(guess)) // step * step
    return columns - columns.mean(), np.where(found[matched, :, None], shift[matched], guess)


def match_seam(
    pictures: SeamPictures, blur_px: float, start: Array, bounds: NDArray[np.int64], columns: Array
) -> Matches:
    """Match all windows, from initial shifts `start` (R, P, 2), with `columns` (n_s,) added to the left picture."""
    found = np.zeros(start.shape[:2], np.bool_)
    matches = Matches(found, start.copy(), np.zeros((*start.shape, 2)), np.zeros(start.shape))
    _measure(pictures, bounds, blur_px, gaussian_weights(blur_px).astype(np.float32), columns, matches)
    return matches


@njit(cache=True, nogil=True)
def _smoothed_noise2(noise2: float, blur_px: float) -> float:  # pragma: no cover
    """Variance of the noise after smoothing."""
    return noise2 / (4 * np.pi * blur_px**2)


@njit(cache=True, nogil=True)
def _add_columns(
    pictures: SeamPictures,
    bounds: NDArray[np.int64],
    blur_px: float,
    step: int,
    shift: Array,
    found: NDArray[np.bool_],
    sums: Array,
) -> None:  # pragma: no cover
    """Match every `step`th row of windows, and fill shifts (initial ones at first), the mask of matches, and `sums`
    (2, n_s): for each column the weighted sum of what is to be added to the left picture, and the sum of the
    weights."""
    offsets, information = np.zeros(sums.shape[1]), np.empty((2, 2))
    buffers = np.empty((BUFFERS, sums.shape[1], WINDOW_LINES), np.float32)
    for row in range(0, shift.shape[0], step):
        for part in range(shift.shape[1]):
            samples = slice(bounds[part], bounds[part + 1])
            window, out = _window(pictures, row, samples, offsets), _buffers(buffers, samples)
            noise2 = _mean_noise2(pictures, row, samples)
            found[row, part] = _match(pictures, window, noise2, blur_px, NEARLY_PX, shift[row, part], information, out)
            if found[row, part]:
                _add_window(out, _smoothed_noise2(noise2, blur_px), sums[:, samples])


@njit(cache=True, nogil=True)
def _window(pictures: SeamPictures, row: int, samples: slice, offsets: Array) -> Window:  # pragma: no cover
    """One window of a seam. Slices of the last axis but one stay contiguous, which keeps loops fast."""
    return Window(
        pictures.left[row, samples], pictures.left_signal[row, samples], pictures.there[row, 0, samples],
        pictures.there[row, 1, samples], offsets[samples],
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _buffers(room: Picture, samples: slice) -> Compared:  # pragma: no cover
    """The buffers for a window, from those for the whole width (BUFFERS, n_s, WINDOW_LINES)."""
    return Compared(
        room[0, samples], room[1, samples], room[2, samples], room[3, samples], room[4, samples], room[5, samples],
        room[6, samples],
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _match(
    pictures: SeamPictures, window: Window, noise2: float, blur_px: float, settled_px: float, shift: Array,
    information: Array, out: Compared,
) -> bool:  # pragma: no cover  # fmt: skip
    """Match one window of a seam (see `match_window`); `noise2`: the sum of both pictures' noise variances."""
    # The mean of both pictures, smoothed by a Gaussian of rms radius b, has gradients of variance
    # noise2/4 / (8 pi b^4) by noise alone.
    gradient_noise2 = noise2 / 4 / (8 * np.pi * blur_px**4)
    return match_window(
        window, pictures.coefficients, pictures.right_signal, gradient_noise2, settled_px, shift, information, out
    )


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS)
def _add_window(seen: Compared, noise2: float, sums: Array) -> None:  # pragma: no cover
    """Add a window to the sums over lines. Samples with steep gradients get less weight: errors of place matter there,
    and at the edge of a format or wedge they are the same on many lines."""
    for j in range(seen.good.shape[0]):
        total, weights = 0.0, 0.0
        for i in range(seen.good.shape[1]):
            steep = PLACE_PX * seen.across[j, i]
            weight = seen.good[j, i] / (noise2 + steep * steep + TINY)
            total -= weight * seen.residual[j, i]
            weights += weight
        sums[0, j] += total
        sums[1, j] += weights


@njit(cache=True, nogil=True)
def _measure(
    pictures: SeamPictures, bounds: NDArray[np.int64], blur_px: float, kernel: Picture, offsets: Array, matches: Matches
) -> None:  # pragma: no cover  # fmt: skip
    """Fill the matches, whose shifts are the initial ones at first."""
    (found, shift, cov, place), information = matches, np.empty((2, 2))
    buffers = np.empty((BUFFERS, offsets.size, WINDOW_LINES), np.float32)
    for row in range(shift.shape[0]):
        for part in range(shift.shape[1]):
            samples = slice(bounds[part], bounds[part + 1])
            window, out = _window(pictures, row, samples, offsets), _buffers(buffers, samples)
            noise2 = _mean_noise2(pictures, row, samples)
            found[row, part] = _match(pictures, window, noise2, blur_px, SETTLED_PX, shift[row, part], information, out)
            if found[row, part]:
                _covariance(information, noise2, blur_px, kernel, out, cov[row, part])
                found[row, part] = _least_variance(cov[row, part]) <= MOST_SIGMA_PX**2
                _texture_center(out.good, out.across, place[row, part])
                place[row, part, 1] += samples.start


@njit(cache=True, nogil=True)
def _mean_noise2(pictures: SeamPictures, row: int, samples: slice) -> float:  # pragma: no cover
    """Noise variance of the left plus that of the right samples before smoothing, averaged over a window."""
    mine, count = 0.0, 0.0
    for j in range(samples.start, samples.stop):
        mine += pictures.noise2[0, row, j]
        count += pictures.noise2[1, row, j]
    lines = pictures.there[row, 0]
    first, last = samples.start, samples.stop - 1
    ends = lines[first, 0], lines[last, 0], lines[first, -1], lines[last, -1]
    sums = pictures.noise_sums
    low = min(max(int(min(ends)), 0), sums.shape[1] - 1)
    high = min(max(int(np.ceil(max(ends))) + 1, low), sums.shape[1] - 1)
    return mine / max(count, 1.0) + (sums[0, high] - sums[0, low]) / max(sums[1, high] - sums[1, low], 1.0)


@njit(cache=True, nogil=True)
def _covariance(
    information: Array, noise2: float, blur_px: float, kernel: Picture, seen: Compared, out: Array
) -> None:  # pragma: no cover
    """Fill the covariance of a shift for noise correlated by smoothing: N^-1 (sum of products of smoothed gradients)
    N^-1 times the noise variance, with N the information; the variance is scaled up if the residuals scatter more."""
    expected = _smoothed_noise2(noise2, blur_px)
    scatter = robust_scatter(seen.residual, seen.good) ** 2
    variance = noise2 * max(1.0, scatter / expected) if expected > 0 else scatter * 4 * np.pi * blur_px**2
    p, q, r = information[0, 0], information[0, 1], information[1, 1]
    factor = variance / (p * r - q * q) ** 2
    a, b, c = _smoothed_products(seen.along, seen.across, seen.good, kernel)
    out[0, 0] = factor * (r * r * a - 2 * q * r * b + q * q * c)
    out[1, 1] = factor * (q * q * a - 2 * q * p * b + p * p * c)
    out[0, 1] = out[1, 0] = factor * (-q * r * a + (p * r + q * q) * b - p * q * c)


@njit(cache=True, nogil=True)
def _least_variance(cov: Array) -> float:  # pragma: no cover
    """Variance along the best determined direction."""
    half = np.sqrt(((cov[0, 0] - cov[1, 1]) / 2) ** 2 + cov[0, 1] ** 2)
    return float((cov[0, 0] + cov[1, 1]) / 2 - half)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS)
def _texture_center(good: Picture, slope: Picture, out: Array) -> None:  # pragma: no cover
    """Fill the centroid (line, sample) of the good samples, weighted by their squared slopes."""
    total, line, sample = 0.0, 0.0, 0.0
    for j in range(good.shape[0]):
        for i in range(good.shape[1]):
            weight = float(good[j, i] * slope[j, i] * slope[j, i])
            total += weight
            line += weight * i
            sample += weight * j
    out[0], out[1] = line / total, sample / total


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS)
def _smoothed_products(
    along: Picture, across: Picture, good: Picture, kernel: Picture
) -> tuple[float, float, float]:  # pragma: no cover
    """Sums of products (00, 01, 11) of the gradients smoothed by a symmetric kernel along both axes, 0 beyond edges."""
    n_s, n_l = good.shape
    half = kernel.size // 2
    # Both gradients of all columns lie in one flat buffer with zeros between them, so that there are few, long loops.
    wide = n_l + 2 * half
    stride, n = 2 * wide, 2 * wide * n_s
    buffers = np.zeros((2, n + 2 * half * stride), np.float32)
    flat, once = buffers[0], buffers[1]
    for j in range(n_s):
        at = (j + half) * stride + half
        for i in range(n_l):
            flat[at + i], flat[at + wide + i] = along[j, i] * good[j, i], across[j, i] * good[j, i]
    first, last = half * stride, half * stride + n
    for k in range(kernel.size):
        _add_shifted(flat[first + k : last + k], kernel[k], once[first + half : last + half])
    smoothed = flat[:n]
    smoothed[:] = 0.0
    for k in range(kernel.size):
        _add_shifted(once[k * stride : k * stride + n], kernel[k], smoothed)
    return _products(smoothed.reshape(n_s, 2, wide)[:, :, half : half + n_l])


@njit(cache=True, nogil=True)
def _add_shifted(values: Picture, weight: np.float32, out: Picture) -> None:  # pragma: no cover
    """Add `values` times `weight` to `out`, both (n,)."""
    for i in range(out.size):
        out[i] += weight * values[i]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=SUMS)
def _products(pairs: Picture) -> tuple[float, float, float]:  # pragma: no cover
    """Sums of the products (00, 01, 11) of two pictures, (n_s, 2, n_l)."""
    first, mixed, second = 0.0, 0.0, 0.0
    for j in range(pairs.shape[0]):
        one, other = pairs[j, 0], pairs[j, 1]
        for i in range(one.size):
            first += one[i] * one[i]
            mixed += one[i] * other[i]
            second += other[i] * other[i]
    return first, mixed, second
