"""Seeded random numbers: independent streams by name, smooth random curves, fractal fields."""

import zlib

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage
from scipy.interpolate import CubicSpline

Array = NDArray[np.float64]


def stream(seed: int, *labels: str | int) -> np.random.Generator:
    """A generator that depends only on the seed and the labels, so that parts of a frame do not affect each other."""
    return np.random.default_rng([seed, *(zlib.crc32(str(label).encode()) for label in labels)])


def smooth_curve(generator: np.random.Generator, n: int, scale: float, peak: float) -> Array:
    """(n,) random curve of mean zero, correlated over `scale` elements, whose largest absolute value is `peak`."""
    step = max(1, int(scale / 25))  # coarse enough to be quick, fine enough for a spline to follow
    coarse, margin = n // step + 2, int(4 * scale / step) + 1
    filtered = ndimage.gaussian_filter1d(generator.standard_normal(coarse + 2 * margin), scale / step)
    curve = CubicSpline(np.arange(coarse) * step, filtered[margin : margin + coarse])(np.arange(n))
    curve -= curve.mean()
    return peak * curve / max(float(np.abs(curve).max()), 1e-30)


def fractal_field(
    generator: np.random.Generator, shape: tuple[int, int], fall: float, longest_px: float
) -> NDArray[np.float32]:
    """Random field (rows, columns) of unit scatter whose amplitude spectrum falls as ``frequency ** -fall``.

    Waves longer than `longest_px` keep the strength of that wavelength.
    """
    padded = tuple(fft.next_fast_len(n + int(min(n, longest_px) / 4), real=True) for n in shape)
    spectrum = fft.rfft2(generator.standard_normal(padded, dtype=np.float32))
    rows = fft.fftfreq(padded[0]).astype(np.float32)[:, None]
    columns = fft.rfftfreq(padded[1]).astype(np.float32)[None, :]
    square = np.maximum(rows * rows + columns * columns, np.float32(1.0 / longest_px**2))
    spectrum *= square ** np.float32(-0.5 * fall)
    spectrum[0, 0] = 0.0
    field = fft.irfft2(spectrum, s=padded)[: shape[0], : shape[1]]
    field -= field.mean()
    return np.ascontiguousarray(field / field.std(), dtype=np.float32)
