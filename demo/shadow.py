"""Cast shadows of a relief under one direction of the Sun."""

import numpy as np
from calib_demo.illumination import FIELDS, Illumination
from numpy.typing import NDArray
from scipy import ndimage

Raster = NDArray[np.float32]
PENUMBRA = 0.15  # heights in ground pixels over which a shadow's edge fades


def lit_share(relief: Raster, light: Illumination) -> Raster:
    """Share (0 to 1) of the Sun that reaches each pixel past the relief towards the Sun.

    The highest line of sight of the next 2^k pixels is found from that of 2^(k-1) by doubling. The Sun's direction is
    that of the raster's middle.
    """
    middle = light.fields[light.fields.shape[0] // 2, light.fields.shape[1] // 2]
    sun, sun_1, sun_2 = (float(middle[FIELDS.index(name)]) for name in ("sun", "sun_1", "sun_2"))
    across = np.sqrt(max(1.0 - sun * sun, 1e-9))
    step = np.array([sun_2, sun_1]) / across  # (rows, columns) towards the Sun per ground pixel
    length = float(np.hypot(*step))
    step, rise = step / length, sun / across / length
    horizon, reach = _toward(relief, step, rise, 1.0), 1.0
    while reach < 0.5 * min(relief.shape):
        horizon = np.maximum(horizon, _toward(horizon, step, rise, reach))
        reach *= 2.0
    return np.clip(1.0 - (horizon - relief) / PENUMBRA, 0.0, 1.0).astype(np.float32)


def _toward(heights: Raster, step: NDArray[np.float64], rise: float, reach: float) -> Raster:
    """Heights at `reach` pixels towards the Sun, lowered by the rise of the Sun's ray over that distance."""
    return ndimage.shift(heights, -step * reach, order=1, mode="nearest") - np.float32(rise * reach)
