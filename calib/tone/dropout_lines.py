"""Finds whole lines that are certainly lost, before the search for lost samples.

That search compares a line with its neighbours, and estimates from the strip how much good samples differ. If every
second line is lost, over a stretch or in the whole strip, both fail: the lost lines are the neighbours.
"""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit

LOG_CHANCE = float(np.log(1e-6))  # log probability that some line of a strip has one value by chance
HIGHEST = 4  # most lines of one value in a row: a clipped patch has more, or it could not be measured
LIKE = 0.05  # largest share of the sound lines beside them with that value,
WIDE = 0.25  # or in at least this share of the width ...
FAR = 6.0  # ... the lines beside them are this many times closer to each other than to that value
PIECES = 6  # of a line: garbage over the whole line is rough in each
AT_END = 0.001  # share of a strip's samples beyond each end of its range of DN
SPARSE = 17  # every 17th line is used for that range: a prime, since every second or third line may be lost
ROUGH = 0.2  # mean step between samples over that range: a third in garbage, a quarter in its smoothest piece
ROUGHER = 2.0  # times as rough as ...
SMOOTH_PART = 0.1  # ... this quantile of the lines' roughness: where all lines are noise, none stands out


def lines_lost(dn: NDArray) -> NDArray[np.bool_]:
    """Mask (n_lines,) of the lines of a strip `dn` (n_lines, n_samples) of one value, or of garbage throughout."""
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
    """For each line the number of samples that repeat the one before, and the mean step between samples in DN."""
    n_lines, n_samples = dn.shape
    repeats, step = np.zeros(n_lines, np.int64), np.zeros(n_lines)
    for line in range(n_lines):
        here, same, total = dn[line], np.int32(0), np.uint32(0)  # sums of 32-bit integers are vectorised
        for sample in range(1, n_samples):
            size = np.uint32(abs(np.int32(np.int32(here[sample]) - np.int32(here[sample - 1]))))
            same, total = np.int32(same + (size == 0)), np.uint32(total + size)
        repeats[line], step[line] = same, total / max(n_samples - 1, 1)
    return repeats, step


@njit(cache=True, nogil=True)
def counted(dn, step):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Histogram (65536,) of the DN of every `step`-th line and sample."""
    count = np.zeros(65536, np.int64)
    for line in range(0, dn.shape[0], step):
        for sample in range(0, dn.shape[1], step):
            count[dn[line, sample]] += 1
    return count


def _of_one_value(dn: NDArray, repeats: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Mask (n_lines,) of the lines of one value that the sound lines next to them contradict."""
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
    """Whether a line of one `value` cannot be film between the lines `above` and `below`.

    Either noise would have shown in it, or those lines agree with each other over much of their width and are far from
    it. Where they have that value themselves, they may be clipped.
    """
    if max(np.mean(above == value), np.mean(below == value)) <= LIKE:
        return is_noisy
    differ = (above != value) & (below != value)
    if np.mean(differ) < WIDE:
        return False
    off = np.minimum(np.abs(above - value), np.abs(below - value))[differ]
    return bool(np.median(off) > FAR * np.median(np.abs(above - below)[differ]))
