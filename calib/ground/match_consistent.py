"""Which of many measured shifts belong together: the affine law that most of them follow.

An error of a camera's pose moves its picture on the ground by a smooth law, over a narrow field nearly an affine one.
Random subsets of three shifts propose laws; the one with the least median of the squared misfits is taken (Rousseeuw
1984, J. Am. Stat. Assoc. 79:871) and fitted again to all that follow it.
"""

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.errors import NotPossible

SUBSETS = 500  # with two fifths of the shifts right, the chance that none holds three right ones is 1e-14
SEED = 33  # of the draw of subsets
WITHIN = 4.0  # robust 1-sigma of the misfit: a normal error is larger once in 3,000 (two axes)
LEAST_SHARE = 0.4  # of the shifts must follow one law
FEWEST = 6  # that follow it: twice the three that determine it
RAYLEIGH = 1.1774  # median of the length of a two-dimensional normal error of unit sigma: sqrt(2 ln 2)


def consistent(place: Array, shift: Array, tolerance_px: float, loosest_px: float) -> NDArray[np.bool_] | NotPossible:
    """Which (N,) of shifts (N, 2) at places (N, 2), both in rows and columns, follow the affine law that most of them
    do: those within four times its scatter, or within `tolerance_px`.

    Shifts that scatter about the best law by more than `loosest_px` (1-sigma) follow none.
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
