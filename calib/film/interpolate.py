"""The one interpolation: values at film places from the samples of all strips that saw them.

A place is made from raw samples by one cubic convolution (Keys 1981, IEEE Trans. Acoust. 29:1153, a = -1/2),
stretched where the output pixel is larger than a sample so that nothing aliases. Strips that overlap are blended by
the distance to their own edges. Variances follow the same weights: the noise of samples averages down, their
systematic error does not.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil

import numba
import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.film.source import StripSource, StripWindow, read_window
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK, OUTSIDE, SEAM
from calib.sweep.model import to_scan

SUPPORT = 2.0  # samples on each side that the kernel reaches at unit scale
FILLED_SHARE = 0.25  # of the kernel's weight: from here on a value counts as filled
Converter = Callable[[StripSource, StripWindow], StripWindow]


@dataclass(frozen=True, slots=True, eq=False)
class Sampled:
    """Values at N film places: value, its 1-sigma (both NaN where there is none), and the quality bits."""

    value: NDArray[np.float32]
    sigma: NDArray[np.float32]
    quality: NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class KernelScale:
    """How far the kernel is stretched along lines and samples; 1 where the output is as fine as the scan."""

    line: float = 1.0
    sample: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Running sums over strips at N places; of each pair, 0 is from sound samples and 1 from bridged dropouts.

    `totals` (4, 2, N): weight, weighted value, variance of the noise, systematic error; `strips` and `quality` (2, N);
    `lost` (N,) holds the bits that say why a strip that covers a place has nothing to say of it.
    """

    totals: NDArray[np.float64]
    strips: NDArray[np.uint8]
    quality: NDArray[np.uint16]
    lost: NDArray[np.uint16]

    @classmethod
    def none_at(cls, n: int) -> "_Sums":
        return cls(np.zeros((4, 2, n)), np.zeros((2, n), np.uint8), np.zeros((2, n), np.uint16), np.zeros(n, np.uint16))


def sample_strips(
    sources: Sequence[StripSource],
    places: FilmPoints,
    *,
    scale: KernelScale,
    fill: bool,
    convert: Converter | None = None,
) -> Sampled:
    """Values at `places` (N,) from every strip that covers them.

    With `fill`, marks and short dropouts are bridged (for a map); without, marks stay as they are on the film and
    places whose nearest sample dropped out in every strip are NaN. What a dropout spoilt serves only where no other
    strip saw the place. `convert` turns a strip's window of density into another
    quantity before the interpolation, so that what is averaged is linear in what is wanted (averaging density and
    then taking the antilogarithm is biased).
    """
    sums = _Sums.none_at(places.x_mm.size)
    for source in sources:
        _add_strip(source, places, scale, fill, convert, sums)
    return _finish(sums)


def _add_strip(
    source: StripSource, places: FilmPoints, scale: KernelScale, fill: bool, convert: Converter | None, sums: _Sums
) -> None:
    near = _near(source, places)
    if near.size == 0:
        return
    scan = to_scan(source.sweep, FilmPoints(places.x_mm[near], places.y_mm[near]))
    n_lines, n_samples = source.raster.n_lines, source.raster.n_samples
    on = (scan.line >= -0.5) & (scan.line <= n_lines - 0.5) & (scan.sample >= -0.5) & (scan.sample <= n_samples - 0.5)
    if not on.any():
        return
    near, line, sample = near[on], scan.line[on], scan.sample[on]
    halo = ceil(SUPPORT * scale.line) + 1
    window = read_window(source, int(line.min()) - halo, int(line.max()) + halo + 2, fill_marks=fill)
    if convert is not None:
        window = convert(source, window)
    _add_window(window, n_lines, near, ScanPoints(line, sample), scale, fill, sums)


def interpolate_window(window: StripWindow, line: Array, sample: Array, scale: KernelScale) -> Sampled:
    """Values at fractional places (N,) of one window that holds a whole picture."""
    sums = _Sums.none_at(line.size)
    at = ScanPoints(line, sample)
    _add_window(window, window.value.shape[0], np.arange(line.size), at, scale, fill=False, sums=sums)
    return _finish(sums)


def _add_window(
    window: StripWindow,
    n_lines: int,
    index: NDArray[np.intp],
    at: ScanPoints,
    scale: KernelScale,
    fill: bool,
    sums: _Sums,
) -> None:
    _accumulate(
        index, at.line, at.sample, scale.line, scale.sample, window.first, n_lines, fill,
        window.value, window.noise, window.systematic, window.quality,
        sums.totals, sums.strips, sums.quality, sums.lost,
    )  # fmt: skip


def _near(source: StripSource, places: FilmPoints) -> NDArray[np.intp]:
    """Places inside the strip's bounding box on the film: most of a block lies in one or two strips only."""
    sweep = source.sweep
    margin_mm = abs(sweep.x_sample_mm[1] - sweep.x_sample_mm[0])
    x_low = sweep.x_sample_mm.min() + sweep.x_line_mm.min() - margin_mm
    x_high = sweep.x_sample_mm.max() + sweep.x_line_mm.max() + margin_mm
    y_low = sweep.y_line_mm.min() + sweep.y_sample_mm.min() - margin_mm
    y_high = sweep.y_line_mm.max() + sweep.y_sample_mm.max() + margin_mm
    inside = (places.x_mm >= x_low) & (places.x_mm <= x_high) & (places.y_mm >= y_low) & (places.y_mm <= y_high)
    return np.flatnonzero(inside)


