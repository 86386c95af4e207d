"""The median in compiled code: the compiler's own is compiled anew in each function that calls it."""

import numpy as np

from calib.compiled import njit

MOST = np.int32(2**30)  # above all whole numbers that have a median here


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
    rest, middle = values.copy(), values.size // 2
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
        medians[group] = median_of(sorted_values[start[group] : start[group + 1]])
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


@njit(cache=True, nogil=True)
def median_of_whole(values):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Median of whole numbers from 0 on (int32), exact, by halving the range that it lies in.

    Counting a range is one quick sweep.
    """
    middle = (values.size + 1) // 2
    low, high = _least_above(values, np.int32(-1)), _greatest(values)
    while low < high:
        half = np.int32((low + high) // 2)
        if _count_up_to(values, half) >= middle:
            high = half
        else:
            low = np.int32(half + 1)
    if values.size % 2 == 1 or _count_up_to(values, low) > middle:
        return float(low)
    return 0.5 * (float(low) + float(_least_above(values, low)))


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def _count_up_to(values, limit):  # type: ignore[no-untyped-def]  # pragma: no cover
    count = np.float32(0.0)
    for index in range(values.size):
        count += np.float32(1.0) if values[index] <= limit else np.float32(0.0)
    return count


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def _least_above(values, limit):  # type: ignore[no-untyped-def]  # pragma: no cover
    least = MOST
    for index in range(values.size):
        least = min(least, values[index] if values[index] > limit else MOST)
    return least


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def _greatest(values):  # type: ignore[no-untyped-def]  # pragma: no cover
    greatest = values[0]
    for index in range(values.size):
        greatest = max(greatest, values[index])
    return greatest
