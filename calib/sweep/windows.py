"""All windows of a seam matched in compiled code: first for the seam's column profile, then for good.

The covariance of a shift counts the noise's correlation after smoothing and is widened by the residual scatter where
that exceeds the noise.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.sweep.match import ROOM, match_window, robust_scatter
from calib.sweep.seam import WINDOW_LINES, SeamPictures
from calib.sweep.smoothing import Picture, gaussian_weights

PLACE_PX = 0.3  # 1-sigma of place within a window that a sample's say on the column profile allows for
TINY = 1e-30
MOST_SIGMA_PX = 1.0  # a match worse than this along its best direction is left out
NEARLY_PX = 0.05  # a turn's move at which a window is matched well enough to tell the profile,
SETTLED_PX = 2e-2  # and at which it is matched


@dataclass(frozen=True, slots=True, eq=False)
class Matches:
    """Windows matched, by row of windows and part of the width (R, P): whether there is a match, shift (R, P, 2) in
    left px, its covariance (R, P, 2, 2), the place (line, sample) it holds for in the overlap (R, P, 2).

    The place is the centre of the texture that tells the shift across, not of the window: the sweeps may yet be
    stretched against each other.
    """

    found: NDArray[np.bool_]
    shift: Array
    cov: Array
    place: Array


def column_profile(
    pictures: SeamPictures, blur_px: float, guess: Array, bounds: NDArray[np.int64]
) -> tuple[Array, Array]:
    """What is to be added to each column (n_s,) of the left picture, `blur_px` being its blur, to make it the right
    one's, and nearly the shifts (R, P, 2) of all windows.

    Windows are matched from shifts `guess` (R, P, 2) on, in P parts of the overlap's width with `bounds` (P + 1,).
    Where a window has no match, its shift is the guess.
    """
    shift, found = guess.copy(), np.zeros(guess.shape[:2], np.bool_)
    sums = np.zeros((2, pictures.left.shape[1]))
    _add_columns(pictures, bounds, blur_px, shift, found, sums)
    columns = sums[0] / np.maximum(sums[1], TINY)
    return columns - columns.mean(), np.where(found[:, :, None], shift, guess)


def match_seam(
    pictures: SeamPictures, blur_px: float, start: Array, bounds: NDArray[np.int64], columns: Array
) -> Matches:
    """Match every window, starting from shifts `start` (R, P, 2), with `columns` (n_s,) added to the left picture."""
    found, shift = np.zeros(start.shape[:2], np.bool_), start.copy()
    cov, place = np.zeros((*start.shape, 2)), np.zeros(start.shape)
    kernel = gaussian_weights(blur_px).astype(np.float32)
    _measure(pictures, bounds, blur_px, kernel, columns, shift, found, cov, place)
    return Matches(found, shift, cov, place)


@njit(cache=True, nogil=True)
def _smoothed_noise2(noise2: float, blur_px: float) -> float:  # pragma: no cover
    """Variance that smoothing leaves of the noise."""
    return noise2 / (4 * np.pi * blur_px**2)


@njit(cache=True, nogil=True)
def _add_columns(
    pictures: SeamPictures,
    bounds: NDArray[np.int64],
    blur_px: float,
    shift: Array,
    found: NDArray[np.bool_],
    sums: Array,
) -> None:  # pragma: no cover
    """Fill shifts, where they begin being given, whether there are matches, and `sums` (2, n_s) over the lines of what
    is to be added to the left picture and of the samples that tell it."""
    offsets, information = np.zeros(sums.shape[1]), np.empty((2, 2))
    all_room = np.empty((ROOM, WINDOW_LINES, sums.shape[1]), np.float32)
    for row in range(shift.shape[0]):
        for part in range(shift.shape[1]):
            window = _window(bounds, row, part)
            room = all_room[:, :, window[1]]
            found[row, part], noise2 = _match(
                pictures, window, blur_px, offsets, NEARLY_PX, shift[row, part], information, room
            )
            if found[row, part]:
                _add_window(room, _smoothed_noise2(noise2, blur_px), sums[:, window[1]])


@njit(cache=True, nogil=True, inline="always")
def _window(bounds: NDArray[np.int64], row: int, part: int) -> tuple[slice, slice]:  # pragma: no cover
    """Lines and samples of a window of a seam."""
    return slice(row * WINDOW_LINES, (row + 1) * WINDOW_LINES), slice(bounds[part], bounds[part + 1])


@njit(cache=True, nogil=True)
def _match(
    pictures: SeamPictures, window: tuple[slice, slice], blur_px: float, offsets: Array, settled_px: float,
    shift: Array, information: Array, room: Picture,
) -> tuple[bool, float]:  # pragma: no cover  # fmt: skip
    """Match one window of a seam (see `match_window`); whether there is a match, and the noise variance."""
    lines, samples = window
    noise2 = _mean_noise2(pictures, lines, samples)
    # The mean of two pictures whose noise variances add up to noise2, smoothed by a Gaussian of rms b, has gradients of
    # variance noise2/4 / (8 pi b^4) by noise alone.
    own_noise = noise2 / 4 / (8 * np.pi * blur_px**4)
    found = match_window(
        pictures.left[lines, samples], pictures.left_signal[lines, samples], pictures.coefficients,
        pictures.right_signal, pictures.there[:, lines, samples], offsets[samples], own_noise, settled_px, shift,
        information, room,
    )  # fmt: skip
    return found, noise2


@njit(cache=True, nogil=True)
def _add_window(room: Picture, noise2: float, sums: Array) -> None:  # pragma: no cover
    """Add a window to the sums over lines: the plainer its picture, the more it says, for where the picture is steep
    the places' errors show, and they are the same for many lines at the edge of a format or wedge."""
    good, residual, slope = room[1], room[4], room[6]
    for i in range(good.shape[0]):
        for j in range(good.shape[1]):
            weight = good[i, j] / (noise2 + (PLACE_PX * slope[i, j]) ** 2 + TINY)
            sums[0, j] -= weight * residual[i, j]
            sums[1, j] += weight


