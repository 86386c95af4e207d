"""What a person looks at of a big raster: the overview that suits a screen, and how often each quality bit stands."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.quality import BITS

BIT_VALUES = np.array([bit.value for bit in BITS], np.uint16)


@dataclass(frozen=True, slots=True, eq=False)
class Preview:
    """A raster seen from afar: means of what is known (NaN: nothing is), or the union of a bit mask's bits.

    `shares` of a bit mask: for each quality bit the share of the whole raster that carries it.
    """

    picture: NDArray
    shares: Mapping[int, float]


def bits_counted(values: NDArray) -> NDArray[np.int64]:
    """How many pixels of a block carry each of quality.BITS, and last how many there are; of a block of floats none."""
    counts = np.zeros(len(BITS) + 1, np.int64)
    if values.dtype == np.uint16:
        counts[-1] = values.size
        _count_bits(values, BIT_VALUES, counts)
    return counts


def shares_of(counted: Sequence[NDArray[np.int64]]) -> dict[int, float]:
    """For each quality bit the share of a raster that carries it, from the counts of its blocks."""
    *carry, pixels = np.sum(counted, axis=0).tolist()
    return {bit.value: n / max(pixels, 1) for bit, n in zip(BITS, carry, strict=True)}


@njit(cache=True, nogil=True)
def _count_bits(values, bit_values, counts):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Add to `counts` how many pixels carry each bit; only bits that differ within a row are counted one by one."""
    for i in range(values.shape[0]):
        given, held, differs = values[i], values[i, 0], np.uint16(0)
        for j in range(given.size):
            differs = np.uint16(differs | np.uint16(given[j] ^ held))
        for n in range(bit_values.size):
            bit, carry = bit_values[n], 0
            if differs & bit:
                for j in range(given.size):
                    carry += (given[j] & bit) != 0
            elif held & bit:
                carry = given.size
            counts[n] += carry
