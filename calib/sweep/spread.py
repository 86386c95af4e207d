"""The covariance of fitted departures: of the terms' coefficients, as far as rows touch them, and then of the rows."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.sweep.chain import ChainSolution
from calib.sweep.layout import Layout
from calib.sweep.normals import Batch, by_strip, seams
from calib.sweep.rows import AXES, Products, Rows, band_of, band_of_product, empty_products, forms

PLANES = (*AXES, (1, 0))  # of a covariance of two strips: which axis of the left one with which of the right one


def fit_covariance(layout: Layout, solution: ChainSolution, batches: Sequence[Batch], count: int) -> Array:
    """Covariance (count, 2, 2) of the fit's values of the batches' observations."""
    total = np.zeros((count, 2, 2))
    for k, mine in enumerate(by_strip(layout, batches)):
        if mine:
            spread = _spread(layout, solution, (k, k), band_of([(rows, rows) for _, rows in mine], layout.n_splines))
            for batch, rows in mine:
                total[batch.index] += _own_covariance(spread, rows)
    for blocks, seam in seams(batches).items():
        pairs = [(batch.rows[0], batch.rows[1]) for batch in seam]
        spread = _spread(layout, solution, blocks, band_of(pairs, layout.n_splines))
        for batch in seam:
            for plane, (i, j) in enumerate(PLANES):
                across = forms(spread, plane, *batch.rows)
                total[batch.index, i, j] += across
                total[batch.index, j, i] += across
    return total


def place_covariance(layout: Layout, solution: ChainSolution, strip: int, rows: Rows, wander: Array) -> Array:
    """Covariance (N, 2, 2) of the fitted departures at places in one strip.

    `wander` (2,) is the prior variance of the wander's modes that the solution was made with: what evidence has not
    seen of them (`Layout.cut_to`) has it still.
    """
    spread = _spread(layout, solution, (strip, strip), band_of([(rows, rows)], layout.n_splines))
    for plane, axis in ((0, 0), (2, 1)):
        whole, seen = layout.line_modes[axis].coefficients, layout.wander[strip][axis]
        if seen is not whole:
            unseen = np.zeros_like(spread.near[plane])
            band_of_product(unseen, spread.low, np.hstack([whole, -seen]), np.hstack([whole, seen]))
            spread.near[plane] += wander[axis] * unseen
    return _own_covariance(spread, rows)


def _own_covariance(spread: Products, rows: Rows) -> Array:
    """Covariance (N, 2, 2) at places, from that of their strip's terms."""
    x, across, y = (forms(spread, plane, rows, rows) for plane in range(len(AXES)))
    return np.stack([np.stack([x, across], axis=1), np.stack([across, y], axis=1)], axis=1)


def _spread(
    layout: Layout, solution: ChainSolution, blocks: tuple[int, int], band: tuple[NDArray[np.int64], int]
) -> Products:
    """Covariance of the coefficients of a strip's terms with its own (planes `AXES`) or its right neighbour's
    (`PLANES`), that of splines with splines within the band."""
    k, other = blocks
    own = solution.cov[k] if k == other else solution.cov_next[k]
    joint = np.concatenate([own, solution.cov_border[k]], axis=1)
    below = np.concatenate([solution.cov_border[other].T, solution.cov_shared], axis=1)
    planes = AXES if k == other else PLANES
    n_few = layout.n_few
    spread = empty_products(len(planes), (n_few + len(layout.places[k]), n_few + len(layout.places[other])), band)
    few = [layout.onto_few(k, i, joint[layout.columns(k, i)], below) for i in range(2)]
    splines = [layout.onto_splines(k, i, joint[layout.columns(k, i)]) for i in range(2)]
    n = own.shape[1]
    for plane, (i, j) in enumerate(planes):
        there = layout.columns(other, j)
        modes = layout.wander[other][j]
        spread.few[plane] = layout.onto_few(other, j, few[i][:, there].T, few[i][:, n:].T).T
        spread.left[plane] = layout.onto_few(other, j, splines[i][:, there].T, splines[i][:, n:].T).T
        spread.right[plane] = layout.onto_splines(other, j, few[i][:, there].T)
        wander = np.ascontiguousarray(splines[i][:, there][:, 2 : 2 + modes.shape[1]])
        band_of_product(spread.near[plane], spread.low, wander, modes)
    return spread
