"""Finds samples that are constant in all lines of a strip, due to a dead memory cell or bars added by the recorder.

Anything read from the film passes through the video chain, whose noise alone changes it from line to line. A sample
that changes far less does not show the film, however plausible its value.
"""

import numpy as np
from numpy.typing import NDArray

from calib.tone.dropouts import Dropouts, LostBlock, Reason

LOOKED_AT = 128  # lines, spread evenly along a strip
PART = 0.1  # of them are ignored at either end of a sample's range: they may be dropouts
# A sample is stuck if its other values span less than this many sigma of noise. Noise alone makes them span ten times
# that; the smallest span in 462 healthy strips was 0.78 sigma.
STILL = 0.25
COARSE_DN = 1.0  # least noise of a strip that is judged: rounding may hide less


def still_samples(dn: NDArray, found: Dropouts, noise_dn: float) -> list[LostBlock]:
    """Stuck samples of a strip `dn` (n_lines, n_samples), as blocks of all its lines; lines lost in `found` are
    skipped.

    `noise_dn` is the 1-sigma noise of a typical sample. Clipped samples are not judged: they are constant anyway.
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
