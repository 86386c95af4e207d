"""One raster tile -> its compressed bytes, as a TIFF reader with Zstandard (compression 50000) undoes them.

Floats are stored by the floating-point predictor (TIFF Technical Note 3, 2005): the bytes of a row sorted by their
weight, each less the one before; bit masks by the horizontal one (TIFF 6.0, section 14). What makes a grainy picture's
bytes fewer is their unequal frequency, and runs of zeros where digits were rounded away. So the compressor looks for
long repetitions only, in a table that stays in the processor's nearest cache; where it finds none it passes over a few
bytes. Against its level 1 that takes less time for hardly more bytes; higher levels cost far more and save nothing.
"""

import sys
import threading

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.products.pyramid import FLOAT32_MANTISSA_BITS, Piece

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

_REPETITION = 7  # bytes of the shortest one that is looked for: the most that the format's fast search knows
_PASSED_OVER = 6  # bytes from one look to the next, at least: a fifth less time for 4 % more bytes
_CODED_LITERALS = 1002, 1  # an experimental parameter of the C library: else what is passed over is stored as it is
_own = threading.local()  # a compressor serves one thread at a time


def packed(tile: Piece, size: int, mantissa_bits: int = FLOAT32_MANTISSA_BITS) -> bytes:
    """A tile (up to `size` x `size`) of float32 or uint16, filled up with its own last row and column, compressed.

    Floats are rounded to `mantissa_bits` bits behind the leading one, to nearest, ties to even: the relative error is
    at most 2^-(mantissa_bits + 1), NaN stays NaN and infinity infinity.
    """
    content, compressor = differences(tile, size, mantissa_bits), _compressor()
    compressor.set_pledged_input_size(content.nbytes)
    return compressor.compress(content.data, mode=zstd.ZstdCompressor.FLUSH_FRAME)


def differences(tile: Piece, size: int, mantissa_bits: int) -> NDArray[np.uint8]:
    """The bytes that are compressed, (size, size x bytes of a value): each less the one that the predictor expects."""
    out = np.empty((size, size * tile.values.itemsize), np.uint8)
    if tile.values.dtype == np.float32:
        _by_weight(tile.values.view(np.uint32), *tile.box, np.uint32(FLOAT32_MANTISSA_BITS - mantissa_bits), out)
    else:
        _horizontal(tile.values, *tile.box, out.view(np.uint16))
    return out


def _compressor() -> zstd.ZstdCompressor:
    if not hasattr(_own, "compressor"):
        of = zstd.CompressionParameter
        quick = {
            of.strategy: int(zstd.Strategy.fast), of.window_log: 17, of.hash_log: 11, of.chain_log: 6, of.search_log: 1,
            of.min_match: _REPETITION, of.target_length: _PASSED_OVER,
        }  # fmt: skip
        _own.compressor = zstd.ZstdCompressor(options=dict([*quick.items(), _CODED_LITERALS]))
    return _own.compressor


@njit(cache=True, nogil=True)  # type: ignore[misc,unused-ignore]
def _by_weight(patterns, top, left, rows, cols, drop, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    size, zero, one = out.shape[0], np.uint32(0), np.uint32(1)
    exponent, keep = np.uint32(0x7F800000), ~((one << drop) - one)
    half, parity = (((one << drop) >> one) - one, one) if drop > zero else (zero, zero)
    row, less, top_bits = np.empty(size, np.uint32), np.empty(size, np.uint32), np.uint32(0x80808080)
    for i in range(rows):
        given = patterns[top + i, left : left + cols]
        for j in range(cols):
            pattern = given[j]
            kept = (pattern + (half + ((pattern >> drop) & parity))) & keep
            row[j] = kept if (pattern & exponent) != exponent else pattern
        row[cols:] = row[cols - 1]
        less[0] = row[0]
        for j in range(1, size):  # all four bytes at once, none of which borrows from the next
            less[j] = ((row[j] | top_bits) - (row[j - 1] & ~top_bits)) ^ ((row[j] ^ ~row[j - 1]) & top_bits)
        before = np.uint8(0)
        for plane in range(4):
            shift = np.uint32(24 - 8 * plane)
            to = out[i, plane * size : (plane + 1) * size]
            for j in range(size):
                to[j] = np.uint8(less[j] >> shift)
            to[0] -= before
            before = np.uint8(row[size - 1] >> shift)
    for i in range(rows, size):
        for j in range(out.shape[1]):
            out[i, j] = out[rows - 1, j]


@njit(cache=True, nogil=True)  # type: ignore[misc,unused-ignore]
def _horizontal(values, top, left, rows, cols, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    for i in range(rows):
        given = values[top + i, left : left + cols]
        out[i, 0] = given[0]
        for j in range(1, cols):
            out[i, j] = given[j] - given[j - 1]
        out[i, cols:] = 0
    for i in range(rows, out.shape[0]):
        for j in range(out.shape[1]):
            out[i, j] = out[rows - 1, j]
