"""Finds lines, or parts of lines, that repeat the line before exactly: a tape machine inserts copies for lost lines.

Noise never repeats over a long stretch. The rate of agreement by chance is estimated from nearby lines: how often a
sample equals the one above, or lies within 1 DN of the mean of those above and below. Counting only equal samples would
not be enough: in video without noise, lines stand still where the drift turns, while nearby lines change by 1 DN each.
"""

import numpy as np

from calib.compiled import njit
from calib.median import select

SHORTEST, STRIDE = 32, 8  # samples: the shortest copy; the step of a first test
AROUND = 8  # lines on each side from which agreement by chance is estimated
OUTDONE = 2  # of those may agree more, being copies themselves
LOG_CHANCE = np.log(1e-6)  # log probability of one false copy in a strip


@njit(cache=True, nogil=True)
def mark_copies(dn, lost, clip, copied):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mark samples that repeat the line before in `lost`, and their lines in `copied`; clipped samples do not count."""
    for line in range(1, len(dn)):
        sample = 0
        while sample < dn.shape[1] - SHORTEST + 1:
            if not _may_repeat(dn, line, sample):
                sample += STRIDE
                continue
            first = sample
            while first > 0 and dn[line, first - 1] == dn[line - 1, first - 1]:
                first -= 1
            stop = sample
            while stop < dn.shape[1] and dn[line, stop] == dn[line - 1, stop]:
                stop += 1
            if stop - first >= SHORTEST and _is_copy(dn, lost, line, first, stop, clip):
                lost[line, first:stop] = True
                copied[line] = True
            sample = (stop // STRIDE + 1) * STRIDE


@njit(cache=True, nogil=True, inline="always")
def _may_repeat(dn, line, sample):  # type: ignore[no-untyped-def]  # pragma: no cover
    """First test: whether three samples, STRIDE apart, repeat the line before, as they do in a long copy."""
    same = dn[line, sample] == dn[line - 1, sample]
    same &= dn[line, sample + STRIDE] == dn[line - 1, sample + STRIDE]
    return same & (dn[line, sample + 2 * STRIDE] == dn[line - 1, sample + 2 * STRIDE])


@njit(cache=True, nogil=True)
def _is_copy(dn, lost, line, first, stop, clip):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether a stretch agrees with the line before more than by chance, compared with neighbouring lines."""
    known = 0  # samples that count: where a line is flat, the next line may be equal
    for sample in range(first, stop):
        tells = sample == 0 or dn[line, sample] != dn[line, sample - 1]
        known += tells and clip[0] < dn[line, sample] < clip[1] and not lost[line, sample]
    if known < SHORTEST:
        return False
    begin, end = line, line  # lines that repeat each other do not show the rate of chance
    while begin > 1 and _repeats(dn, begin - 1, first, stop):
        begin -= 1
    while end < len(dn) - 1 and _repeats(dn, end + 1, first, stop):
        end += 1
    rates, n = np.zeros(2 * AROUND), 0
    for other in range(max(begin - AROUND, 1), min(end + AROUND + 1, len(dn) - 1)):
        if other < begin - 1 or other > end + 1:
            seen, same = 0, 0
            for sample in range(first, stop):
                if not lost[other, sample] and not lost[other - 1, sample]:
                    seen += 1
                    same += _stays_or_goes_on(dn, lost, other, sample)
            if 2 * seen >= stop - first:
                rates[n] = (same + 1.0) / (seen + 2.0)
                n += 1
    if n <= 2 * OUTDONE:
        return False
    rate = select(rates, n, n - 1 - OUTDONE)
    return known * np.log(rate) < LOG_CHANCE - np.log(dn.size)


@njit(cache=True, nogil=True)
def _repeats(dn, line, first, stop):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether all of a stretch of a line equals the line before."""
    while first < stop and dn[line, first] == dn[line - 1, first]:
        first += 1
    return first == stop


@njit(cache=True, nogil=True, inline="always")
def _stays_or_goes_on(dn, lost, line, sample):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether a sample equals the one above it, or is within 1 DN of the mean of those above and below."""
    above, here, below = np.int32(dn[line - 1, sample]), np.int32(dn[line, sample]), np.int32(dn[line + 1, sample])
    return (here == above) | (not lost[line + 1, sample] and abs(2 * here - above - below) <= 2)
