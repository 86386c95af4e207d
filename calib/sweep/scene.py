"""Models the scene under a reseau mark: a cubic tensor-product spline with a penalty on its second differences.

A sample depends on 4 x 4 coefficients, and neighbours on a line depend on the same ones. Sums are taken over each such
run of samples, first along the line, then across.
"""

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from calib.compiled import njit
from calib.coordinates import Array
from calib.sweep.smallsolve import band_of

KNOT_PX = 14.0  # spacing of the knots, about
SUMS = {"contract", "reassoc"}  # fastmath flags for long sums: fused multiply-add, and any order of the terms
N_OWN = 10  # unknowns of a mark
# A sample's terms: derivatives by the mark's unknowns, the residual, one unused, derivatives by the four coefficients
# of the scene along its line. All are summed in one loop.
RESIDUAL, SCENE, N_TERMS = N_OWN, 12, 16


class SceneSpline(NamedTuple):
    """The spline on a square window of n x n samples, for compiled code.

    `first` (n,), `values` (n, 4): for each row or column of the window the first of its 4 basis splines and their
    values.
    `side`: the number of coefficients along each axis.
    `penalty` (side^2, band + 1): the band (`smallsolve`) of the penalty matrix; the normal matrix has the same band.
    `rank`: the rank of the penalty.
    """

    first: NDArray[np.int64]
    values: Array
    side: int
    penalty: Array
    rank: int


class Runs(NamedTuple):
    """Samples of a window sorted by row and column, (N,) each, and the start indices of runs with the same
    coefficients, with the end appended (R + 1,)."""

    row: NDArray[np.int64]
    column: NDArray[np.int64]
    begin: NDArray[np.int64]


@cache
def scene_spline(half: int) -> SceneSpline:
    """The spline for a window of (2 half + 1)^2 samples. Bilinear functions are not penalised."""
    intervals = max(3, round((2 * half + 1) / KNOT_PX))
    inner = np.linspace(-half, half, intervals + 1)
    knots = np.concatenate([np.full(3, inner[0]), inner, np.full(3, inner[-1])])
    places = np.arange(-half, half + 1, dtype=float)
    dense = BSpline.design_matrix(places, knots, 3).toarray()
    first = np.clip(np.searchsorted(inner, places, side="right") - 1, 0, intervals - 1)
    values = np.take_along_axis(dense, first[:, None] + np.arange(4), axis=1)
    # Divided differences at the coefficients' places (Greville abscissae): 0 for straight lines despite repeated knots.
    centers = (knots[1:-3] + knots[2:-2] + knots[3:-1]) / 3
    slope = np.diff(np.eye(len(centers)), axis=0) / np.diff(centers)[:, None]
    bend = np.diff(slope, axis=0) * (2 * half / intervals)
    rough, same = bend.T @ bend, np.eye(len(centers))
    # The small multiple of the identity determines coefficients on which no sample of a cut window depends.
    penalty = np.kron(rough, same) + np.kron(same, rough) + 1e-9 * np.eye(len(centers) ** 2)
    return SceneSpline(first, values, len(centers), band_of(penalty, 3 * len(centers) + 3), len(centers) ** 2 - 4)


@njit(cache=True, nogil=True)
def runs_of(row: NDArray[np.int64], column: NDArray[np.int64], spline: SceneSpline) -> Runs:  # pragma: no cover
    """The runs of samples (N,) sorted by row and column."""
    begin = np.empty(row.size + 1, np.int64)
    n = 0
    for i in range(row.size):
        if i == 0 or row[i] != row[i - 1] or spline.first[column[i]] != spline.first[column[i - 1]]:
            begin[n] = i
            n += 1
    begin[n] = row.size
    return Runs(row, column, begin[: n + 1])


@njit(cache=True, nogil=True, fastmath=SUMS)
def scene_at(runs: Runs, spline: SceneSpline, scene: Array) -> Array:  # pragma: no cover
    """The values (N,) of the scene with coefficients `scene` (side^2,) at the samples."""
    out, across = np.empty(runs.row.size), spline.values
    down = np.empty(4)
    for r in range(runs.begin.size - 1):
        start = runs.begin[r]
        base = spline.first[runs.row[start]] * spline.side + spline.first[runs.column[start]]
        for b in range(4):
            down[b] = 0.0
            for a in range(4):
                down[b] += spline.values[runs.row[start], a] * scene[base + a * spline.side + b]
        for i in range(start, runs.begin[r + 1]):
            s = runs.column[i]
            out[i] = 0.0
            for b in range(4):
                out[i] += across[s, b] * down[b]
    return out


@njit(cache=True, nogil=True, fastmath=SUMS)
def scene_sums(
    runs: Runs, spline: SceneSpline, terms: Array, weight: Array, square: Array
) -> Array:  # pragma: no cover
    """Weighted sums (side^2, N_TERMS) over the samples of the scene's derivatives times the `terms` (N, N_TERMS).

    Adds the sums of the scene's derivatives times each other to `square`, the band (side^2, band + 1) of a matrix.
    """
    side, n = spline.side, N_TERMS
    part, own = np.empty(4 * n), np.zeros(side * side * n)
    first, second, third, last = part[:n], part[n : 2 * n], part[2 * n : 3 * n], part[3 * n :]
    for r in range(runs.begin.size - 1):
        start = runs.begin[r]
        part[:] = 0.0
        for i in range(start, runs.begin[r + 1]):
            one, w = terms[i], weight[i]
            e, f, g, h = w * one[SCENE], w * one[SCENE + 1], w * one[SCENE + 2], w * one[SCENE + 3]
            for j in range(N_TERMS):
                term = one[j]
                first[j] += e * term
                second[j] += f * term
                third[j] += g * term
                last[j] += h * term
        down = spline.values[runs.row[start]]
        base = spline.first[runs.row[start]] * side + spline.first[runs.column[start]]
        for a in range(4):
            at = base + a * side
            four = own[at * n : (at + 4) * n]  # one long loop over contiguous memory is fast
            for j in range(4 * N_TERMS):
                four[j] += down[a] * part[j]
            for c in range(a, 4):
                both = down[a] * down[c]
                for b in range(4):
                    row, shift = square[at + b], (c - a) * side - b
                    for d in range(b if a == c else 0, 4):
                        row[shift + d] += both * part[b * N_TERMS + SCENE + d]
    return own.reshape(side * side, N_TERMS)
