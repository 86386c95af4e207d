"""Array operations of the benchmarks: block means, thirds, amplitudes, root mean square."""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def rms(values: NDArray) -> float:
    """Root mean square; NaN of an empty array."""
    return float(np.sqrt(np.mean(np.square(values, dtype=np.float64)))) if np.size(values) else float("nan")


def block_means(values: NDArray, good: Flags, size: int) -> Floats:
    """Means of the blocks of `size` x `size` pixels that are wholly `good`, in raster order (N,)."""
    rows, columns = (n // size for n in values.shape)
    inner = slice(0, rows * size), slice(0, columns * size)
    shape = (rows, size, columns, size)
    whole = good[inner].reshape(shape).all(axis=(1, 3))
    mean = np.where(good, values, 0.0)[inner].reshape(shape).mean(axis=(1, 3), dtype=np.float64)
    return mean[whole]


def thirds(values: NDArray) -> NDArray[np.int64]:
    """0, 1 or 2 for the lowest, middle and highest third of `values` (N,) by rank of value."""
    low, high = np.quantile(values, [1 / 3, 2 / 3])
    return (values > low).astype(np.int64) + (values > high)


def high_passed(profile: Floats, known: Flags, scale: float) -> Floats:
    """A profile (N,) minus its Gaussian running mean over the `known` elements, of 1-sigma `scale` elements."""
    weight = gaussian_filter1d(known.astype(float), scale, mode="nearest")
    total = gaussian_filter1d(np.where(known, profile, 0.0), scale, mode="nearest")
    return np.where(known, profile - total / np.maximum(weight, 1e-12), 0.0)


def amplitude(found: Floats, true: Floats) -> float:
    """Share of the `true` profile's contrast in `found`: the slope of the regression through the origin."""
    power = float(np.sum(true * true))
    return float(np.sum(found * true)) / power if power > 0 else float("nan")


def amplitude_sigma(floor: Floats, true: Floats) -> float:
    """1-sigma of `amplitude` if the elements of the found profile have the 1-sigma `floor`."""
    power = float(np.sum(true * true))
    return float(np.sqrt(np.sum((floor * true) ** 2))) / power if power > 0 else float("nan")
