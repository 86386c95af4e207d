"""The scene under a reseau mark as a smooth surface: a cubic tensor spline with a penalty on its second differences.

A sample meets 4 x 4 of the spline's coefficients; sums over samples use no more than those.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from calib.compiled import njit
from calib.coordinates import Array

KNOT_PX = 14.0


@dataclass(frozen=True, slots=True, eq=False)
class SceneSpline:
    """The spline on a square window: per row or column of it the first of 4 coefficients and their values (n, 4);
    `side` coefficients each way, penalty (side^2, side^2) and the penalty's rank."""

    first: NDArray[np.int64]
    values: Array
    side: int
    penalty: Array
    rank: int


@cache
def scene_spline(half: int) -> SceneSpline:
    """The spline for a window of (2 half + 1)^2 samples, row by row. Planes and their products are not penalised."""
    intervals = max(3, round((2 * half + 1) / KNOT_PX))
    inner = np.linspace(-half, half, intervals + 1)
    knots = np.concatenate([np.full(3, inner[0]), inner, np.full(3, inner[-1])])
    places = np.arange(-half, half + 1, dtype=float)
    dense = BSpline.design_matrix(places, knots, 3).toarray()
    first = np.clip(np.searchsorted(inner, places, side="right") - 1, 0, intervals - 1)
    values = np.take_along_axis(dense, first[:, None] + np.arange(4), axis=1)
    # Differences over the coefficients' own places: zero for a straight line although the end knots crowd.
    centers = (knots[1:-3] + knots[2:-2] + knots[3:-1]) / 3
    slope = np.diff(np.eye(len(centers)), axis=0) / np.diff(centers)[:, None]
    bend = np.diff(slope, axis=0) * (2 * half / intervals)
    rough, same = bend.T @ bend, np.eye(len(centers))
    # A trace of the identity keeps coefficients that no sample of a cut window reaches.
    penalty = np.kron(rough, same) + np.kron(same, rough) + 1e-9 * np.eye(len(centers) ** 2)
    return SceneSpline(first, values, len(centers), penalty, len(centers) ** 2 - 4)


@njit(cache=True)
def scene_at(
    row: NDArray[np.int64], column: NDArray[np.int64], first: NDArray[np.int64], values: Array, scene: Array, side: int
) -> Array:  # pragma: no cover
    """The surface at samples (row, column) of the window."""
    out = np.zeros(row.size)
    for i in range(row.size):
        base = first[row[i]] * side + first[column[i]]
        for a in range(4):
            for b in range(4):
                out[i] += values[row[i], a] * values[column[i], b] * scene[base + a * side + b]
    return out


@njit(cache=True)
def scene_sums(
    row: NDArray[np.int64],
    column: NDArray[np.int64],
    first: NDArray[np.int64],
    values: Array,
    side: int,
    share: Array,
    weight: Array,
    others: Array,
    square: bool,
) -> tuple[Array, Array]:  # pragma: no cover
    """Weighted sums of the scene's columns, each sample's times `share`, with themselves and with `others` (N, m).

    Returns (n, n), left zero unless `square` is asked for, and (n, m).
    """
    n, m = side * side, others.shape[1]
    own, cross = np.zeros((n, n)), np.zeros((n, m))
    index, value = np.empty(16, np.int64), np.empty(16)
    for i in range(row.size):
        if weight[i] == 0.0:
            continue
        base = first[row[i]] * side + first[column[i]]
        for a in range(4):
            for b in range(4):
                index[4 * a + b] = base + a * side + b
                value[4 * a + b] = values[row[i], a] * values[column[i], b] * share[i]
        for a in range(16):
            weighted = weight[i] * value[a]
            for j in range(m):
                cross[index[a], j] += weighted * others[i, j]
            if square:
                for b in range(a + 1):
                    own[index[a], index[b]] += weighted * value[b]
    if square:
        for a in range(n):
            for b in range(a):
                own[b, a] = own[a, b]
    return own, cross


@njit(cache=True)
def scene_rows_times(
    row: NDArray[np.int64],
    column: NDArray[np.int64],
    first: NDArray[np.int64],
    values: Array,
    side: int,
    share: Array,
    right: Array,
) -> Array:  # pragma: no cover
    """The scene's columns, each sample's times `share`, times `right` (n, m): (N, m)."""
    out = np.zeros((row.size, right.shape[1]))
    for i in range(row.size):
        base = first[row[i]] * side + first[column[i]]
        for a in range(4):
            for b in range(4):
                value = values[row[i], a] * values[column[i], b] * share[i]
                for j in range(right.shape[1]):
                    out[i, j] += value * right[base + a * side + b, j]
    return out
