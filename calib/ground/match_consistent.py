"""Finds the consistent ones of many measured shifts: those that follow one affine transformation.

An error of a camera's pose distorts its picture on the ground smoothly, over a narrow field nearly as an affine
transformation. Candidates are fitted to random subsets of three shifts; the one with the least median of squares
(Rousseeuw 1984, J. Am. Stat. Assoc. 79:871) is fitted again to all shifts that agree with it.
"""

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.errors import NotPossible

SUBSETS = 500  # with two fifths of the shifts correct, the chance that no subset holds three correct ones is 1e-14
SEED = 33  # of the random subsets
WITHIN = 4.0  # outlier threshold in robust 1-sigma of the misfit: a normal error in two axes exceeds it once in 3,000
LEAST_SHARE = 0.4  # least share of the shifts that must follow one transformation
FEWEST = 6  # least number of shifts that must follow it: twice the three that determine it
RAYLEIGH = 1.1774  # median of the length of a two-dimensional normal error of unit sigma: sqrt(2 ln 2)


def consistent(place: Array, shift: Array, tolerance_px: float, loosest_px: float) -> NDArray[np.bool_] | NotPossible:
    """Mask (N,) of the shifts (N, 2) at places (N, 2), both in rows and columns, that follow a common affine
    transformation: those within four times its scatter, or within `tolerance_px`.

    NotPossible if too few shifts do, or if they scatter about it by more than `loosest_px` (1-sigma).
    """
    n = len(place)
    if n < FEWEST:
        return NotPossible(f"{n} windows match, at least {FEWEST} are needed")
    middle, size = place.mean(axis=0), np.maximum(np.ptp(place, axis=0), 1.0)
    a = np.column_stack([np.ones(n), (place - middle) / size])
    best, misfit = np.inf, np.zeros(n)
    random = np.random.default_rng(SEED)
    for _ in range(SUBSETS):
        chosen = random.choice(n, 3, replace=False)
        if abs(np.linalg.det(a[chosen])) < 1e-3:
            continue
        off = np.hypot(*(shift - a @ np.linalg.solve(a[chosen], shift[chosen])).T)
        median = float(np.median(off))
        if median < best:
            best, misfit = median, off
    if not np.isfinite(best):
        return NotPossible("the windows that match lie in a line")
    kept = misfit <= max(WITHIN * best / RAYLEIGH, tolerance_px)
    for _ in range(4):
        if np.count_nonzero(kept) < FEWEST:
            break
        law = np.linalg.lstsq(a[kept], shift[kept], rcond=None)[0]
        misfit = np.hypot(*(shift - a @ law).T)
        scatter = float(np.median(misfit[kept])) / RAYLEIGH
        kept = misfit <= max(WITHIN * scatter, tolerance_px)
    if np.count_nonzero(kept) < max(FEWEST, LEAST_SHARE * n):
        return NotPossible(f"only {np.count_nonzero(kept)} of {n} matching windows agree on one law")
    scatter = float(np.median(misfit[kept])) / RAYLEIGH
    if scatter > loosest_px:
        return NotPossible(f"the windows scatter by {scatter:.2g} pixels about any one law")
    return kept
