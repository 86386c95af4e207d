"""Finds single lost samples: impulses that differ strongly from all samples around them.

The search for runs (`dropout_kernels`) compares a sample only with its column, where an edge may pass, so it rarely
accepts a single sample as garbage. But a bright or dark point of the film also shows in the adjacent samples, since the
readout's spot is wider than a point. With a spot of half a sample (1-sigma), about the narrowest that the sampling can
follow, the samples to the left and right get an eighth of a point's light. A sample of which its neighbours in the line
show nothing was not on the film. Each is compared with the samples above and below it, which removes the banding.
"""

import numpy as np

from calib.compiled import bare, njit
from calib.tone.dropout_tiles import TILE

STANDS_OUT = 12.0  # times the scatter of good samples: less may be noise
ROUNDED = 1.0  # DN: least scatter assumed, since rounding may hide a smaller one and clipping a larger one
UNSHARED = 8.0  # at least this many times the deviation of the adjacent samples
BESIDE = 2  # adjacent samples on each side: four in all also show the noise at the border of two tiles


@njit(cache=True, nogil=True)
def mark_points(dn, scale, clip, lost, marked):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mark single outlying samples in `lost`, and their lines in `marked`.

    `scale` is the scatter of good samples of each tile. Samples beside a lost or clipped one (which does not scatter)
    are not judged, nor the ends of a line, where the side of a wedge may lie.
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
    """By how many DN a sample lies beyond its eight neighbours; 0 if it is lost or its column is unusable."""
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
    """The largest deviation in DN of the samples to the left and right from the mean of those above and below them;
    infinite if one of them is unusable."""
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
