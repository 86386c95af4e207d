"""Medians: weighted, and for compiled code, where numba's own would be compiled again in each calling function."""

import numpy as np

from calib.compiled import bare, njit
from calib.coordinates import Array

MIDDLE_SIZE = 0.6745  # median absolute value of a standard Gaussian
MIDDLE_SQUARE = 0.4549  # median square of a standard Gaussian: of chi-squared with one degree of freedom
TO_SIGMA = 1.4826  # factor from the median absolute deviation of a Gaussian to its sigma
MOST = np.int32(2**30)  # above all integers handled here


def weighted_median(values: Array, weight: Array) -> float:
    """Weighted median of values (N,), N > 0: the first at which the cumulative weight reaches half of the total."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    return float(values[order[np.searchsorted(total, total[-1] / 2)]])


@njit(cache=True, nogil=True)
def select(values, n, k):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The `k`-th smallest (from 0) of the first `n` values, which are reordered. None may be NaN.

    Hoare's selection (1961): partition around a pivot, then continue in the part that contains place `k`.
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
    """Median of contiguous float64 values (N,) without NaN; for even N the mean of the middle two; NaN if N is 0."""
    return _median_in(values.copy())


@njit(cache=True, nogil=True)
def _median_in(rest):  # type: ignore[no-untyped-def]  # pragma: no cover
    """As `median_of`, for values that may be reordered."""
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
    """Medians (n,) by group of the values (N,): `which` (N,) is the group, below 0 for none; NaN for empty groups."""
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
    """Upper median of the `count` finite values among float32 `sizes` (N,), none negative; the others are infinite.

    Nonnegative floats are ordered like their bit patterns, so the bits of the median are found one by one, by counting
    smaller values. The time does not depend on the order, and the counting is vectorized.
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
    """Median of integers (int32) from 0 on, exact for up to 2**24 of them, by narrowing the interval that contains it.

    Each step counts the values in one fast pass. The next limit is where the median would be for a uniform
    distribution in the interval; every third step bisects, in case it is not uniform.
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
