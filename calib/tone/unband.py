"""Removes the vertical banding from a plain image of unknown origin, in which no density is known.

The column profile (robust means, slow slopes aside) holds the banding and the Moon. The Moon's share is read off the
image's *rows*, which show the same ground but no vertical banding, and off what parts of its lines differ by: slopes
under a Sun that stands along the rows add up to nothing over a row. What the columns have beyond the larger of the two,
wavelength by wavelength, is banding, and is taken out with its Wiener weight ``banding / (banding + Moon)``. Where the
image was joined of strips, the banding repeats with their pitch: the mean over the strips, in which the Moon averages
out, is taken with the weight that so many strips earn, the rest with its own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.fft import dct, idct
from scipy.ndimage import median_filter
from scipy.special import fdtri

from calib.coordinates import Array
from calib.errors import NotPossible
from calib.median import TO_SIGMA
from calib.tone.banding import by_octaves, components_of_octave, fill
from calib.tone.period import find_period, fold, unfold

BLOCKS = 24  # stretches of lines whose means are compared, so that craters can be left out
FEWEST_LINES = 8
LEAST = 16  # lines and columns of an image
PARTS = 6  # of an image's lines, each with its own ground
TRIMMED = 0.2  # share of the stretches left out at either end
HALF_FULL = 0.5
CONFIDENCE = 0.99  # that the Moon has no more power in an octave than its few components show
FEATURE = 3.5  # times the profile's scatter: more is a feature of the Moon
FEATURE_WIDTH = 3  # columns to either side that go with it
SURROUNDINGS = 41  # columns


@dataclass(frozen=True, slots=True)
class ColumnPattern:
    """The banding of an image's columns.

    `pattern` (n_columns,): what to subtract from every line.
    `sigma` (n_columns,): its 1-sigma at the wavelengths where there is any; what is slower may be the Moon's.
    `period`: the pitch in columns with which it repeats, or None.
    `share`: the part of the columns' variance that it is.
    """

    pattern: Array
    sigma: Array
    period: float | None
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class Unbanded(ColumnPattern):
    """An image without its banding, float64 and NaN where masked, and what was taken out."""

    image: Array


def unband(
    image: ArrayLike, *, period: float | None = None, mask: NDArray[np.bool_] | None = None
) -> Unbanded | NotPossible:
    """Remove vertical banding from an image (n_lines, n_columns); `mask` is True where a pixel counts.

    Pixels that are not finite never count. `period` in columns is looked for where it is not given.
    """
    values = np.asarray(image)
    if values.ndim != 2:
        raise ValueError(f"image must have two dimensions, not {values.ndim}")
    if mask is not None and mask.shape != values.shape:
        raise ValueError(f"mask must have the image's shape {values.shape}, not {mask.shape}")
    good = np.isfinite(values) if mask is None else np.isfinite(values) & mask
    stretches = ((values[lines], good[lines]) for lines in stretches_of(len(values)))
    found = column_pattern(stretches, values.shape, period=period)
    if isinstance(found, NotPossible):
        return found
    rest = np.where(good, values - found.pattern, np.nan)
    return Unbanded(found.pattern, found.sigma, found.period, found.share, rest)


def stretches_of(n: int) -> list[slice]:
    """The stretches of `n` lines, or columns, whose means are compared."""
    count = max(min(BLOCKS, n // FEWEST_LINES), 1)
    edges = np.cumsum([0, *(part.size for part in np.array_split(np.arange(n), count))])
    return [slice(first, stop) for first, stop in pairwise(edges.tolist())]


def column_pattern(
    stretches: Iterable[tuple[NDArray, NDArray[np.bool_]]], shape: tuple[int, int], *, period: float | None = None
) -> ColumnPattern | NotPossible:
    """The banding of an image of that shape (n_lines, n_columns), asked for its lines once and in order.

    `stretches`: of the lines of each of `stretches_of(n_lines)` the values and which of them count.

    Raises:
        ValueError: a `period` that the image cannot have.
    """
    if period is not None and not 2.0 <= period < shape[1]:
        raise ValueError(f"period must be at least 2 and below the image's {shape[1]} columns, not {period}")
    if min(shape) < LEAST:
        return NotPossible(f"an image of {shape[0]} x {shape[1]} pixels is too small to show banding")
    of_columns, of_rows = (_level(means) for means in _means(stretches, shape))
    profile, known = _profile(of_columns)
    if known.sum() < LEAST:
        return NotPossible("too few columns have enough pixels that count")
    moon = np.maximum(_moon_power(of_rows, shape), _moon_between(of_columns))
    pitch = find_period(profile, moon) if period is None else period
    pattern, variance = _banding(profile, moon, pitch)
    pattern, variance = np.where(known, pattern, 0.0), np.where(known, variance, 0.0)
    removed = float(pattern.var() / profile.var()) if profile.var() > 0 else 0.0
    return ColumnPattern(pattern, np.sqrt(variance), pitch, removed)


def _means(stretches: Iterable[tuple[NDArray, NDArray[np.bool_]]], shape: tuple[int, int]) -> tuple[Array, Array]:
    """Means of each column over stretches of lines (n_stretches, n_columns), of each line over stretches of columns
    (n_stretches, n_lines); NaN where too few pixels count."""
    down, across = (stretches_of(n) for n in shape)
    of_columns, of_rows = np.full((len(down), shape[1]), np.nan), np.full((len(across), shape[0]), np.nan)
    for row, lines, (values, good) in zip(of_columns, down, stretches, strict=True):
        level = np.where(good, values, 0.0)
        row[:] = _mean(level, good, 0)
        for line, columns in zip(of_rows, across, strict=True):
            line[lines] = _mean(level[:, columns], good[:, columns], 1)
    return of_columns, of_rows


def _mean(level: Array, good: NDArray[np.bool_], axis: int) -> Array:
    count = good.sum(axis=axis)
    total = level.sum(axis=axis, dtype=np.float64)
    return np.where(count >= HALF_FULL * good.shape[axis], total / np.maximum(count, 1), np.nan)


def _level(means: Array) -> Array:
    """The means of each stretch (n_stretches, n) less their slow slope; NaN where too few are known."""
    level = np.full_like(means, np.nan)
    for row, mean in zip(level, means, strict=True):
        if np.isfinite(mean).sum() >= LEAST:
            row[:] = mean - np.polyval(_slope(mean), np.linspace(-1, 1, mean.size))
    return level


def _profile(level: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Robust mean over the stretches (n_stretches, n), gaps bridged; and which were measured."""
    found = np.isfinite(level).sum(axis=0)
    known = found >= max(len(level) // 3, 1)
    ordered, profile = np.sort(level, axis=0), np.zeros(level.shape[1])
    for column in np.flatnonzero(known):
        cut = int(TRIMMED * found[column])
        profile[column] = ordered[cut : found[column] - cut, column].mean()
    profile = fill(profile, known)
    return profile - profile.mean(), known


def _slope(row: Array) -> Array:
    known = np.isfinite(row)
    return np.polyfit(np.linspace(-1, 1, row.size)[known], row[known], 1)


def _moon_power(of_rows: Array, shape: tuple[int, int]) -> Array:
    """Power that the Moon alone gives the columns' profile, by cosine component: from the rows.

    The rows' profile is made as the columns' is. If the ground looks the same in both directions, it has the power per
    unit of length that the columns' would have without banding. It is a mean over as many pixels of the other direction
    as the image has, so it is scaled by the ratio of the two lengths.
    """
    n_lines, n_columns = shape
    profile, known = _profile(of_rows)
    if known.sum() < LEAST:
        return np.zeros(n_columns)
    spectrum = by_octaves(dct(profile, norm="ortho") ** 2)
    at = (np.arange(n_columns) + 0.5) / n_columns
    own = (np.arange(n_lines) + 0.5) / n_lines
    return np.asarray(np.exp(np.interp(np.log(at), np.log(own), np.log(spectrum + 1e-300))) * (n_columns / n_lines))


def _moon_between(of_columns: Array) -> Array:
    """Power that the Moon gives a column profile, by cosine component, from what parts of the image's lines differ by:
    all show the same banding, each its own ground. Neighbouring stretches may show one crater; parts are longer.
    """
    parts = [np.isfinite(part).sum(axis=0) for part in np.array_split(of_columns, min(PARTS, len(of_columns)))]
    known = np.min(parts, axis=0) > 0
    if len(parts) < 2 or known.sum() < LEAST:
        return np.zeros(of_columns.shape[1])
    sums = [np.nansum(part, axis=0) for part in np.array_split(of_columns, len(parts))]
    each = [fill(np.where(known, total / np.maximum(n, 1), 0.0), known) for total, n in zip(sums, parts, strict=True)]
    off = np.stack(each) - np.mean(each, axis=0)
    square = (dct(off, norm="ortho", axis=1) ** 2).sum(axis=0)
    return by_octaves(square / (len(parts) * (len(parts) - 1)))


def _banding(profile: Array, moon: Array, pitch: float | None) -> tuple[Array, Array]:
    """Banding and its variance by column: the part that repeats, then the rest."""
    if pitch is None:
        return wiener(without_features(profile), moon)
    folded, count = fold(profile, pitch)
    at = (np.arange(folded.size) + 0.5) / folded.size
    own = (np.arange(profile.size) + 0.5) / profile.size
    repeated, variance = wiener(folded, np.interp(at, own, moon) / count)
    common = unfold(repeated, pitch, profile.size)
    rest, rest_variance = wiener(without_features(profile - common), moon)
    total = common + rest
    return total - total.mean(), unfold(variance, pitch, profile.size) + rest_variance


def wiener(profile: Array, moon: Array) -> tuple[Array, Array]:
    """The part of a profile beyond what the Moon explains, by cosine component, and its variance (constant).

    The power of an octave of few components is known badly; banding is only what stands out of that doubt too (the
    ratio of two such powers follows Fisher's law).
    """
    spectrum = dct(profile, norm="ortho")
    power = by_octaves(spectrum**2)
    freedom = components_of_octave(power.size)
    banding = np.maximum(power - moon * fdtri(freedom, freedom, CONFIDENCE), 0.0)
    weight = np.where(power > 0, banding / np.maximum(power, 1e-300), 0.0)
    weight[0] = 0.0
    left = (1 - weight) ** 2 * np.maximum(power - moon, 0.0) + weight**2 * np.minimum(moon, power)
    left[weight == 0.0] = 0.0
    return idct(weight * spectrum, norm="ortho"), np.full(profile.size, float(left.mean()))


def without_features(profile: Array) -> Array:
    """A profile in which columns far off their surroundings are levelled: they show a ridge and no banding."""
    around = median_filter(profile, SURROUNDINGS, mode="nearest")
    off = profile - around
    far = np.abs(off) > FEATURE * TO_SIGMA * float(np.median(np.abs(off)))
    near = np.convolve(far, np.ones(2 * FEATURE_WIDTH + 1), mode="same") > 0
    return np.where(near, around, profile)
