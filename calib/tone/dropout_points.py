"""Samples that were lost one by one: impulses, far from all that lies about them.

The search for runs (`dropout_kernels`) asks too much of a single sample to take it for garbage, since it compares it
with its column alone, where an edge may pass. But a place of the film that stands out shows in the samples beside it as
well, since the readout's spot is wider than a point. A spot of half a sample (1-sigma), as narrow as any that samples
can follow, shows an eighth of a point's light to the samples left and right. One whose neighbours in the line show
nothing of it was not on the film. All are compared with those above and below them, so that banding tells nothing.
"""

import numpy as np

from calib.compiled import bare, njit
from calib.tone.dropout_tiles import TILE

STANDS_OUT = 12.0  # times the scatter of good samples: less is noise's
ROUNDED = 1.0  # DN: rounding may hide a scatter that is smaller, and a clipped end one that is not
UNSHARED = 8.0  # times what the samples beside it show, at least
BESIDE = 2  # samples on either side that are looked at: four also tell noise where two tiles' meet


@njit(cache=True, nogil=True)
def mark_points(dn, scale, clip, lost, marked):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mark in `lost` the single samples that stand out from those about them, and their lines in `marked`.

    `scale` is the scatter of good samples for each tile. None is judged beside a sample that is lost, or clipped, which
    does not scatter, nor at the end of a line, where a wedge's side may pass.
    """
    n_lines, n_samples = dn.shape
    least = np.empty(n_samples, np.float32)
    row = -1
    for line in range(1, n_lines - 1):
        if line // TILE != row:
            row = line // TILE
            for sample in range(n_samples):
                least[sample] = STANDS_OUT * max(scale[row, sample // TILE], ROUNDED)
        if _some_stand_out(dn[line - 1], dn[line], dn[line + 1], least):
            for sample in range(1, n_samples - 1):
                off = _off(dn, clip, lost, line, sample)
                if off > least[sample] and off > UNSHARED * _shown_beside(dn, clip, lost, line, sample):
                    lost[line, sample] = True
                    marked[line] = True


@bare(cache=True, nogil=True)
def _some_stand_out(above, here, below, least):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether some sample of a line lies more than `least` beyond those above and below."""
    some = False
    for sample in range(here.size):
        value, up, down = np.int32(here[sample]), np.int32(above[sample]), np.int32(below[sample])
        some |= np.float32(max(value - max(up, down), min(up, down) - value)) > least[sample]
    return some


@njit(cache=True, nogil=True)
def _off(dn, clip, lost, line, sample):  # type: ignore[no-untyped-def]  # pragma: no cover
    """By how many DN a sample lies beyond the eight about it; 0 where it is lost or its column tells nothing."""
    if lost[line, sample] or not _tell(dn, clip, lost, line, sample):
        return np.int32(0)
    value, low, high = np.int32(dn[line, sample]), np.int32(65535), np.int32(0)
    for other in range(line - 1, line + 2):
        for beside in range(sample - 1, sample + 2):
            if (other != line or beside != sample) and not lost[other, beside]:
                low, high = min(low, np.int32(dn[other, beside])), max(high, np.int32(dn[other, beside]))
    return max(value - high, low - value)


@njit(cache=True, nogil=True)
def _shown_beside(dn, clip, lost, line, sample):  # type: ignore[no-untyped-def]  # pragma: no cover
    """How far, in DN, the samples left and right lie off the mean of those above and below them, the farthest one;
    without end where one of them tells nothing."""
    most = 0.0
    for beside in range(max(sample - BESIDE, 0), min(sample + BESIDE + 1, dn.shape[1])):
        if beside != sample:
            value = dn[line, beside]
            if lost[line, beside] or not clip[0] < value < clip[1] or not _tell(dn, clip, lost, line, beside):
                return np.inf
            most = max(most, abs(float(value) - 0.5 * (float(dn[line - 1, beside]) + float(dn[line + 1, beside]))))
    return most


@njit(cache=True, nogil=True)
def _tell(dn, clip, lost, line, sample):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether the samples above and below a place are neither lost nor clipped."""
    good = not (lost[line - 1, sample] or lost[line + 1, sample])
    return good and clip[0] < dn[line - 1, sample] < clip[1] and clip[0] < dn[line + 1, sample] < clip[1]
