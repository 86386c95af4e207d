"""Levels of known film and the banding of its columns, told from each other: nothing that only some columns show of a
patch, and no scratch on it, passes for its tone."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.median import medians_by

POLISHING = 4


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Sorts (L,) of cells, the number of each cell's (N,), the `level` (L,) of each and the banding (n_samples,)."""

    sorts: NDArray[np.int64]
    which: NDArray[np.intp]
    level: Array
    banding: Array


def polished(value: Array, sort: NDArray[np.int64], sample: NDArray[np.int64], n_samples: int) -> Levels:
    """The level of each sort of cells and the banding of each sample that add up to values (N,), by medians in turn
    (median polish)."""
    sorts, which = np.unique(sort, return_inverse=True)
    level, banding = np.zeros(sorts.size), np.zeros(n_samples)
    for _ in range(POLISHING):
        level = medians_by(value - banding[sample], which, sorts.size)
        banding = medians_by(value - level[which], sample, n_samples)
    return Levels(sorts, which, level, banding)