@njit(cache=True, nogil=True)
def _measure(
    pictures: SeamPictures, bounds: NDArray[np.int64], blur_px: float, kernel: Picture, offsets: Array, shift: Array,
    found: NDArray[np.bool_], cov: Array, place: Array,
) -> None:  # pragma: no cover  # fmt: skip
    """Fill shifts, where they begin being given, whether there are matches, covariances and places."""
    information = np.empty((2, 2))
    all_room = np.empty((ROOM, WINDOW_LINES, offsets.size), np.float32)
    for row in range(shift.shape[0]):
        for part in range(shift.shape[1]):
            window = _window(bounds, row, part)
            room = all_room[:, :, window[1]]
            found[row, part], noise2 = _match(
                pictures, window, blur_px, offsets, SETTLED_PX, shift[row, part], information, room
            )
            if found[row, part]:
                _covariance(information, noise2, blur_px, kernel, room, cov[row, part])
                found[row, part] = _least_variance(cov[row, part]) <= MOST_SIGMA_PX**2
                _texture_center(room[1], room[6], place[row, part])
                place[row, part, 0] += window[0].start
                place[row, part, 1] += window[1].start


@njit(cache=True, nogil=True)
def _mean_noise2(pictures: SeamPictures, lines: slice, samples: slice) -> float:  # pragma: no cover
    """Noise variance of left plus right samples before smoothing, mean over a window."""
    mine, count = 0.0, 0
    for i in range(lines.start, lines.stop):
        for j in range(samples.start, samples.stop):
            mine += pictures.noise2[i, j]
            count += pictures.noise2[i, j] > 0
    ends = (
        pictures.there[0, lines.start, samples.start], pictures.there[0, lines.start, samples.stop - 1],
        pictures.there[0, lines.stop - 1, samples.start], pictures.there[0, lines.stop - 1, samples.stop - 1],
    )  # fmt: skip
    last = pictures.noise_sums.shape[1] - 1
    low = min(max(int(min(ends)), 0), last)
    high = min(max(int(np.ceil(max(ends))) + 1, low), last)
    sums = pictures.noise_sums
    return mine / max(count, 1) + (sums[0, high] - sums[0, low]) / max(sums[1, high] - sums[1, low], 1.0)


