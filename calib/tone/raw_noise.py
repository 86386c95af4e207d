"""How noisy a strip's DN are, before anything is known of its tone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calib.median import TO_SIGMA, median_of
from calib.tone.noise import LEAST_SCATTER_DN

if TYPE_CHECKING:
    from calib.frame.frame import StripRaster

BLOCKS, LINES, SPARSE = 16, 24, 4  # read along the strip, every so manieth sample: enough for a few per cent


def raw_noise_dn(raster: StripRaster) -> float:
    """Typical 1-sigma scatter of one sample in DN, from second differences along the columns.

    The second difference of white noise has 6 times its variance; the median over blocks spread along the strip looks
    past wedge edges, marks and dropouts.
    """
    starts = np.unique(np.linspace(0, max(raster.n_lines - LINES, 0), BLOCKS).astype(int))
    scatter = []
    for first in starts.tolist():
        dn = raster.read(first, min(first + LINES, raster.n_lines))[:, ::SPARSE].astype(np.float64)
        if dn.shape[0] >= 3:
            second = (dn[:-2] - 2.0 * dn[1:-1] + dn[2:]).ravel()
            scatter.append(TO_SIGMA * median_of(np.abs(second - median_of(second))) / np.sqrt(6.0))
    return max(float(np.median(scatter)), LEAST_SCATTER_DN) if scatter else LEAST_SCATTER_DN
