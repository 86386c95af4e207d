"""Places a strip without marks: finds the shift at which its overlap with a neighbour shows the same picture.

Windows of the left strip are correlated with the right strip's picture around them, each normalised by its own mean and
scatter, so that the strips' tones need not agree. All windows are evaluated together, because they share one shift.
"""

from collections.abc import Sequence

import numpy as np
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.ndimage import map_coordinates, uniform_filter

from calib.coordinates import Array
from calib.sweep.match import local_step
from calib.sweep.model import StripSweep
from calib.sweep.seam import Overlap, SeamPictures, seam_pictures

BLUR_PX = 1.5
SURE = 3.0  # by which the peak is above each other place, over what the windows' scatter leaves open of that
NEAR_PX = 4  # the matching that follows moves so far: places no farther from the peak are its own
LEAST_WINDOWS = 5
MOST_LINES = 0.9
SIGMAS = 6.0  # a mean sigma over the samples is less than that of the edges, which lie farthest from marks
MOST_PX = (60, 16)  # lines, samples


def search_shift(overlap: Overlap, px_mm: Array) -> Array | None:
    """Shift (line, sample) in left px between the match by the sweeps and that of the pictures; None if not found."""
    sigma_x, sigma_y = SIGMAS * relative_sigma_px(overlap.left, overlap.right, px_mm, MOST_LINES)
    reach = (int(np.clip(np.ceil(sigma_y), 2, MOST_PX[0])), int(np.clip(np.ceil(sigma_x), 2, MOST_PX[1])))
    pictures = seam_pictures(overlap, BLUR_PX)
    every = [_correlation(pictures, row, reach) for row in range(len(pictures.left))]
    return _peak([found for found in every if found is not None])


def _peak(found: Sequence[Array]) -> Array | None:
    """The shift from the middle of the windows' correlations (n_lines, n_samples) at which they are highest together,
    None where it does not stand out: where some place farther off is hardly lower, or not in most windows.

    What strips have in common at any shift, borders across them and texture finer or coarser than the reach, counts
    neither for a peak nor against it: windows are compared with themselves.
    """
    if len(found) < LEAST_WINDOWS:
        return None
    each = np.stack(found)
    i, j = np.unravel_index(int(each.mean(axis=0).argmax()), each.shape[1:])
    line, sample = np.indices(each.shape[1:])
    far = np.maximum(np.abs(line - i), np.abs(sample - j)) > NEAR_PX
    above = each[:, i, j, None] - each[:, far]
    if np.any(above.mean(axis=0) < SURE * above.std(axis=0, ddof=1) / np.sqrt(len(found))):
        return None
    return np.array([i, j], dtype=float) - np.array(each.shape[1:]) // 2


def relative_sigma_px(left: StripSweep, right: StripSweep, px_mm: Array, share: float) -> Array:
    """1-sigma (x, y), px, of the relative place of two strips that a `share` of the lines does not exceed."""
    x = np.hypot(np.quantile(left.sigma_x_mm, share), np.quantile(right.sigma_x_mm, share)) / px_mm[0]
    y = np.hypot(np.quantile(left.sigma_y_mm, share), np.quantile(right.sigma_y_mm, share)) / px_mm[1]
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
