"""The scene under a reseau mark as a smooth surface: a cubic tensor spline with a penalty on its second differences."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.interpolate import BSpline

from calib.coordinates import Array

KNOT_PX = 14.0


@dataclass(frozen=True, slots=True, eq=False)
class SceneSpline:
    """Values (pixels, n) on a square window, penalty (n, n) and the penalty's rank."""

    basis: Array
    penalty: Array
    rank: int


@cache
def scene_spline(half: int) -> SceneSpline:
    """The spline for a window of (2 half + 1)^2 samples, row by row. Planes and their products are not penalised."""
    intervals = max(3, round((2 * half + 1) / KNOT_PX))
    inner = np.linspace(-half, half, intervals + 1)
    knots = np.concatenate([np.full(3, inner[0]), inner, np.full(3, inner[-1])])
    one = BSpline.design_matrix(np.arange(-half, half + 1, dtype=float), knots, 3).toarray()
    # Differences over the coefficients' own places: zero for a straight line although the end knots crowd.
    places = (knots[1:-3] + knots[2:-2] + knots[3:-1]) / 3
    slope = np.diff(np.eye(len(places)), axis=0) / np.diff(places)[:, None]
    bend = np.diff(slope, axis=0) * (2 * half / intervals)
    rough, same = bend.T @ bend, np.eye(len(places))
    # A trace of the identity keeps coefficients that no sample of a cut window reaches.
    penalty = np.kron(rough, same) + np.kron(same, rough) + 1e-9 * np.eye(len(places) ** 2)
    return SceneSpline(np.kron(one, one), penalty, len(places) ** 2 - 4)