@numba.njit(cache=True, nogil=True)
def _cubic(t: float) -> float:  # pragma: no cover
    """Keys (1981), equation 15 with a = -1/2."""
    t = abs(t)
    if t < 1.0:
        return (1.5 * t - 2.5) * t * t + 1.0
    if t < 2.0:
        return ((-0.5 * t + 2.5) * t - 4.0) * t + 2.0
    return 0.0


@numba.njit(cache=True, nogil=True)
def _accumulate(  # type: ignore[no-untyped-def]
    index, line, sample, scale_l, scale_s, first, n_lines, fill, value, noise, systematic, quality,
    totals, strips, out_quality, lost,
):  # fmt: skip  # pragma: no cover
    n_samples = value.shape[1]
    taps = np.empty(2 * int(np.ceil(SUPPORT * scale_s)) + 2)
    for n in range(index.size):
        k, l0, c0 = index[n], line[n], sample[n]
        near_row = min(max(int(np.floor(l0 + 0.5)), 0), n_lines - 1) - first
        near_column = min(max(int(np.floor(c0 + 0.5)), 0), n_samples - 1)
        nearest = quality[near_row, near_column]
        if nearest & DROPOUT and not (fill and nearest & FILLED):
            lost[k] |= nearest & (DROPOUT | MARK)
            continue
        sums, shares, gone = _weighted(
            l0, c0, scale_l, scale_s, taps, first, n_lines, value, noise, systematic, quality
        )  # fmt: skip
        total, size = sums[0], shares[0]
        if total < 0.5 * scale_l * scale_s or size == 0.0:
            lost[k] |= gone if gone else DROPOUT
            continue
        edge = min(c0 + 0.5, n_samples - 0.5 - c0) + 1e-3
        layer = 1 if nearest & DROPOUT or shares[3] > FILLED_SHARE * size else 0
        totals[0, layer, k] += edge
        totals[1, layer, k] += edge * sums[1] / total
        totals[2, layer, k] += edge * edge * sums[2] / (total * total)
        totals[3, layer, k] += edge * abs(sums[3] / total)
        strips[layer, k] += 1
        bits = nearest & (MARK | FILLED)
        if shares[1] > 0.5 * size:
            bits |= LOW_DENSITY
        if shares[2] > 0.5 * size:
            bits |= HIGH_DENSITY
        if shares[4] > FILLED_SHARE * size:
            bits |= MARK | FILLED
        out_quality[layer, k] |= bits


@numba.njit(cache=True, nogil=True)
def _weighted(l0, c0, scale_l, scale_s, taps, first, n_lines, value, noise, systematic, quality):  # type: ignore[no-untyped-def]  # fmt: skip  # pragma: no cover
    """Sums over the known samples about one place, and why others are not known.

    Returns (weight, value, variance, systematic), the absolute weights of (all, low, high, bridged dropouts, bridged
    marks), and the bits of the samples without a value.
    """
    col_from, col_to = int(np.ceil(c0 - SUPPORT * scale_s)), int(np.floor(c0 + SUPPORT * scale_s))
    for j in range(col_from, col_to + 1):
        taps[j - col_from] = _cubic((j - c0) / scale_s)
    total = v = var = sys = 0.0
    size = low = high = dropped = marked = 0.0
    gone = 0
    for i in range(int(np.ceil(l0 - SUPPORT * scale_l)), int(np.floor(l0 + SUPPORT * scale_l)) + 1):
        wl = _cubic((i - l0) / scale_l)
        row = min(max(i, 0), n_lines - 1) - first
        for j in range(col_from, col_to + 1):
            w = wl * taps[j - col_from]
            column = min(max(j, 0), value.shape[1] - 1)
            tap, bits, a = value[row, column], quality[row, column], abs(w)
            if not np.isfinite(tap):
                gone |= bits & (DROPOUT | MARK)
                continue
            total += w
            v += w * tap
            var += w * w * noise[row, column] * noise[row, column]
            sys += w * systematic[row, column]
            size += a
            if bits & LOW_DENSITY:
                low += a
            if bits & HIGH_DENSITY:
                high += a
            if bits & FILLED and bits & DROPOUT:
                dropped += a
            elif bits & FILLED:
                marked += a
    return (total, v, var, sys), (size, low, high, dropped, marked), gone


def _finish(sums: _Sums) -> Sampled:
    """Close the sums: sound samples before bridged dropouts, and a bit wherever there is no value."""
    layer = np.where(sums.totals[0, 0] > 0, 0, 1)
    at = (layer, np.arange(layer.size))
    weight, value, noise, systematic = (total[at] for total in sums.totals)
    known = weight > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(known, value / weight, np.nan)
        sigma = np.where(known, np.sqrt(noise + systematic**2) / weight, np.nan)
    quality = np.where(known, sums.quality[at], sums.lost)
    quality[known & (layer == 1)] |= np.uint16(DROPOUT | FILLED)
    quality[known & (sums.strips[at] > 1)] |= np.uint16(SEAM)
    quality[~known & (sums.lost == 0)] = OUTSIDE
    return Sampled(value.astype(np.float32), sigma.astype(np.float32), quality)
