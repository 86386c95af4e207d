"""Whole lines that are lost beyond doubt, told before anything is known of a strip.

The search for lost samples compares a line with its neighbours, and takes from the strip how far good ones differ.
Where every second line is lost, over a stretch or a whole strip, neither says anything: the lost ones are the
neighbours.
"""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit

LOG_CHANCE = float(np.log(1e-6))  # that any line of a strip is of one value by chance
HIGHEST = 4  # lines of one value in a row: a clipped patch is higher, or nothing of it could be measured
LIKE = 0.05  # of the sound line beside them may have that value
WIDE = 0.25  # or in so much of their width ...
FAR = 6.0  # ... those beside them are so many times closer to each other than to it
PIECES = 6  # of a line: garbage from edge to edge is rough in all
AT_END = 0.001  # of a strip's samples lie beyond either end of its range of DN
SPARSE = 17  # every so manieth line tells it: a prime, since every second or third may be lost
ROUGH = 0.2  # of that range from sample to sample: a third in garbage, where it is the smoothest piece a quarter
ROUGHER = 2.0  # times as rough as ...
SMOOTH_PART = 0.1  # ... the line that this part of all are smoother than: where all is noise, no line stands out


def lines_lost(dn: NDArray) -> NDArray[np.bool_]:
    """Which lines of a strip `dn` (n_lines, n_samples) are of one value, or garbage from edge to edge; (n_lines,)."""
    repeats, step = _told_by_line(dn)
    lost = _of_one_value(dn, repeats)
    sound = step[step > 0]
    rough = np.flatnonzero(step > ROUGHER * np.quantile(sound, SMOOTH_PART)) if sound.size else sound
    if rough.size:
        up_to = np.cumsum(counted(dn[np.flatnonzero(~lost)[::SPARSE]], 1))
        low, high = np.searchsorted(up_to, (AT_END * up_to[-1], (1 - AT_END) * up_to[-1]))
        rough = rough[step[rough] > ROUGH * (high - low)]
        pieces = np.array_split(np.abs(np.diff(dn[rough].astype(np.int32), axis=1)), PIECES, axis=1)
        lost[rough] = np.all([piece.mean(axis=1) > ROUGH * (high - low) for piece in pieces], axis=0)
    return lost


@njit(cache=True, nogil=True)
def _told_by_line(dn):  # type: ignore[no-untyped-def]  # pragma: no cover
    """How many samples of each line repeat the one before, and the mean step from one to the next in DN."""
    n_lines, n_samples = dn.shape
    repeats, step = np.zeros(n_lines, np.int64), np.zeros(n_lines)
    for line in range(n_lines):
        here, same, total = dn[line], np.int32(0), np.uint32(0)  # whole numbers of 32 bits are added side by side
        for sample in range(1, n_samples):
            size = np.uint32(abs(np.int32(np.int32(here[sample]) - np.int32(here[sample - 1]))))
            same, total = np.int32(same + (size == 0)), np.uint32(total + size)
        repeats[line], step[line] = same, total / max(n_samples - 1, 1)
    return repeats, step


@njit(cache=True, nogil=True)
def counted(dn, step):  # type: ignore[no-untyped-def]  # pragma: no cover
    """How many of every so manieth line's and sample's DN are of each value, for all values of 16 bits."""
    count = np.zeros(65536, np.int64)
    for line in range(0, dn.shape[0], step):
        for sample in range(0, dn.shape[1], step):
            count[dn[line, sample]] += 1
    return count


def _of_one_value(dn: NDArray, repeats: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which lines are of one value that the sound lines next to them contradict; (n_lines,)."""
    n_lines, n_samples = dn.shape
    lost = np.zeros(n_lines, np.bool_)
    ends = np.flatnonzero(np.diff(repeats == n_samples - 1, prepend=False, append=False))
    for first, stop in zip(ends[::2].tolist(), ends[1::2].tolist(), strict=True):
        if 0 < first < stop < n_lines and stop - first <= HIGHEST:
            above, below = dn[[first - 1, stop]].astype(np.int32)
            rate = (max(repeats[first - 1], repeats[stop]) + 1.0) / (n_samples + 1.0)
            is_noisy = n_samples * np.log(rate) < LOG_CHANCE - np.log(n_lines)
            for line in range(first, stop):
                lost[line] = _stands_out(int(dn[line, 0]), above, below, is_noisy=bool(is_noisy))
    return lost


def _stands_out(value: int, above: NDArray[np.int32], below: NDArray[np.int32], *, is_noisy: bool) -> bool:
    """Whether a line of one `value` cannot lie between those `above` and `below`: noise would have shown in it, or in
    much of their width they are like each other and far from it; what else they hold may be clipped, as it seems."""
    if max(np.mean(above == value), np.mean(below == value)) <= LIKE:
        return is_noisy
    differ = (above != value) & (below != value)
    if np.mean(differ) < WIDE:
        return False
    off = np.minimum(np.abs(above - value), np.abs(below - value))[differ]
    return bool(np.median(off) > FAR * np.median(np.abs(above - below)[differ]))
