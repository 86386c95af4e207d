"""Two published methods of removing stripes from a picture, with which the tone calibration is compared.

They use no wedge, marks or overlaps. Their input is the best possible: density of the scene by the true transfer curves
and the true drift, strips joined at their true places with only the banding left in, and dropouts interpolated. Column
moment matching is common practice. The wavelet-Fourier filter is that of Münch,
Trtik, Marone and Stampanoni 2009, "Stripe and ring artifact removal with combined wavelet-Fourier filtering", Optics
Express 17:8567; its wavelets are those of Daubechies 1988, Commun. Pure Appl. Math. 41:909.
"""

from math import comb

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
MOMENTS = 10  # vanishing moments of the wavelet: stripes stay narrow, the filter stays exact to rounding
LEVELS = 6  # wavelet levels, enough to treat a smooth profile over a strip of some hundred samples as a stripe
DAMPING = 2.5  # 1-sigma of the damped band about frequency 0 along the columns, in coefficients


def moment_matched(image: Floats) -> Floats:
    """An image whose columns (axis 0) are scaled to the mean and standard deviation of the whole."""
    mean, scatter = image.mean(axis=0), image.std(axis=0)
    share = np.where(scatter > 0, image.std() / np.where(scatter > 0, scatter, 1.0), 1.0)
    return np.asarray((image - mean) * share + image.mean())


def wavelet_fourier(image: Floats, *, levels: int = LEVELS, damping: float = DAMPING, moments: int = MOMENTS) -> Floats:
    """Remove stripes along the columns (axis 0) from `image` (lines, columns).

    At each level the coefficients of detail across the columns are damped at the lowest frequencies along the columns,
    by ``1 - exp(-k^2 / (2 damping^2))``. The image is mirrored at its edges.
    """
    low = daubechies(moments)
    step = 2**levels
    lines, columns = image.shape
    padded = np.pad(image, (_margin(lines, step), _margin(columns, step)), mode="symmetric")
    place = tuple(slice(_margin(n, step)[0], _margin(n, step)[0] + n) for n in image.shape)
    return _without_stripes(padded, low, levels, damping)[place]


def daubechies(moments: int) -> Floats:
    """Scaling filter (2 `moments`,), with sum sqrt(2), of the orthonormal wavelet of extremal phase."""
    powers = np.array([comb(moments - 1 + k, k) for k in range(moments)], dtype=float)[::-1]
    filter_ = np.array([1.0])
    for y in np.roots(powers):
        b = 1.0 - 2.0 * y  # y = (2 - z - 1/z) / 4
        z = b + np.sqrt(b * b - 1.0 + 0j)
        filter_ = np.convolve(filter_, [1.0, -(z if abs(z) < 1 else 1 / z)])
    for _ in range(moments):
        filter_ = np.convolve(filter_, [1.0, 1.0])
    real = np.real(filter_)
    return np.asarray(real * (np.sqrt(2.0) / real.sum()))


def analysed(values: Floats, low: Floats, axis: int) -> tuple[Floats, Floats]:
    """One level of the periodic transform along `axis`, of even length: smooth and detail, each half as long."""
    x = np.moveaxis(values, axis, 0)
    even, odd = x[0::2], x[1::2]
    smooth, detail = np.zeros_like(even), np.zeros_like(even)
    for k, (h, g) in enumerate(zip(low, mirror(low), strict=True)):
        part = np.roll(even if k % 2 == 0 else odd, -(k // 2), axis=0)
        smooth += h * part
        detail += g * part
    return np.moveaxis(smooth, 0, axis), np.moveaxis(detail, 0, axis)


def synthesised(smooth: Floats, detail: Floats, low: Floats, axis: int) -> Floats:
    """The inverse of `analysed`: the transform is orthonormal, so its transpose."""
    a, d = np.moveaxis(smooth, axis, 0), np.moveaxis(detail, axis, 0)
    x = np.zeros((2 * a.shape[0], *a.shape[1:]))
    for k, (h, g) in enumerate(zip(low, mirror(low), strict=True)):
        x[k % 2 :: 2] += np.roll(h * a + g * d, k // 2, axis=0)
    return np.moveaxis(x, 0, axis)


def mirror(low: Floats) -> Floats:
    """The wavelet filter of a scaling filter."""
    return np.asarray(low[::-1] * (-1.0) ** np.arange(low.size))


def _without_stripes(image: Floats, low: Floats, levels: int, damping: float) -> Floats:
    if levels == 0:
        return image
    smooth, detail = analysed(image, low, 1)
    plain, changing = analysed(smooth, low, 0)
    stripes, fine = analysed(detail, low, 0)
    smooth = synthesised(_without_stripes(plain, low, levels - 1, damping), changing, low, 0)
    return synthesised(smooth, synthesised(_damped(stripes, damping), fine, low, 0), low, 1)


def _damped(coefficients: Floats, damping: float) -> Floats:
    spectrum = np.fft.rfft(coefficients, axis=0)
    k = np.arange(spectrum.shape[0], dtype=float)[:, None]
    return np.fft.irfft(spectrum * (1.0 - np.exp(-(k**2) / (2 * damping**2))), n=coefficients.shape[0], axis=0)


def _margin(n: int, step: int) -> tuple[int, int]:
    """Numbers of elements to add before and after so that `n` becomes a multiple of `step`, one step wide at least."""
    extra = -n % step + step
    return extra // 2, extra - extra // 2
