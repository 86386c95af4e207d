"""A strip's samples as density, window by window."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.quality import DROPOUT, HIGH_DENSITY, LOW_DENSITY
from calib.tone.dropouts import Dropouts
from calib.tone.model import StripTone

if TYPE_CHECKING:
    from calib.frame.frame import StripRaster


@dataclass(frozen=True, slots=True, eq=False)
class DensityWindow:
    """Density of a window of lines, the 1-sigma scatter of each sample, and its quality bits; all (n, n_samples)."""

    density: NDArray[np.float32]
    sigma: NDArray[np.float32]
    quality: NDArray[np.uint16]


def quality_of_dn(tone: StripTone) -> NDArray[np.uint16]:
    """The low- and high-density bits that go with each DN of a strip, shape of its tables."""
    quality = np.zeros(tone.density_of_dn.size, dtype=np.uint16)
    first, last = tone.dn_span
    below, above = (LOW_DENSITY, HIGH_DENSITY) if tone.rising else (HIGH_DENSITY, LOW_DENSITY)
    quality[:first] = below
    quality[last + 1 :] = above
    return quality


def density_window(raster: StripRaster, tone: StripTone, dropouts: Dropouts, first: int, stop: int) -> DensityWindow:
    """Lines `first` to `stop` (exclusive) of a strip as density.

    Where a quality bit is set the density is only held, not measured; the caller leaves such samples out.
    """
    dn = raster.read(first, stop)
    banding = tone.column_density.astype(np.float32)[None, :] + tone.line_density[first:stop, None].astype(np.float32)
    quality = quality_of_dn(tone)[dn]
    quality[dropouts.mask(first, stop)] |= np.uint16(DROPOUT)
    return DensityWindow(density=tone.density_of_dn[dn] - banding, sigma=tone.noise_density[dn], quality=quality)
