"""A strip that no mark has placed: find the shift at which its overlap with a neighbour shows the same picture.

Windows of the left strip are correlated with the right strip's picture around them, each normalised by its own mean and
scatter so that the strips' tones need not agree; the correlations of all windows are added, for the shift is common.
"""

import numpy as np
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.ndimage import map_coordinates, uniform_filter

from calib.coordinates import Array
from calib.median import MIDDLE_SIZE
from calib.sweep.match import local_step
from calib.sweep.model import StripSweep
from calib.sweep.seam import Overlap, SeamPictures, seam_pictures

BLUR_PX = 1.5
SURE = 6.0  # the peak of the summed correlation over its scatter
LEAST_WINDOWS = 3
MOST_LINES = 0.9
SIGMAS = 3.0
MOST_PX = (60, 16)  # lines, samples


def needs_search(left: StripSweep, right: StripSweep, px_mm: Array, limit_px: float) -> bool:
    """Whether two neighbours' relative place is too uncertain to match their pictures right away."""
    return bool(np.any(_relative_sigma_px(left, right, px_mm) > limit_px))


def search_shift(overlap: Overlap, px_mm: Array) -> Array | None:
    """Shift (line, sample) in left px from the sweeps' match to the pictures'; None where no peak stands out."""
    sigma_x, sigma_y = SIGMAS * _relative_sigma_px(overlap.left, overlap.right, px_mm)
    reach = (int(np.clip(np.ceil(sigma_y), 2, MOST_PX[0])), int(np.clip(np.ceil(sigma_x), 2, MOST_PX[1])))
    total, count = np.zeros((2 * reach[0] + 1, 2 * reach[1] + 1)), 0
    pictures = seam_pictures(overlap, BLUR_PX)
    for row in range(len(pictures.left)):
        found = _correlation(pictures, row, reach)
        if found is not None:
            total, count = total + found, count + 1
    if count < LEAST_WINDOWS:
        return None
    i, j = np.unravel_index(int(total.argmax()), total.shape)
    scatter = np.median(np.abs(total - np.median(total))) / MIDDLE_SIZE + 1e-12
    if (total[i, j] - np.median(total)) / scatter < SURE:
        return None
    return np.array([i - reach[0], j - reach[1]], dtype=float)


def _relative_sigma_px(left: StripSweep, right: StripSweep, px_mm: Array) -> Array:
    """1-sigma (x, y) of one strip against the other, of the tenth of the lines that are worst placed, px."""
    x = np.hypot(np.quantile(left.sigma_x_mm, MOST_LINES), np.quantile(right.sigma_x_mm, MOST_LINES)) / px_mm[0]
    y = np.hypot(np.quantile(left.sigma_y_mm, MOST_LINES), np.quantile(right.sigma_y_mm, MOST_LINES)) / px_mm[1]
    return np.array([x, y])


def _correlation(pictures: SeamPictures, row: int, reach: tuple[int, int]) -> Array | None:
    """Normalised correlation of a row's window at every whole shift within reach; None where signal is missing."""
    if pictures.left_signal[row].mean() < 0.95:
        return None
    there = pictures.there[row]
    n_s, n_l = there.shape[1:]
    line = np.arange(-reach[0], n_l + reach[0]) - (n_l - 1) / 2
    sample = np.arange(-reach[1], n_s + reach[1]) - (n_s - 1) / 2
    offset = np.stack(np.meshgrid(line, sample, indexing="ij"))
    places = there.mean(axis=(1, 2))[:, None, None] + np.einsum("ij,jls->ils", local_step(*there), offset)
    around = map_coordinates(pictures.coefficients.T, places, order=3, prefilter=False, mode="nearest")
    inside = map_coordinates(pictures.right_signal.T, places, order=0, mode="constant", cval=0.0) > 0.5
    around = np.where(inside, around - around[inside].mean() if inside.any() else 0.0, 0.0)
    template = pictures.left[row].T.astype(float)
    template -= template.mean()
    norm = np.sqrt(np.sum(template**2))
    if norm <= 0:
        return None
    product = _products(around, template)
    size = (n_l, n_s)
    corner = tuple(slice(n // 2, n // 2 + 2 * r + 1) for n, r in zip(size, reach, strict=True))
    mean = uniform_filter(around, size)[corner]
    variance = np.maximum(uniform_filter(around**2, size)[corner] - mean**2, 1e-30) * n_l * n_s
    share = uniform_filter(inside.astype(float), size)[corner]
    return np.asarray(np.where(share > 0.6, product / (norm * np.sqrt(variance)), 0.0))


def _products(around: Array, template: Array) -> Array:
    """Sums of products with a template at each whole shift that keeps it inside, by the Fourier transform."""
    shape = [next_fast_len(n + m - 1, real=True) for n, m in zip(around.shape, template.shape, strict=True)]
    whole = irfft2(rfft2(around, shape) * rfft2(template[::-1, ::-1], shape), shape)
    (rows, cols), (high, wide) = around.shape, template.shape
    return np.asarray(whole[high - 1 : rows, wide - 1 : cols])
