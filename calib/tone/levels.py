"""Separates the levels of known film from the banding of its columns, so that neither scratches nor patches that cover
only some columns bias a level."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.median import medians_by

POLISHING = 4


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Labels (L,) of cells, the index of each cell's label (N,), the `level` (L,) of each label, the banding
    (n_samples,)."""

    sorts: NDArray[np.int64]
    which: NDArray[np.intp]
    level: Array
    banding: Array


def polished(value: Array, sort: NDArray[np.int64], sample: NDArray[np.int64], n_samples: int) -> Levels:
    """Levels of the labels and banding of the samples whose sums fit values (N,), by median polish."""
    sorts, which = np.unique(sort, return_inverse=True)
    level, banding = np.zeros(sorts.size), np.zeros(n_samples)
    for _ in range(POLISHING):
        level = medians_by(value - banding[sample], which, sorts.size)
        banding = medians_by(value - level[which], sample, n_samples)
    return Levels(sorts, which, level, banding)
