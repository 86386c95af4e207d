"""The same interpolation on one plain image: no strips, no noise model, NaN for missing samples."""

import numpy as np
from numpy.typing import NDArray

from calib.film.interpolate import KernelScale, interpolate_window
from calib.film.source import StripWindow
from calib.quality import DROPOUT


def sample_image(
    image: NDArray[np.floating], row: NDArray[np.float64], column: NDArray[np.float64], scale: KernelScale
) -> NDArray[np.float32]:
    """Values (N,) of `image` (R, C) at fractional places (N,), integers being pixel centres; NaN outside and at NaN."""
    value = np.ascontiguousarray(image, dtype=np.float32)
    nothing = np.zeros(value.shape, np.float32)
    quality = np.where(np.isfinite(value), 0, DROPOUT).astype(np.uint16)
    out = np.full(row.shape, np.nan, np.float32)
    on = (row >= -0.5) & (row <= value.shape[0] - 0.5) & (column >= -0.5) & (column <= value.shape[1] - 0.5)
    if on.any():
        window = StripWindow(0, value, nothing, nothing, quality)
        out[on] = interpolate_window(window, row[on], column[on], scale).value
    return out
