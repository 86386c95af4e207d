"""Samples that stand still in all lines of a strip, as where a memory has a dead place or where bars of the recording's
own lie over the picture.

Whatever a sample sees of the film comes through the video, whose noise alone moves it from line to line. One that moves
by far less than that has not seen the film, however fitting its value.
"""

import numpy as np
from numpy.typing import NDArray

from calib.tone.dropouts import Dropouts, LostBlock, Reason

LOOKED_AT = 128  # lines, evenly along a strip
PART = 0.1  # of them at either end of a sample's range do not count: the tape may have lost them
STILL = 0.25  # times the noise (1-sigma): a sample whose other values span less stands still. Noise alone makes them
# span ten times that; the least span of any sample of 462 healthy strips was 0.78 times the noise
COARSE_DN = 1.0  # of strips with less noise nothing is said: rounding may hide it


def still_samples(dn: NDArray, found: Dropouts, noise_dn: float) -> list[LostBlock]:
    """The samples that stand still in all lines of a strip `dn` (n_lines, n_samples), of which some is lost as `found`.

    `noise_dn` is the noise of a typical sample. What is clipped rightly stands still.
    """
    left = np.flatnonzero(~found.whole_lines())
    if noise_dn < COARSE_DN or found.clip is None or left.size < LOOKED_AT:
        return []
    lines = dn[left[np.linspace(0, left.size - 1, LOOKED_AT).astype(np.intp)]]
    ends = round(PART * (LOOKED_AT - 1)), round((1 - PART) * (LOOKED_AT - 1))
    low, high = np.partition(lines, ends, axis=0)[list(ends)].astype(np.int64)
    still = (high - low < STILL * noise_dn) & (low > found.clip[0]) & (high < found.clip[1])
    every_line = range(len(dn))
    return [LostBlock(Reason.STILL, every_line, range(k, k + 1)) for k in np.flatnonzero(still).tolist()]
