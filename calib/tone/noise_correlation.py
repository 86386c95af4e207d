"""Correlation of noise between neighbouring samples of a strip, from wedge patches, and between strips, from
overlaps."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from calib.coordinates import Array
from calib.tone.overlap_kernels import cubic_weights

FEWEST_LINES = 4  # of a patch: once column means are subtracted, fewer do not determine three correlations
FEWEST_TOLD = 2.0  # lines of a patch from which the correlation across the lines is estimated
MOST = 0.95  # largest correlation
PHASES = 16  # places between two samples over which an interpolation is averaged


def correlations(product: Array, lines: Array) -> Array:
    """Correlation of each patch's noise at lags of one and two lines, one and two samples, (P, 4); NaN if too few
    lines.

    `product` (P, 5) are mean products of residuals about the column means: at lag zero, then at those lags; `lines`
    (P,) is the height of the patches. Subtracting means over few lines removes part of correlated noise as well, so the
    products along the lines are linear mixtures of all correlations (`_left_along`), which are solved for.
    """
    found = np.full((len(product), 4), np.nan)
    for patch, (own, count) in enumerate(zip(product, np.rint(lines).astype(int).tolist(), strict=True)):
        if lines[patch] >= FEWEST_TOLD and own[0] > 0:
            found[patch, 2:] = own[3:] / own[0]
        if count >= FEWEST_LINES and own[0] > 0 and np.isfinite(own[:3]).all():
            variance, one_line, two_lines = np.linalg.solve(_left_along(count), own[:3])
            found[patch, :2] = (one_line / variance, two_lines / variance) if variance > 0 else (MOST, MOST)
    return found


@cache
def _left_along(lines: int) -> Array:
    """Matrix (3, 3) from a column's autocovariance at lags 0, 1 and 2 lines to the expected mean products at these lags
    once the column's mean is subtracted; noise is not correlated farther than that."""
    apart = np.abs(np.subtract.outer(np.arange(lines), np.arange(lines)))
    less = np.eye(lines) - 1.0 / lines
    left = [less @ (apart == lag).astype(np.float64) @ less for lag in range(3)]
    return np.array([[np.diagonal(each, lag).mean() for each in left] for lag in range(3)])


def pooled_correlations(patches: Sequence[Array]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Median correlations of all strips' patches (P, 4): along the strip and across it; zeros if there are none.

    If no patch is high enough to give those along the strip, the spot is taken to be round.
    """
    every = np.concatenate([np.zeros((0, 4)), *patches])
    along, across = (each[np.isfinite(each).all(axis=1)] for each in (every[:, :2], every[:, 2:]))
    if not across.size:
        return (0.0, 0.0), (0.0, 0.0)
    one, two = (
        np.clip(np.median(each, axis=0), 0.0, MOST).tolist() for each in (along if along.size else across, across)
    )
    return (one[0], one[1]), (two[0], two[1])


def raised_by_cubic(correlation: tuple[float, float]) -> float:
    """Factor by which correlated noise keeps more of its variance in cubic interpolation than white noise does."""
    weights = np.stack(cubic_weights(np.arange(PHASES) / PHASES))
    square = float(np.sum(weights**2))
    one_on, two_on = (2.0 * float(np.sum(weights[n:] * weights[:-n])) / square for n in (1, 2))
    return 1.0 + correlation[0] * one_on + correlation[1] * two_on


def shared_by_strips(scatter: Array, own: Array, following: Array) -> float:
    """Correlation of the noise of two strips at the same film places: 0 to `MOST`, a lower bound.

    From the `scatter` (N,) of their difference and the noise variances `own` and `following` (N,) in both strips:
    ``scatter^2 = own + following - 2 shared sqrt(own following)``. Errors of place add to the scatter, so the
    correlation is never overestimated.
    """
    some = np.isfinite(scatter) & (own > 0) & (following > 0)
    if not some.any():
        return 0.0
    found = (own + following - scatter**2)[some] / (2.0 * np.sqrt((own * following)[some]))
    return float(np.clip(np.median(found), 0.0, MOST))
