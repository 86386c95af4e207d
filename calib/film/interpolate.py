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
Converter = Callable[[StripWindow], StripWindow]


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
    """Running sums over strips at N places; row 0 from sound samples, row 1 from filled dropouts."""

    weight: NDArray[np.float64]
    value: NDArray[np.float64]
    noise: NDArray[np.float64]
    systematic: NDArray[np.float64]
    strips: NDArray[np.uint8]
    quality: NDArray[np.uint16]
    dropped: NDArray[np.bool_]

    @classmethod
    def none_at(cls, n: int) -> "_Sums":
        pair = (2, n)
        weight, value, noise, systematic = np.zeros((4, *pair))
        counts, bits, dropped = np.zeros(pair, np.uint8), np.zeros(pair, np.uint16), np.zeros(n, bool)
        return cls(weight, value, noise, systematic, counts, bits, dropped)


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
    places whose only nearest sample dropped out are NaN. `convert` turns a window of density into another
    quantity before the interpolation, so that what is averaged is linear in what is wanted (averaging density and
    then taking the antilogarithm is biased).
    """
    sums = _Sums.none_at(places.x_mm.size)
    for source in sources:
        _add_strip(source, places, scale, fill, convert, sums)
    return _finish(sums, fill)


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
        window = convert(window)
    _add_window(window, n_lines, near, ScanPoints(line, sample), scale, sums)


def interpolate_window(window: StripWindow, line: Array, sample: Array, scale: KernelScale) -> Sampled:
    """Values at fractional places (N,) of one window that holds a whole picture."""
    sums = _Sums.none_at(line.size)
    _add_window(window, window.value.shape[0], np.arange(line.size), ScanPoints(line, sample), scale, sums)
    return _finish(sums, fill=False)


def _add_window(
    window: StripWindow, n_lines: int, index: NDArray[np.intp], at: ScanPoints, scale: KernelScale, sums: _Sums
) -> None:
    _accumulate(
        index, at.line, at.sample, scale.line, scale.sample, window.first, n_lines,
        window.value, window.noise, window.systematic, window.quality,
        sums.weight, sums.value, sums.noise, sums.systematic, sums.strips, sums.quality, sums.dropped,
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
    index, line, sample, scale_l, scale_s, first, n_lines, value, noise, systematic, quality,
    s_weight, s_value, s_noise, s_systematic, s_strips, s_quality, s_dropped,
):  # fmt: skip  # pragma: no cover
    n_samples = value.shape[1]
    reach_l, reach_s = SUPPORT * scale_l, SUPPORT * scale_s
    taps_s = np.empty(2 * int(np.ceil(reach_s)) + 2)
    for n in range(index.size):
        l0, c0 = line[n], sample[n]
        near_row = min(max(int(np.floor(l0 + 0.5)), 0), n_lines - 1) - first
        near_column = min(max(int(np.floor(c0 + 0.5)), 0), n_samples - 1)
        nearest = quality[near_row, near_column]
        dropped = (nearest & DROPOUT) != 0
        if dropped:
            s_dropped[index[n]] = True
            if (nearest & FILLED) == 0:
                continue
        row_from, row_to = int(np.ceil(l0 - reach_l)), int(np.floor(l0 + reach_l))
        col_from, col_to = int(np.ceil(c0 - reach_s)), int(np.floor(c0 + reach_s))
        for j in range(col_from, col_to + 1):
            taps_s[j - col_from] = _cubic((j - c0) / scale_s)
        total = v = var = sys = 0.0
        size = low = high = filled = 0.0
        for i in range(row_from, row_to + 1):
            wl = _cubic((i - l0) / scale_l)
            row = min(max(i, 0), n_lines - 1) - first
            for j in range(col_from, col_to + 1):
                w = wl * taps_s[j - col_from]
                column = min(max(j, 0), n_samples - 1)
                tap = value[row, column]
                if not np.isfinite(tap):
                    continue
                bits = quality[row, column]
                total += w
                v += w * tap
                var += w * w * noise[row, column] * noise[row, column]
                sys += w * systematic[row, column]
                a = abs(w)
                size += a
                if bits & LOW_DENSITY:
                    low += a
                if bits & HIGH_DENSITY:
                    high += a
                if bits & FILLED:
                    filled += a
        if total < 0.5 * scale_l * scale_s or size == 0.0:
            s_dropped[index[n]] = True
            continue
        edge = min(c0 + 0.5, n_samples - 0.5 - c0) + 1e-3
        layer = 1 if dropped else 0
        k = index[n]
        s_weight[layer, k] += edge
        s_value[layer, k] += edge * v / total
        s_noise[layer, k] += edge * edge * var / (total * total)
        s_systematic[layer, k] += edge * abs(sys / total)
        s_strips[layer, k] += 1
        bits = nearest & MARK
        if low > 0.5 * size:
            bits |= LOW_DENSITY
        if high > 0.5 * size:
            bits |= HIGH_DENSITY
        if filled > 0.25 * size:
            bits |= FILLED
        s_quality[layer, k] |= bits


def _finish(sums: _Sums, fill: bool) -> Sampled:
    sound = sums.weight[0] > 0
    layer = np.where(sound, 0, 1)
    at = (layer, np.arange(layer.size))
    weight = sums.weight[at]
    known = sound | (fill & (weight > 0))
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(known, sums.value[at] / weight, np.nan)
        sigma = np.where(known, np.sqrt(sums.noise[at] + sums.systematic[at] ** 2) / weight, np.nan)
    quality = sums.quality[at].copy()
    quality[known & ~sound] |= np.uint16(DROPOUT | FILLED)
    quality[known & (sums.strips[at] > 1)] |= np.uint16(SEAM)
    lost = ~known & (sums.dropped | (weight > 0))
    quality[lost] = (quality[lost] & np.uint16(MARK)) | np.uint16(DROPOUT)
    quality[~known & ~lost] = OUTSIDE
    return Sampled(value.astype(np.float32), sigma.astype(np.float32), quality)