@njit(cache=True, nogil=True)
def _covariance(
    information: Array, noise2: float, blur_px: float, kernel: Picture, room: Picture, out: Array
) -> None:  # pragma: no cover
    """Fill the covariance of a shift for noise that smoothing has correlated: N^-1 (sum of smoothed gradients^2) N^-1,
    N the information, times the noise's variance or what the scatter of the residuals makes of it."""
    good, residual, slope = room[1], room[4], room[5:]
    expected = _smoothed_noise2(noise2, blur_px)
    scatter = robust_scatter(residual, good) ** 2
    variance = noise2 * max(1.0, scatter / expected) if expected > 0 else scatter * 4 * np.pi * blur_px**2
    p, q, r = information[0, 0], information[0, 1], information[1, 1]
    factor = variance / (p * r - q * q) ** 2
    a, b, c = _smoothed_products(slope, good, kernel)
    out[0, 0] = factor * (r * r * a - 2 * q * r * b + q * q * c)
    out[1, 1] = factor * (q * q * a - 2 * q * p * b + p * p * c)
    out[0, 1] = out[1, 0] = factor * (-q * r * a + (p * r + q * q) * b - p * q * c)


@njit(cache=True, nogil=True)
def _least_variance(cov: Array) -> float:  # pragma: no cover
    """Variance along the best direction."""
    half = np.sqrt(((cov[0, 0] - cov[1, 1]) / 2) ** 2 + cov[0, 1] ** 2)
    return float((cov[0, 0] + cov[1, 1]) / 2 - half)


@njit(cache=True, nogil=True)
def _texture_center(good: Picture, slope: Picture, out: Array) -> None:  # pragma: no cover
    """Fill the place (line, sample) about which the squared slopes of the samples that count lie."""
    total, line, sample = 0.0, 0.0, 0.0
    for i in range(good.shape[0]):
        for j in range(good.shape[1]):
            weight = float(good[i, j] * slope[i, j] * slope[i, j])
            total += weight
            line += weight * i
            sample += weight * j
    out[0], out[1] = line / total, sample / total


@njit(cache=True, nogil=True)
def _smoothed_products(
    slope: Picture, good: Picture, kernel: Picture
) -> tuple[float, float, float]:  # pragma: no cover
    """Sums of products (00, 01, 11) of the gradients smoothed by a symmetric kernel along both axes, nothing beyond
    edges."""
    _, n_l, n_s = slope.shape
    half = kernel.size // 2
    once, line = np.zeros((2, n_l, n_s), np.float32), np.empty((2, n_s), np.float32)
    for part in range(2):
        for i in range(n_l):
            for k in range(-half, half + 1):
                for j in range(max(-k, 0), min(n_s - k, n_s)):
                    once[part, i, j] += kernel[k + half] * slope[part, i, j + k] * good[i, j + k]
    first, mixed, second = 0.0, 0.0, 0.0
    for i in range(n_l):
        line[:] = 0.0
        for k in range(max(-half, -i), min(half, n_l - 1 - i) + 1):
            for part in range(2):
                for j in range(n_s):
                    line[part, j] += kernel[k + half] * once[part, i + k, j]
        for j in range(n_s):
            first += line[0, j] * line[0, j]
            mixed += line[0, j] * line[1, j]
            second += line[1, j] * line[1, j]
    return first, mixed, second
