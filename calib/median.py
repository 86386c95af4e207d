"""Medians, weighted, and in compiled code: the compiler's own is compiled anew in each function that calls it."""

import numpy as np

from calib.compiled import bare, njit
from calib.coordinates import Array

MIDDLE_SIZE = 0.6745  # the median size of what scatters as a Gaussian does, in its sigmas
MIDDLE_SQUARE = 0.4549  # the median square of the same: of chi-squared with one degree of freedom
TO_SIGMA = 1.4826  # times the median absolute deviation of a Gaussian is its sigma
MOST = np.int32(2**30)  # above all whole numbers that have a median here


def weighted_median(values: Array, weight: Array) -> float:
    """The one of the values (N,), N not 0, below which half of the weight (N,) lies."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    return float(values[order[np.searchsorted(total, total[-1] / 2)]])


@njit(cache=True, nogil=True)
def select(values, n, k):  # type: ignore[no-untyped-def]  # pragma: no cover
    """What would stand at place `k` of the first `n` values were they sorted; their order changes.

    Hoare's selection (1961): what is not larger than a chosen value goes to the left of it, what is not smaller to the
    right, and the part that holds the place is gone through again. None may be NaN.
    """
    first, last = 0, n - 1
    while first < last:
        pivot, i, j = values[(first + last) // 2], first, last
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i, j = i + 1, j - 1
        if k <= j:
            last = j
        elif k >= i:
            first = i
        else:
            break
    return values[k]


@njit(cache=True, nogil=True)
def median_of(values):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Median of float64 (N,), in one piece, none of them NaN: of an even number the mean of the two in the middle.

    NaN where N is 0.
    """
    return _median_in(values.copy())


@njit(cache=True, nogil=True)
def _median_in(rest):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The same of values whose order changes."""
    middle = rest.size // 2
    if rest.size == 0:
        return np.nan
    upper = select(rest, rest.size, middle)
    if rest.size % 2:
        return upper
    lower = rest[0]
    for k in range(1, middle):
        lower = max(lower, rest[k])
    return (lower + upper) / 2


@njit(cache=True, nogil=True)
def medians_by(values, which, n):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Medians (n,) of the values (N,) that `which` (N,) numbers alike, below zero to none; NaN where there are none."""
    start = np.zeros(n + 2, np.int64)
    for index in range(which.size):
        if which[index] >= 0:
            start[which[index] + 2] += 1
    start = np.cumsum(start)
    sorted_values = np.empty(start[-1])
    for index in range(which.size):
        if which[index] >= 0:
            sorted_values[start[which[index] + 1]] = values[index]
            start[which[index] + 1] += 1
    medians = np.empty(n)
    for group in range(n):
        medians[group] = _median_in(sorted_values[start[group] : start[group + 1]])
    return medians


@njit(cache=True, nogil=True, fastmath={"reassoc"})
def middle_size(sizes, count):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The (upper) middle one of those `count` of single precision `sizes` (N,) that count; the others are infinite.

    Numbers that are not negative rise with their bits: those of the middle one are found one by one, by counting what
    lies below. That takes no longer whatever the order, and many are counted at once.
    """
    one, nothing, middle = np.float32(1), np.float32(0), np.float32(count // 2)
    bits = np.zeros(1, np.int32)
    tried = bits.view(np.float32)
    for bit in range(30, -1, -1):
        bits[0] += 1 << bit
        below, limit = nothing, tried[0]
        for i in range(sizes.size):
            below += one if sizes[i] < limit else nothing
        if not below <= middle:
            bits[0] -= 1 << bit
    return tried[0]


@bare(cache=True, nogil=True, error_model="numpy")
def median_of_whole(values):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Median of whole numbers from 0 on (int32), exact for up to 2**24 of them, by narrowing the range that it lies in.

    Counting a range is one quick sweep. The next limit stands where the median would if what lies in the range were
    spread evenly; now and then in the middle, for where it is not.
    """
    middle, turn = np.float32((values.size + 1) // 2), 0
    low, high = _range(values)
    low, below, up_to = np.int32(low - 1), np.float32(0.0), np.float32(values.size)
    while high - low > 1 and below < middle - 1:
        part = (middle - np.float32(0.5) - below) / (up_to - below) if turn % 3 < 2 else np.float32(0.5)
        limit = np.int32(min(max(np.int32(low + np.int32(part * np.float32(high - low))), low + 1), high - 1))
        count, turn = _count_up_to(values, limit), turn + 1
        if count >= middle:
            high, up_to = limit, count
        else:
            low, below = limit, count
    if high - low > 1:
        high = _least_above(values, low)
        up_to = _count_up_to(values, high)
    if values.size % 2 == 1 or up_to > middle:
        return float(high)
    return 0.5 * (float(high) + float(_least_above(values, high)))


@bare(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def _count_up_to(values, limit):  # type: ignore[no-untyped-def]  # pragma: no cover
    count = np.float32(0.0)
    for index in range(values.size):
        count += np.float32(1.0) if values[index] <= limit else np.float32(0.0)
    return count


@bare(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def _least_above(values, limit):  # type: ignore[no-untyped-def]  # pragma: no cover
    least = MOST
    for index in range(values.size):
        least = min(least, values[index] if values[index] > limit else MOST)
    return least


@bare(cache=True, nogil=True)
def _range(values):  # type: ignore[no-untyped-def]  # pragma: no cover
    least = greatest = values[0]
    for index in range(values.size):
        least, greatest = min(least, values[index]), max(greatest, values[index])
    return least, greatest
