"""Estimates the noise of a strip's DN before anything is known of its tone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.median import TO_SIGMA, median_of_whole
from calib.tone.noise import LEAST_SCATTER_DN

if TYPE_CHECKING:
    from calib.frame.frame import StripRaster

BLOCKS, LINES, SPARSE = 16, 24, 4  # blocks along the strip, their lines, step in samples: accurate to a few per cent


def raw_noise_dn(raster: StripRaster, gone: NDArray[np.bool_]) -> float:
    """Typical 1-sigma scatter of one sample in DN, from second differences along the columns; `gone` lines are skipped.

    The second difference of white noise has 6 times its variance. The median over blocks spread along the strip is
    robust against wedge edges, marks and dropouts.
    """
    left, scatter = np.flatnonzero(~gone), []
    for first in np.unique(np.linspace(0, max(left.size - LINES, 0), BLOCKS).astype(int)).tolist():
        lines = left[first : first + LINES]
        if lines.size >= 3:
            dn = raster.read(lines[0], lines[-1] + 1)[lines - lines[0], ::SPARSE].astype(np.int32)
            second = (dn[:-2] - 2 * dn[1:-1] + dn[2:]).ravel()
            second -= second.min()
            off = np.abs(2 * second - np.int32(2 * median_of_whole(second)))
            scatter.append(TO_SIGMA * median_of_whole(off) / 2 / np.sqrt(6.0))
    return max(float(np.median(scatter)), LEAST_SCATTER_DN) if scatter else LEAST_SCATTER_DN
