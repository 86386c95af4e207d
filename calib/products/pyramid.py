"""Halving a raster for its overviews, and trimming the digits that are noise."""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit

FLOAT32_MANTISSA_BITS = 23
SIGMA_SHARE = 1 / 16  # a power of two


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[misc,unused-ignore]
def _mean_of_finite(values, halved):  # type: ignore[no-untyped-def]
    rows, cols = values.shape
    for i in range(halved.shape[0]):
        top, bottom = 2 * i, min(2 * i + 1, rows - 1)
        for j in range(halved.shape[1]):
            left, right = 2 * j, min(2 * j + 1, cols - 1)
            # At an odd edge the two rows or columns are the same one, and the mean is what it should be.
            a, b, c, d = values[top, left], values[top, right], values[bottom, left], values[bottom, right]
            mean = np.float32(0.25) * ((a + b) + (c + d))
            if not np.isfinite(mean):
                total, count = np.float32(0.0), np.float32(0.0)
                for value in (a, b, c, d):
                    if np.isfinite(value):
                        total += value
                        count += np.float32(1.0)
                mean = total / count
            halved[i, j] = mean


@njit(cache=True, nogil=True)  # type: ignore[misc,unused-ignore]
def _union_of_bits(values, halved):  # type: ignore[no-untyped-def]
    rows, cols = values.shape
    for i in range(halved.shape[0]):
        top, bottom = 2 * i, min(2 * i + 1, rows - 1)
        for j in range(halved.shape[1]):
            left, right = 2 * j, min(2 * j + 1, cols - 1)
            halved[i, j] = values[top, left] | values[top, right] | values[bottom, left] | values[bottom, right]


@njit(cache=True, nogil=True)  # type: ignore[misc,unused-ignore]
def _round_patterns(patterns, drop, out):  # type: ignore[no-untyped-def]
    half, keep = np.uint32((1 << (drop - 1)) - 1), ~np.uint32((1 << drop) - 1)
    exponent = np.uint32(0x7F800000)
    for i in range(patterns.shape[0]):
        for j in range(patterns.shape[1]):
            pattern = patterns[i, j]
            odd = (pattern >> np.uint32(drop)) & np.uint32(1)
            is_finite = (pattern & exponent) != exponent
            out[i, j] = (pattern + (half + odd)) & keep if is_finite else pattern


@njit(cache=True, nogil=True)  # type: ignore[misc,unused-ignore]
def _round_by_sigma(patterns, sigma_patterns, share_bits, out):  # type: ignore[no-untyped-def]
    exponent, most = np.uint32(0x7F800000), np.int32(FLOAT32_MANTISSA_BITS - 1)
    for i in range(patterns.shape[0]):
        for j in range(patterns.shape[1]):
            pattern = patterns[i, j]
            value_power = np.int32((pattern & exponent) >> np.uint32(23))
            sigma_power = np.int32((sigma_patterns[i, j] & exponent) >> np.uint32(23))
            drop = min(np.int32(FLOAT32_MANTISSA_BITS + 1) + sigma_power - share_bits - value_power, most)
            if drop > 0 and value_power != 255 and sigma_power != 255:
                shift = np.uint32(drop)
                odd = (pattern >> shift) & np.uint32(1)
                half = (np.uint32(1) << (shift - np.uint32(1))) - np.uint32(1)
                keep = ~((np.uint32(1) << shift) - np.uint32(1))
                pattern = (pattern + (half + odd)) & keep
            out[i, j] = pattern


def halved(values: NDArray) -> NDArray:
    """A raster (R, C) at half the resolution, (ceil(R/2), ceil(C/2)).

    Float rasters: the mean of the finite pixels of each 2 x 2, NaN only where none is finite. Integer rasters are bit
    masks: the union of the bits, so that no flag is lost in an overview and every NaN of the float raster keeps one.
    """
    rows, cols = values.shape
    out = np.empty(((rows + 1) // 2, (cols + 1) // 2), dtype=values.dtype)
    if np.issubdtype(values.dtype, np.floating):
        _mean_of_finite(values, out)
    else:
        _union_of_bits(values, out)
    return out


def rounded(values: NDArray[np.float32], mantissa_bits: int) -> NDArray[np.float32]:
    """Float32 values to `mantissa_bits` bits behind the leading one, to nearest, ties to even.

    The relative error is at most 2^-(mantissa_bits + 1); NaN stays NaN and infinity infinity. What is dropped is
    below the noise and would only be stored at great length.
    """
    if mantissa_bits >= FLOAT32_MANTISSA_BITS:
        return values
    out = np.empty_like(values)
    _round_patterns(values.view(np.uint32), FLOAT32_MANTISSA_BITS - mantissa_bits, out.view(np.uint32))
    return out


def rounded_by_sigma(values: NDArray[np.float32], sigma: NDArray[np.float32]) -> NDArray[np.float32]:
    """Float32 values (R, C) to the binary digits that count beside their 1-sigma: off by SIGMA_SHARE of it at most.

    To nearest, ties to even, each pixel by its own sigma; one digit at least is kept. Where sigma is zero or not
    finite, the value stays as it is.
    """
    out = np.empty_like(values)
    share_bits = np.int32(-np.log2(SIGMA_SHARE))
    _round_by_sigma(values.view(np.uint32), sigma.view(np.uint32), share_bits, out.view(np.uint32))
    return out
