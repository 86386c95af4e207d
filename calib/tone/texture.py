"""How noise hangs together, from wedge patches and overlaps: across the samples of a strip, and from strip to strip."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from calib.coordinates import Array
from calib.tone.overlap_kernels import cubic_weights

FEWEST_LINES = 4  # of a patch: three correlations cannot be told from fewer once its columns have lost their means
FEWEST_TOLD = 2.0  # lines of a patch that tell how noise hangs together across them
MOST = 0.95  # correlation
PHASES = 16  # places between two samples at which an interpolation is looked at


def correlations(product: Array, lines: Array) -> Array:
    """Correlation of a patch's noise one and two lines on, one and two samples on, (P, 4); NaN where few lines tell it.

    `product` (P, 5) are mean products of what is left of patches of so many `lines` when their columns have lost their
    means: of a sample with itself, then in that order. The fewer the lines, the more of noise that hangs together goes
    with those means: what is left along the lines is a linear mixture of all correlations (`_left_along`).
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
    """What (3, 3) of a column's noise, whose products of lines 0, 1 and 2 apart are 1 and which hangs together no
    farther, is left in each of them when the column of so many lines has lost its mean."""
    apart = np.abs(np.subtract.outer(np.arange(lines), np.arange(lines)))
    less = np.eye(lines) - 1.0 / lines
    left = [less @ (apart == lag).astype(np.float64) @ less for lag in range(3)]
    return np.array([[np.diagonal(each, lag).mean() for each in left] for lag in range(3)])


def hanging_together(patches: Sequence[Array]) -> tuple[tuple[float, float], tuple[float, float]]:
    """What is common to all strips' patches (P, 4), along and across the lines; nothing where no patch tells it.

    Patches too low to tell it along the lines are taken to be seen by a spot as long as it is wide.
    """
    every = np.concatenate([np.zeros((0, 4)), *patches])
    along, across = (each[np.isfinite(each).all(axis=1)] for each in (every[:, :2], every[:, 2:]))
    if not across.size:
        return (0.0, 0.0), (0.0, 0.0)
    one, two = (
        np.clip(np.median(each, axis=0), 0.0, MOST).tolist() for each in (along if along.size else across, across)
    )
    return (one[0], one[1]), (two[0], two[1])


def raised_by_cubic(hanging: tuple[float, float]) -> float:
    """How much more of its variance noise that hangs together keeps in cubic interpolation than independent noise."""
    weights = np.stack(cubic_weights(np.arange(PHASES) / PHASES))
    square = float(np.sum(weights**2))
    one_on, two_on = (2.0 * float(np.sum(weights[n:] * weights[:-n])) / square for n in (1, 2))
    return 1.0 + hanging[0] * one_on + hanging[1] * two_on


def shared_by_strips(scatter: Array, own: Array, following: Array) -> float:
    """Correlation of the noise that two strips show at the same places.

    `scatter` (N,) of their difference, and the variances that noise has in each of them, as they were compared:
    ``scatter^2 = own + following - 2 shared sqrt(own following)``. Ground that lies a little apart in both adds to the
    scatter, so that no more is seen to be shared than is.
    """
    some = np.isfinite(scatter) & (own > 0) & (following > 0)
    if not some.any():
        return 0.0
    found = (own + following - scatter**2)[some] / (2.0 * np.sqrt((own * following)[some]))
    return float(np.clip(np.median(found), 0.0, MOST))
