"""Compresses a raster tile for TIFF readers that support Zstandard (compression 50000).

Floats are stored with the floating-point predictor (TIFF Technical Note 3, 2005): the bytes of a row grouped by
significance, each replaced by its difference to the previous one. Bit masks use the horizontal predictor (TIFF 6.0,
section 14). A grainy picture compresses by the unequal frequencies of its bytes and by runs of zeros where digits were
rounded away. So the compressor searches only for long repetitions, in a table that fits the processor's first cache,
and skips some bytes where it finds none. Compared with its level 1 that is faster at hardly more bytes; higher levels
cost far more time and save nothing.
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

_MIN_MATCH = 7  # bytes of the shortest repetition searched for: the maximum of the library's fast strategy
_SEARCH_STEP = 6  # bytes, least step between searches: a fifth less time for 4 % more bytes
_COMPRESS_LITERALS = 1002, 1  # experimental parameter of the C library: else skipped bytes are stored uncompressed
_own = threading.local()  # a compressor serves one thread at a time


def compressed_tile(tile: Piece, size: int, mantissa_bits: int = FLOAT32_MANTISSA_BITS) -> bytes:
    """The compressed bytes of a tile (up to `size` x `size`) of float32 or uint16, padded with its last row and column.

    Floats are rounded to `mantissa_bits` bits after the leading one, to nearest, ties to even: the relative error is
    at most 2^-(mantissa_bits + 1). NaN and infinity are unchanged.
    """
    content, compressor = predictor_bytes(tile, size, mantissa_bits), _compressor()
    compressor.set_pledged_input_size(content.nbytes)
    return compressor.compress(content.data, mode=zstd.ZstdCompressor.FLUSH_FRAME)


def predictor_bytes(tile: Piece, size: int, mantissa_bits: int) -> NDArray[np.uint8]:
    """The predictor's output for a padded tile, uint8 (size, size x bytes per value): the input of the compressor."""
    out = np.empty((size, size * tile.values.itemsize), np.uint8)
    if tile.values.dtype == np.float32:
        _predict_floats(tile.values.view(np.uint32), *tile.box, np.uint32(FLOAT32_MANTISSA_BITS - mantissa_bits), out)
    else:
        _predict_integers(tile.values, *tile.box, out.view(np.uint16))
    return out


def _compressor() -> zstd.ZstdCompressor:
    if not hasattr(_own, "compressor"):
        of = zstd.CompressionParameter
        quick = {
            of.strategy: int(zstd.Strategy.fast), of.window_log: 17, of.hash_log: 11, of.chain_log: 6, of.search_log: 1,
            of.min_match: _MIN_MATCH, of.target_length: _SEARCH_STEP,
        }  # fmt: skip
        _own.compressor = zstd.ZstdCompressor(options=dict([*quick.items(), _COMPRESS_LITERALS]))
    return _own.compressor


@njit(cache=True, nogil=True)  # type: ignore[misc,unused-ignore]
def _predict_floats(patterns, top, left, rows, cols, drop, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Round float32 bit patterns by `drop` bits and write the differences of their grouped bytes to `out`."""
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
        for j in range(1, size):  # differences of all four bytes at once, without borrows
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
def _predict_integers(values, top, left, rows, cols, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Write the differences of neighbouring uint16 values to `out`."""
    for i in range(rows):
        given = values[top + i, left : left + cols]
        out[i, 0] = given[0]
        for j in range(1, cols):
            out[i, j] = given[j] - given[j - 1]
        out[i, cols:] = 0
    for i in range(rows, out.shape[0]):
        for j in range(out.shape[1]):
            out[i, j] = out[rows - 1, j]
