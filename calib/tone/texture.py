"""How noise hangs together, from wedge patches and overlaps: across the samples of a strip, and from strip to strip."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.coordinates import Array
from calib.tone.overlap_kernels import cubic_weights

FEWEST_LINES = 8.0  # of a patch: with fewer, the means taken off its columns are about as noisy as what is left
MOST = 0.95  # correlation
PHASES = 16  # places between two samples at which an interpolation is looked at


def correlations(product: Array, lines: Array) -> Array:
    """Correlation of a patch's noise one and two lines on, one and two samples on, (P, 4); NaN where few lines tell it.

    `product` (P, 5) are mean products of what is left of patches of so many `lines` when their columns have lost their
    means: of a sample with itself, then in that order. A column's mean has the variance of a mean of noise that hangs
    together, ``variance / lines * (1 + 2 sum)``, and it misses in every product along the lines.
    """
    known = (lines >= FEWEST_LINES) & (product[:, 0] > 0)
    raw = product[:, 1:] / np.where(known, product[:, 0], np.nan)[:, np.newaxis]
    along = raw[:, :2]
    for _ in range(3):
        taken = np.clip((1.0 + 2.0 * along.sum(axis=1)) / np.maximum(lines, 1.0), 0.0, 0.5)[:, np.newaxis]
        along = raw[:, :2] * (1.0 - taken) + taken
    return np.hstack([along, raw[:, 2:]])


def hanging_together(patches: Sequence[Array]) -> tuple[tuple[float, float], tuple[float, float]]:
    """What is common to all strips' patches (P, 4), along and across the lines; nothing where no patch tells it."""
    every = np.concatenate([np.zeros((0, 4)), *patches])
    some = every[np.isfinite(every).all(axis=1)]
    if not some.size:
        return (0.0, 0.0), (0.0, 0.0)
    one_line, two_lines, one_sample, two_samples = np.clip(np.median(some, axis=0), 0.0, MOST).tolist()
    return (one_line, two_lines), (one_sample, two_samples)


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
