"""The median in compiled code: the compiler's own costs a second of compiling in each function that calls it."""

import numpy as np

from calib.compiled import njit


@njit(cache=True, nogil=True)
def median_of(values):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Median of float64 (N,), in one piece, none of them NaN: of an even number the mean of the two in the middle.

    It is found in a copy, by Hoare's selection (1961): what is not larger than a chosen value goes to the left of it,
    what is not smaller to the right, and the part that holds the middle is gone through again. NaN where N is 0.
    """
    rest, middle = values.copy(), values.size // 2
    if rest.size == 0:
        return np.nan
    first, last = 0, rest.size - 1
    while first < last:
        pivot, i, j = rest[(first + last) // 2], first, last
        while i <= j:
            while rest[i] < pivot:
                i += 1
            while rest[j] > pivot:
                j -= 1
            if i <= j:
                rest[i], rest[j] = rest[j], rest[i]
                i, j = i + 1, j - 1
        if middle <= j:
            last = j
        elif middle >= i:
            first = i
        else:
            break
    upper = rest[middle]
    if rest.size % 2:
        return upper
    lower = rest[0]
    for k in range(1, middle):
        lower = max(lower, rest[k])
    return (lower + upper) / 2
