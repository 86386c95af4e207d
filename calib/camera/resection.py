"""Space resection: determines the pose from control points, and identifies outliers among them.

The six unknowns, position and attitude, are fitted by least squares to the film residuals, each divided by its stated
sigma; the stated pointing is a further observation if its sigmas are given. The start is the least median of squares
over small subsets (Rousseeuw 1984, J. Am. Stat. Assoc. 79:871), which tolerates almost half of the points as outliers.
From there points are removed or added again one at a time, by a test of each residual against its own covariance (data
snooping; Baarda 1968, Publications on Geodesy 2(5)).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from math import comb
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from calib.camera.adjustment import (
    SINGULAR,
    UNKNOWNS,
    Adjusted,
    Control,
    Observations,
    adjust,
    design,
    observations,
    residuals,
    residuals_mm,
    stated,
    stepped,
)
from calib.camera.exterior import Pose
from calib.coordinates import Array
from calib.errors import NotPossible

if TYPE_CHECKING:
    from calib.frame.camera import Camera

SIGNIFICANCE = 0.001  # probability that any good point of a frame is rejected (common practice, no source)
MAX_SUBSETS = 600
LINEAR_TURNS = 3
SEED = 20  # of the random choice if there are more subsets
LEAST_REDUNDANCY = 1e-3  # smallest redundancy of a residual that can be tested
MOST_EXCESS = 10.0**2  # squared: points may scatter up to ten times as much as stated (common practice, no source)
MEDIAN_CHI2 = float(chdtri(2, 0.5))


@dataclass(frozen=True, slots=True, eq=False)
class Resection:
    """The refined pose, and residuals and tests of the control points.

    `covariance` (6, 6): position along the Moon's axes (km), then turns about the camera's axes (rad). Residuals (N,)
    are measured minus computed, mm, for all points including rejected ones; `before_*` are those of the given pose.
    NaN: the point has no image with that pose. `test` (N,) is each residual's squared size in units of its own sigmas,
    `critical` the value above which a point is rejected, `variance_factor` the squared scatter in units of the stated
    sigmas.
    """

    pose: Pose
    covariance: Array
    residual_x_mm: Array
    residual_y_mm: Array
    before_x_mm: Array
    before_y_mm: Array
    used: NDArray[np.bool_]
    rejected: tuple[str, ...]
    test: Array
    critical: float
    variance_factor: float


def resect(camera: Camera, control: Control, pose: Pose) -> Resection | NotPossible:
    """Refine `pose` by control points; outliers are left out and named in the result.

    At least three good points are needed unless both sigmas of `pose` are given; if a sigma is None, its three unknowns
    are free. More than half of the points must agree; otherwise none can be trusted.
    """
    known = observations(camera, control, pose)
    needed = max(1 if known.prior.all() else 3, len(control.ids) // 2 + 1)
    if len(control.ids) < needed:
        return NotPossible(f"{len(control.ids)} control points, at least {needed} are needed to determine a pose")
    used, start = _robust_start(known)
    seen: set[bytes] = set()
    while used.sum() >= needed:
        fit = _fit(known, used, start)
        if not isinstance(fit, Adjusted):
            return fit
        test = _tested(known, fit, used)
        critical = float(chdtri(2, SIGNIFICANCE / used.size)) * _excess(test[used])
        change = _next_change(test, critical, used)
        if change is None or used.tobytes() in seen:
            if fit.variance_factor > MOST_EXCESS:
                times = np.sqrt(fit.variance_factor)
                return NotPossible(f"the control points scatter {times:.0f} times as much as their sigmas say")
            return _result(known, fit, used, test, critical)
        seen.add(used.tobytes())
        used = used.copy()
        used[change] = not used[change]
    return NotPossible(f"only {int(used.sum())} of {used.size} control points agree on a pose, {needed} are needed")


def _fit(known: Observations, used: NDArray[np.bool_], start: Pose) -> Adjusted | NotPossible:
    """Least squares from the pose as given, unless the robust start leads to a significantly better one.

    A narrow frame of level ground fits two poses almost equally, tilted to opposite sides; the given pose decides.
    """
    near, robust = adjust(known, used, known.given), adjust(known, used, start)
    if not (isinstance(near, Adjusted) and isinstance(robust, Adjusted)):
        return near if isinstance(near, Adjusted) else robust
    return robust if near.square - robust.square > chdtri(UNKNOWNS, SIGNIFICANCE) else near


def _result(known: Observations, fit: Adjusted, used: NDArray[np.bool_], test: Array, critical: float) -> Resection:
    after, before = residuals_mm(known, fit.pose), residuals_mm(known, known.given)
    variance = np.diag(fit.covariance)
    pose = replace(
        fit.pose,
        sigma_position_km=float(np.sqrt(variance[:3].mean())),
        sigma_attitude_deg=float(np.degrees(np.sqrt(variance[3:].mean()))),
    )
    rejected = tuple(name for name, kept in zip(known.control.ids, used, strict=True) if not kept)
    return Resection(
        pose, fit.covariance, after[:, 0], after[:, 1], before[:, 0], before[:, 1],
        used, rejected, test, critical, fit.variance_factor,
    )  # fmt: skip


def _robust_start(known: Observations) -> tuple[NDArray[np.bool_], Pose]:
    """Mask of the points that the least median of squares keeps, and an approximate pose for them."""
    imaged = np.asarray(np.isfinite(residuals(known, known.given)).all(axis=1))
    size = 2 if known.prior.all() else 3
    everyone = adjust(known, imaged, known.given)
    if imaged.sum() <= size + 1 or not isinstance(everyone, Adjusted):
        return imaged, known.given
    pose, square = everyone.pose, np.zeros(imaged.size)
    for _ in range(LINEAR_TURNS):  # linearized at a better pose each time
        found = _least_median(known, pose, np.flatnonzero(imaged), size)
        if found is None or not np.isfinite(residuals(known, found[0])[imaged]).all():
            return imaged, everyone.pose
        pose, square = found
    limit = chdtri(2, SIGNIFICANCE / imaged.size) * _excess(square[imaged])
    return np.asarray(imaged & (square <= limit)), pose


def _least_median(known: Observations, pose: Pose, index: NDArray[np.intp], size: int) -> tuple[Pose, Array] | None:
    """The pose from `size` points with the least median residual, and all squared residuals (N,), or None."""
    residual, derivative = residuals(known, pose), design(known, pose)
    back, bound = stated(known, pose)
    rank = max(size + 1, index.size // 2 + (size + 1) // 2) - 1
    best, best_step, best_square = np.inf, None, residual[:, 0]
    for subset in _subsets(index, size):
        a = np.vstack([derivative[subset].reshape(-1, UNKNOWNS), bound])
        scale = np.linalg.norm(a, axis=0)
        b = np.concatenate([residual[subset].ravel(), back])
        step, _, independent, _ = np.linalg.lstsq(a / scale, b, rcond=SINGULAR)
        square = np.sum((residual - derivative @ (step / scale)) ** 2, axis=1)
        score = np.partition(square[index], rank)[rank]
        if independent == UNKNOWNS and score < best:
            best, best_step, best_square = score, step / scale, square
    return None if best_step is None else (stepped(known, pose, best_step), best_square)


def _subsets(index: NDArray[np.intp], size: int) -> list[NDArray[np.intp]]:
    """All subsets, or if there are too many a fixed random choice of them."""
    if comb(index.size, size) <= MAX_SUBSETS:
        return [np.array(subset) for subset in combinations(index, size)]
    random = np.random.default_rng(SEED)
    return [random.choice(index, size, replace=False) for _ in range(MAX_SUBSETS)]


def _tested(known: Observations, fit: Adjusted, used: NDArray[np.bool_]) -> Array:
    """Squared size (N,) of each residual in units of its own sigmas; infinite if the point has no image.

    The covariance of a residual is ``I - A C AT`` for a used point and ``I + A C AT`` for an unused one. Directions in
    which a used point is not checked by others are not tested.
    """
    residual = residuals(known, fit.pose)
    derivative = design(known, fit.pose) / known.unit
    imaged = np.isfinite(residual).all(axis=1)
    test = np.full(used.size, np.inf)
    a = derivative[imaged]
    by_pose = a @ fit.cofactor @ np.swapaxes(a, 1, 2)
    own = np.eye(2) + np.where(used[imaged], -1.0, 1.0)[:, np.newaxis, np.newaxis] * by_pose
    value, axes = np.linalg.eigh(own)
    along = np.einsum("nij,ni->nj", axes, residual[imaged])
    testable = value > LEAST_REDUNDANCY
    test[imaged] = np.sum(np.where(testable, along**2 / np.where(testable, value, 1.0), 0.0), axis=1)
    return test


def _excess(square: Array) -> float:
    """Squared robust scatter in units of the stated sigmas, from 1 to `MOST_EXCESS`.

    So sigmas stated too small do not lead to rejections, but points that do not agree at all fail.
    """
    return min(max(1.0, float(np.median(square)) / MEDIAN_CHI2), MOST_EXCESS)


def _next_change(test: Array, critical: float, used: NDArray[np.bool_]) -> int | None:
    """Index of the worst used point above the critical value, or else of the best unused one below it; else None."""
    worst = int(np.argmax(np.where(used, test, -np.inf)))
    if used[worst] and test[worst] > critical:
        return worst
    best = int(np.argmin(np.where(used, np.inf, test)))
    return best if not used[best] and test[best] <= critical else None
