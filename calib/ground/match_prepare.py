"""Prepares a picture for matching with one of another Sun direction, sensor and exposure.

Differences in level and slow changes (tone, fall-off, albedo provinces, slopes towards the Sun) are removed: the
picture is divided by its local mean and by its local scatter. The result is texture of unit scatter, zero where
nothing is known, and clipped so that a few pixels cannot dominate.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from calib.coordinates import Array

MEAN_PX = 25  # box of the local mean, applied twice, like a Gaussian of sigma 10; removes waves longer than about 60 px
SCATTER_PX = 49  # box of the local scatter, applied twice
FLOOR = 0.2  # of the picture's median scatter: smaller local scatter is not amplified further
LARGEST = 3.5  # clipping limit in local scatters, for shadows and bright spots
FLAT_PX = 5  # side of a patch of equal values, which is filled or saturated rather than image
KNOWN = 0.5  # share of known pixels around a place from which its weight is above 0


@dataclass(frozen=True, slots=True, eq=False)
class Texture:
    """Texture (rows, columns) of about unit scatter, and its weight from 0 (nothing known) to 1."""

    values: Array
    weight: Array


def texture(picture: NDArray[np.floating]) -> Texture:
    """The texture of a picture (rows, columns), in which NaN marks unknown pixels."""
    known = np.isfinite(picture)
    known &= ~_flat(picture, known)
    share = _smooth(known.astype(np.float64), MEAN_PX)
    mean = _local(np.where(known, picture, 0.0), share, MEAN_PX)
    usable = known & (share > 1e-3)
    level = np.abs(mean[usable]).mean() if usable.any() else 1.0
    ratio = np.where(usable, picture / np.where(np.abs(mean) > 1e-3 * level, mean, np.inf) - 1.0, 0.0)
    wide = _smooth(usable.astype(np.float64), SCATTER_PX)
    scatter = np.sqrt(np.maximum(_local(ratio**2, wide, SCATTER_PX), 0.0))
    floor = FLOOR * float(np.median(scatter[usable])) if usable.any() else 0.0
    scatter = np.maximum(scatter, max(floor, 1e-12))
    values = np.where(usable, np.clip(ratio / scatter, -LARGEST, LARGEST), 0.0)
    return Texture(values, np.where(usable, np.clip(share / KNOWN - 1.0, 0.0, 1.0), 0.0))


def _flat(picture: NDArray[np.floating], known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mask of pixels whose neighbourhood has exactly one value: a border without data, a saturated patch."""
    filled = np.where(known, picture, 0.0)
    return np.asarray(ndimage.maximum_filter(filled, FLAT_PX) == ndimage.minimum_filter(filled, FLAT_PX))


def _local(values: Array, share: Array, side_px: int) -> Array:
    return _smooth(values, side_px) / np.maximum(share, 1e-3)


def _smooth(values: Array, side_px: int) -> Array:
    once = ndimage.uniform_filter(values, side_px, mode="nearest")
    return np.asarray(ndimage.uniform_filter(once, side_px, mode="nearest"))


def halved(picture: NDArray[np.floating]) -> Array:
    """Means of 2 x 2 pixels; NaN where half of them or more are unknown. An odd last row or column is left out."""
    rows, columns = (n // 2 * 2 for n in picture.shape)
    quads = np.asarray(picture[:rows, :columns], np.float64).reshape(rows // 2, 2, columns // 2, 2)
    known = np.isfinite(quads)
    count = known.sum(axis=(1, 3))
    total = np.where(known, quads, 0.0).sum(axis=(1, 3))
    return np.where(count > 2, total / np.maximum(count, 1), np.nan)


def likeness(picture: Texture) -> float:
    """Correlation of pixels two apart, in rows and columns: near 0 for noise, large for ground; 0 without data."""
    products = squares = 0.0
    for axis in (0, 1):
        t, w = (np.moveaxis(a, axis, 0) for a in (picture.values, picture.weight))
        pair = w[2:] * w[:-2]
        products += float(np.sum(t[2:] * t[:-2] * pair))
        squares += float(np.sum((t[2:] ** 2 + t[:-2] ** 2) * pair)) / 2
    return products / squares if squares > 0 else 0.0
