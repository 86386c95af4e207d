"""Converts a strip's samples to density, window by window."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.quality import DROPOUT, HIGH_DENSITY, LOW_DENSITY
from calib.remembered import once
from calib.tone.dropouts import Dropouts
from calib.tone.model import StripTone

if TYPE_CHECKING:
    from calib.frame.frame import StripRaster


@dataclass(frozen=True, slots=True, eq=False)
class DensityWindow:
    """Density of a window of lines, the 1-sigma scatter of each sample, and its quality bits; all (n, n_samples)."""

    density: NDArray[np.float32]
    sigma: NDArray[np.float32]
    quality: NDArray[np.uint16]


def quality_of_dn(tone: StripTone) -> NDArray[np.uint16]:
    """Low- and high-density bits of each DN of a strip, in the shape of its tables."""
    quality = np.zeros(tone.density_of_dn.size, dtype=np.uint16)
    (first, last), (below, above) = _span_bits(tone)
    quality[:first] = below
    quality[last + 1 :] = above
    return quality


def density_window(
    raster: StripRaster, tone: StripTone, dropouts: Dropouts, first: int, stop: int, samples: slice = slice(None)
) -> DensityWindow:
    """Density of lines `first` to `stop` (exclusive) of a strip, or of a range of their samples.

    Where a quality bit is set, the density is a placeholder and not a measurement; the caller must skip such samples.
    """
    left, right, _ = samples.indices(tone.n_samples)
    dn = np.ascontiguousarray(raster.read(first, stop)[:, left:right])
    density, sigma = np.empty(dn.shape, np.float32), np.empty(dn.shape, np.float32)
    quality = np.empty(dn.shape, np.uint16)
    low, high = np.full(len(dn), left, np.int32), np.full(len(dn), right - 1, np.int32)
    column_density = tone.column_density[left:right].astype(np.float32)
    line_density = tone.line_density[first:stop].astype(np.float32)
    tables, offsets = (tone.density_of_dn, tone.noise_density), (column_density, line_density)
    _density_and_noise(dn, tables, offsets, _span_bits(tone), (density, sigma, quality))
    flag_runs(quality, dropouts.runs, first, left, low, high, DROPOUT)
    return DensityWindow(density, sigma, quality)


def _span_bits(tone: StripTone) -> tuple[tuple[int, int], tuple[np.uint16, np.uint16]]:
    """The DN between which a tone is known, and the quality bits of those below and above."""
    bits = np.uint16(LOW_DENSITY), np.uint16(HIGH_DENSITY)
    return tone.dn_span, bits if tone.rising else bits[::-1]


@dataclass(frozen=True, slots=True, eq=False)
class CalibratedLines:
    """Output arrays for a window of samples: density, its noise and systematic 1-sigma, quality bits; (n, columns)."""

    density: NDArray[np.float32]
    noise: NDArray[np.float32]
    systematic: NDArray[np.float32]
    quality: NDArray[np.uint16]

    @classmethod
    def empty(cls, shape: tuple[int, int]) -> CalibratedLines:
        """Uninitialised arrays of a shape."""
        density, noise, systematic = (np.empty(shape, np.float32) for _ in range(3))
        return cls(density, noise, systematic, np.empty(shape, np.uint16))


def calibrate_lines(
    dn: NDArray,
    tone: StripTone,
    first_line: int,
    first_sample: int,
    low: NDArray[np.int32],
    high: NDArray[np.int32],
    out: CalibratedLines,
) -> None:
    """Calibrate whole lines of DN (n, n_samples) from `first_line` on into `out`, whose first column is `first_sample`.

    Of line i only samples `low[i]` to `high[i]`, both included, are calibrated; the rest of `out` is left as it is. The
    systematic error is that of curve, banding and drift, which neighbouring samples share.
    """
    made = prepared(tone)
    line = slice(first_line, first_line + len(dn))
    rows = tone.line_density[line].astype(np.float32), np.square(tone.line_sigma[line])
    columns, filled = (made.column_density, made.column_variance), (out.density, out.noise, out.systematic, out.quality)
    _calibrate(dn, made.table, columns, rows, first_sample, (low, high), filled)


def flag_runs(
    quality: NDArray[np.uint16],
    runs: NDArray[np.int32],
    first_line: int,
    first_sample: int,
    low: NDArray[np.int32],
    high: NDArray[np.int32],
    bit: int,
) -> None:
    """Set a bit on runs (line, first sample, stop sample), sorted by line, as far as a window's spans hold them."""
    start, stop = np.searchsorted(runs[:, 0], (first_line, first_line + len(quality)))
    if start < stop:
        _flag(quality, runs[start:stop], first_line, first_sample, low, high, np.uint16(bit))


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A strip's tables interleaved, so that all entries of a DN lie in one cache line.

    `table` (DN, 4): density, noise, sigma of the curve, quality bits.
    """

    table: NDArray[np.float32]
    column_density: NDArray[np.float32]
    column_variance: NDArray[np.float64]


@once
def prepared(tone: StripTone) -> Prepared:
    """The interleaved tables of a tone, cached by its identity."""
    tables = (tone.density_of_dn, tone.noise_density, tone.curve_sigma, quality_of_dn(tone))
    table = np.ascontiguousarray(np.stack(tables, axis=1), dtype=np.float32)
    return Prepared(table, tone.column_density.astype(np.float32), np.square(tone.column_sigma))


@njit(cache=True, nogil=True)
def take_out(density, sigma, quality, bit):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Set density to 0 and sigma to infinity where a quality bit is set, in place."""
    for i in range(density.shape[0]):
        for column in range(density.shape[1]):
            if quality[i, column] & bit:
                density[i, column], sigma[i, column] = 0.0, np.inf


@njit(cache=True, nogil=True)
def _calibrate(dn, table, columns, rows, first_sample, spans, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """See `calibrate_lines`: `columns` and `rows` hold density and variance, `spans` first and last samples."""
    (column_density, column_variance), (line_density, line_variance) = columns, rows
    (low, high), (density, noise, systematic, quality) = spans, out
    for i in range(dn.shape[0]):
        for sample in range(low[i], high[i] + 1):
            value = np.uint32(dn[i, sample])
            column = sample - first_sample
            density[i, column] = table[value, 0] - (column_density[sample] + line_density[i])
            noise[i, column] = table[value, 1]
            curve = table[value, 2]
            systematic[i, column] = np.sqrt(curve * curve + np.float32(column_variance[sample] + line_variance[i]))
            quality[i, column] = np.uint16(table[value, 3])


@njit(cache=True, nogil=True)
def _density_and_noise(dn, tables, offsets, span_bits, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """See `density_window`: `tables` are by DN, `offsets` by column and by line."""
    (density_of_dn, noise_of_dn), (column_density, line_density) = tables, offsets
    (span, bits), (density, noise, quality) = span_bits, out
    for i in range(dn.shape[0]):
        for column in range(dn.shape[1]):
            value = np.uint32(dn[i, column])
            density[i, column] = density_of_dn[value] - (column_density[column] + line_density[i])
            noise[i, column] = noise_of_dn[value]
            quality[i, column] = bits[0] if value < span[0] else (bits[1] if value > span[1] else 0)


@njit(cache=True, nogil=True)
def _flag(quality, runs, first_line, first_sample, low, high, bit):  # type: ignore[no-untyped-def]  # pragma: no cover
    for n in range(runs.shape[0]):
        row = runs[n, 0] - first_line
        start, stop = max(runs[n, 1], low[row]), min(runs[n, 2], high[row] + 1)
        for sample in range(start, stop):
            quality[row, sample - first_sample] |= bit
