"""Samples that stand still in all lines of a strip, as where a memory has a dead place or where bars of the recording's
own lie over the picture.

Whatever a sample sees of the film comes through the video, whose noise alone moves it from line to line. One that moves
by far less than that has not seen the film, however fitting its value.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.tone.dropout_kernels import runs_of
from calib.tone.dropouts import Dropouts

LOOKED_AT = 128  # lines, evenly along a strip
PART = 0.1  # of them may lie above, or below: what the tape lost
STILL = 0.25  # times the noise (1-sigma) between those: ten times less than noise alone (least of 462 strips: .78)
COARSE_DN = 1.0  # less noise may be hidden by rounding


def without_still(dn: NDArray, found: Dropouts, noise_dn: float) -> Dropouts:
    """What a strip `dn` (n_lines, n_samples) has lost, of which some was `found`, with the samples that stand still.

    `noise_dn` is the noise of a typical sample. What is clipped rightly stands still.
    """
    still = _still(dn, found, noise_dn) if noise_dn >= COARSE_DN else np.empty(0, np.intp)
    if not still.size:
        return found
    lost = found.mask(0, len(dn))
    lost[:, still] = True
    return replace(found, runs=runs_of(lost, np.ones(len(dn), np.bool_)), still=tuple(still.tolist()))


def _still(dn: NDArray, found: Dropouts, noise_dn: float) -> NDArray[np.intp]:
    """Which samples stand still."""
    left = np.flatnonzero(~found.whole_lines())
    if found.clip is None or left.size < LOOKED_AT:
        return np.empty(0, np.intp)
    lines = dn[left[np.linspace(0, left.size - 1, LOOKED_AT).astype(np.intp)]]
    ends = round(PART * (LOOKED_AT - 1)), round((1 - PART) * (LOOKED_AT - 1))
    low, high = np.partition(lines, ends, axis=0)[list(ends)].astype(np.int64)
    return np.flatnonzero((high - low < STILL * noise_dn) & (low > found.clip[0]) & (high < found.clip[1]))
