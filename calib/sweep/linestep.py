"""Measures the shift of each line's picture against the line before, in several parts of the line: compiled."""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.sweep.scene import SUMS
from calib.sweep.smoothing import gaussian_weights

BLUR_PX = 1.0  # 1-sigma of the smoothing along the lines before they are compared
LEAST_SIGNAL = 0.7  # least share of a part's samples with signal
MOST_PX = 2.0  # a larger shift is no jitter
WHOLE = 1 - 1e-9  # least kernel weight of a sample whose smoothing used only samples with signal inside the strip
LEAST_KEPT = 0.1  # least share of the information that remains when that of noise is subtracted


def line_steps(values: NDArray[np.float32], sigma: NDArray[np.float32], parts: int) -> tuple[Array, Array]:
    """Shifts of lines (n, n_samples) against those before them, px, and their variances from noise alone, px^2: both
    (n - 1, parts). Variance inf and shift 0 where a part carries too little signal."""
    n_s = values.shape[1]
    bounds = np.append(0, np.cumsum([len(part) for part in np.array_split(np.arange(n_s), parts)]))
    shift = np.zeros((len(values) - 1, parts))
    variance = np.full(shift.shape, np.inf)
    _steps(values, sigma, gaussian_weights(BLUR_PX), bounds, shift, variance)
    return shift, variance


@njit(cache=True, nogil=True)
def _steps(
    values: NDArray[np.float32], sigma: NDArray[np.float32], kernel: Array, bounds: NDArray[np.int64],
    shift: Array, variance: Array,
) -> None:  # pragma: no cover  # fmt: skip
    """Fill `shift` and `variance` where they can be determined."""
    n_s, half = values.shape[1], kernel.size // 2
    before, line = np.zeros((3, n_s)), np.zeros((3, n_s))
    pair, buffer, whole = np.zeros((4, n_s)), np.zeros((3, n_s + kernel.size - 1)), np.empty(n_s)
    buffer[1, half : half + n_s] = 1.0
    _smoothed(buffer[1], kernel, whole)
    for i in range(values.shape[0]):
        before, line = line, before
        _smoothed_line(values[i], sigma[i], kernel, whole, buffer, line)
        if i == 0:
            continue
        for j in range(n_s):
            buffer[2, j] = line[0, j] + before[0, j]
            pair[1, j] = line[0, j] - before[0, j]
            pair[2, j] = line[2, j] + before[2, j]
            pair[3, j] = line[1, j] * before[1, j]
        for j in range(1, n_s - 1):
            pair[0, j] = (buffer[2, j + 1] - buffer[2, j - 1]) / 4
        pair[0, 0], pair[0, n_s - 1] = (buffer[2, 1] - buffer[2, 0]) / 2, (buffer[2, n_s - 1] - buffer[2, n_s - 2]) / 2
        for part in range(bounds.size - 1):
            found, spread = _part(pair, bounds[part], bounds[part + 1], kernel, buffer[1], buffer[2])
            if spread < np.inf and abs(found) < MOST_PX:
                shift[i - 1, part], variance[i - 1, part] = found, spread


@njit(cache=True, nogil=True, fastmath=SUMS)
def _smoothed(wide: Array, kernel: Array, out: Array) -> None:  # pragma: no cover
    """Fill `out` (n,) with the values `wide` (n + kernel size - 1,), which have margins, smoothed by the kernel."""
    out[:] = 0.0
    for k in range(kernel.size):
        weight = kernel[k]
        for j in range(out.size):
            out[j] += weight * wide[j + k]


@njit(cache=True, nogil=True)
def _smoothed_line(
    values: NDArray[np.float32], sigma: NDArray[np.float32], kernel: Array, whole: Array, buffer: Array, out: Array
) -> None:  # pragma: no cover
    """Fill `out` (3, n_s): a line smoothed by the kernel; 1 where only signal went into it, else 0; its noise variance
    before smoothing. `whole` (n_s,) is the kernel's weight inside the strip; `buffer` is (2 or more, n_s + kernel
    size - 1)."""
    n_s, half, count = values.size, kernel.size // 2, 0
    buffer[:2] = 0.0
    for j in range(n_s):
        good = np.isfinite(sigma[j]) and np.isfinite(values[j])
        buffer[0, j + half], buffer[1, j + half] = values[j] if good else 0.0, 1.0 if good else 0.0
        out[2, j] = float(sigma[j]) ** 2 if good else 0.0
        count += good
    _smoothed(buffer[0], kernel, out[0])
    if count == n_s:
        out[1] = whole
    else:
        _smoothed(buffer[1], kernel, out[1])
    for j in range(n_s):
        share = out[1, j]
        out[0, j] = out[0, j] / share if share > 0.5 else 0.0
        out[1, j] = 1.0 if share > WHOLE else 0.0


@njit(cache=True, nogil=True, fastmath=SUMS)
def _part(
    pair: Array, first: int, stop: int, kernel: Array, wide: Array, smoothed: Array
) -> tuple[float, float]:  # pragma: no cover
    """Least-squares shift of one part of a line, with a free level, and its variance from noise; inf if undetermined.

    `pair` (4, n_s): gradient of the mean of two lines, difference of the lines, sum of their noise variances, and 1 for
    the samples to use. `wide` and `smoothed` are buffers for a line with margins.
    """
    slope, step, noise2, seen = pair[0][first:stop], pair[1][first:stop], pair[2][first:stop], pair[3][first:stop]
    n, half = slope.size, kernel.size // 2
    count, slopes, steps, noise = 0.0, 0.0, 0.0, 0.0
    for j in range(n):
        count += seen[j]
        slopes += seen[j] * slope[j]
        steps += seen[j] * step[j]
        noise += seen[j] * noise2[j]
    if not (count > LEAST_SIGNAL * n and noise > 0):
        return 0.0, np.inf
    slopes, steps, noise = slopes / count, steps / count, noise / count
    square, product, spread = 0.0, 0.0, 0.0
    wide[:half] = wide[n + half : n + 2 * half] = 0.0
    for j in range(n):
        centered = seen[j] * (slope[j] - slopes)
        wide[j + half] = centered
        square += centered * centered
        product += centered * (step[j] - steps)
    # Noise alone gives the gradient of the smoothed mean of two lines a variance of noise/4 / (4 sqrt(pi) blur^3).
    from_noise = count * noise / 4 / (4 * np.sqrt(np.pi) * BLUR_PX**3)
    information = max(square - from_noise, LEAST_KEPT * square)
    if not information > 0:
        return 0.0, np.inf
    _smoothed(wide[: n + 2 * half], kernel, smoothed[:n])
    for j in range(n):
        spread += smoothed[j] * smoothed[j]
    return product / information, noise * spread / information**2
