"""Halves a raster for its overviews, and rounds away binary digits that are only noise."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.products.readable import LONGEST_PX

FLOAT32_MANTISSA_BITS = 23
SHARE_BITS = 4  # rounding errors are at most 1/16 of the value's sigma, which adds at most 0.13 % to its variance
SIGMA_SHARE = 1 / 2**SHARE_BITS


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A rectangle of a C-contiguous array: `rows` x `cols` from (`top`, `left`) on."""

    values: NDArray
    top: int
    left: int
    rows: int
    cols: int

    @property
    def box(self) -> tuple[int, int, int, int]:
        return self.top, self.left, self.rows, self.cols


def screen_reduction(rows: int, cols: int) -> int:
    """The power of two by which a raster must be reduced for its sides not to exceed LONGEST_PX."""
    return 1 << max(0, (-(-max(rows, cols) // LONGEST_PX) - 1).bit_length())


def halve(piece: Piece, out: NDArray, down: int = 0, across: int = 0) -> None:
    """Write a piece at half its resolution, ceil(rows/2) x ceil(cols/2), to `out` from (`down`, `across`) on.

    Floats: mean of the finite pixels of each 2 x 2 block, NaN only where none is finite. Integers are bit masks: the
    union of the bits, so that overviews lose no flag and every NaN of the float raster keeps one.
    """
    halved = _mean_of_finite if piece.values.dtype == np.float32 else _union_of_bits
    halved(piece.values, *piece.box, out, down, across)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")  # type: ignore[misc,unused-ignore]
def _mean_of(a, b, c, d):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mean of the finite ones of four values, without branches so that loops can be vectorised."""
    total, count = np.float32(0.0), np.float32(0.0)
    for value in (a, b, c, d):
        total += value if np.isfinite(value) else np.float32(0.0)
        count += np.float32(1.0) if np.isfinite(value) else np.float32(0.0)
    mean = np.float32(0.25) * ((a + b) + (c + d))
    return mean if np.isfinite(mean) else total / count


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[misc,unused-ignore]
def _mean_of_finite(values, top, left, rows, cols, out, down, across):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Halve floats as in `halve`: rows as if all pixels were finite, then again only those where one is not."""
    for i in range((rows + 1) // 2):
        # At an odd edge the last row or column is used twice, which leaves the mean correct.
        upper = values[top + 2 * i, left : left + cols]
        lower = values[top + min(2 * i + 1, rows - 1), left : left + cols]
        row, has_nan = out[down + i, across : across + (cols + 1) // 2], False
        for j in range(cols // 2):
            row[j] = np.float32(0.25) * ((upper[2 * j] + upper[2 * j + 1]) + (lower[2 * j] + lower[2 * j + 1]))
        for j in range(cols // 2):
            has_nan |= not np.isfinite(row[j])
        if has_nan:
            for j in range(cols // 2):
                row[j] = _mean_of(upper[2 * j], upper[2 * j + 1], lower[2 * j], lower[2 * j + 1])
        if cols % 2:
            row[-1] = _mean_of(upper[-1], upper[-1], lower[-1], lower[-1])


@njit(cache=True, nogil=True)  # type: ignore[misc,unused-ignore]
def _union_of_bits(values, top, left, rows, cols, out, down, across):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Halve bit masks as in `halve`."""
    for i in range((rows + 1) // 2):
        upper = values[top + 2 * i, left : left + cols]
        lower = values[top + min(2 * i + 1, rows - 1), left : left + cols]
        row = out[down + i, across : across + (cols + 1) // 2]
        for j in range(cols // 2):
            row[j] = upper[2 * j] | upper[2 * j + 1] | lower[2 * j] | lower[2 * j + 1]
        if cols % 2:
            row[-1] = upper[-1] | lower[-1]


@njit(cache=True, nogil=True)
def round_by_sigma(values, sigma):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Round float32 values (N,) in place to fewer binary digits, with an error of at most SIGMA_SHARE of their 1-sigma.

    To nearest, ties to even, each value by its own sigma; at least one digit is kept. Values whose sigma is zero or not
    finite stay unchanged.
    """
    patterns, sigmas = values.view(np.uint32), sigma.view(np.uint32)
    one, power, most = np.uint32(1), np.uint32(23), np.int32(FLOAT32_MANTISSA_BITS - 1)
    for k in range(np.uint64(patterns.size)):
        pattern = patterns[k]
        of_value, of_sigma = np.int32(pattern << one >> one >> power), np.int32(sigmas[k] << one >> one >> power)
        drop = min(np.int32(FLOAT32_MANTISSA_BITS + 1 - SHARE_BITS) + of_sigma - of_value, most)
        rounds = (drop > 0) & (of_value != 255) & (of_sigma != 255)
        shift = np.uint32(drop if rounds else np.int32(1))
        half, odd = (one << (shift - one)) - one, (pattern >> shift) & one
        kept = (pattern + (half + odd)) >> shift << shift
        patterns[k] = kept if rounds else pattern
