"""Searches for the shift between neighbouring strips where marks do not place them, by correlating their overlap.

Windows of the left strip are correlated with the right strip's picture around them. Each is normalised by its own mean
and scatter, so the strips' tones may differ. All windows are evaluated together, because the shift is common.
"""

from collections.abc import Sequence

import numpy as np
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.ndimage import map_coordinates, uniform_filter

from calib.coordinates import Array
from calib.sweep.match import local_jacobian
from calib.sweep.model import StripSweep
from calib.sweep.seam import Overlap, SeamPictures, seam_pictures

BLUR_PX = 1.5
SURE = 3.0  # least height of the peak above any other place, in the 1-sigma of that difference by the windows' scatter
NEAR_PX = 4  # places within this distance of the peak belong to it: the matching that follows can move so far
LEAST_WINDOWS = 5
MOST_LINES = 0.9  # share of the lines whose uncertainty the search allows for
SIGMAS = 6.0  # range of the search: a line's sigma is a mean over its samples, and the edges are less certain
MOST_PX = (60, 16)  # greatest range, lines and samples
LEAST_SIGNAL = 0.95  # mean share of signal of a window that is correlated
LEAST_COVERED = 0.6  # share of the window at a shift that the right picture covers; with less the correlation is 0


def search_shift(overlap: Overlap, px_mm: Array) -> Array | None:
    """Shift (line, sample), left px, of the right picture against the sweeps; None without a significant peak."""
    sigma_x, sigma_y = SIGMAS * relative_sigma_px(overlap.left, overlap.right, px_mm, MOST_LINES)
    reach = (int(np.clip(np.ceil(sigma_y), 2, MOST_PX[0])), int(np.clip(np.ceil(sigma_x), 2, MOST_PX[1])))
    pictures = seam_pictures(overlap, BLUR_PX)
    every = [_correlation(pictures, row, reach) for row in range(len(pictures.left))]
    return _peak([found for found in every if found is not None])


def _peak(found: Sequence[Array]) -> Array | None:
    """The shift from the middle at which the mean of the windows' correlations (n_lines, n_samples) is greatest.

    None if it is not significant: some place farther off is not lower by SURE times the uncertainty of the difference.
    The differences are taken within each window. Correlation that does not depend on the shift (borders across the
    strips, texture much finer or coarser than the range) then counts neither for a peak nor against it.
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
    """The quantile `share` over the lines of the 1-sigma (x, y) of one strip relative to the other, px."""
    x = np.hypot(np.quantile(left.sigma_x_mm, share), np.quantile(right.sigma_x_mm, share)) / px_mm[0]
    y = np.hypot(np.quantile(left.sigma_y_mm, share), np.quantile(right.sigma_y_mm, share)) / px_mm[1]
    return np.array([x, y])


def _correlation(pictures: SeamPictures, row: int, reach: tuple[int, int]) -> Array | None:
    """Normalised correlation (2 reach + 1 lines, samples) of one window at all integer shifts; None without signal."""
    if pictures.left_signal[row].mean() < LEAST_SIGNAL:
        return None
    there = pictures.there[row]
    n_s, n_l = there.shape[1:]
    line = np.arange(-reach[0], n_l + reach[0]) - (n_l - 1) / 2
    sample = np.arange(-reach[1], n_s + reach[1]) - (n_s - 1) / 2
    offset = np.stack(np.meshgrid(line, sample, indexing="ij"))
    places = there.mean(axis=(1, 2))[:, None, None] + np.einsum("ij,jls->ils", local_jacobian(*there), offset)
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
    return np.asarray(np.where(share > LEAST_COVERED, product / (norm * np.sqrt(variance)), 0.0))


def _products(around: Array, template: Array) -> Array:
    """Sums of products with a template at each integer shift that keeps it inside, by FFT."""
    shape = [next_fast_len(n + m - 1, real=True) for n, m in zip(around.shape, template.shape, strict=True)]
    whole = irfft2(rfft2(around, shape) * rfft2(template[::-1, ::-1], shape), shape)
    (rows, cols), (high, wide) = around.shape, template.shape
    return np.asarray(whole[high - 1 : rows, wide - 1 : cols])
