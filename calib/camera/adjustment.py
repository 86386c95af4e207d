"""Least-squares adjustment of a pose to control points on the film and, if its sigmas are given, to the stated pose."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from calib.camera.collinearity import moon_to_film, sensitivity
from calib.camera.exterior import Pose, moved, turn_between
from calib.coordinates import Array, FilmPoints
from calib.errors import NotPossible

if TYPE_CHECKING:
    from calib.frame.camera import Camera

UNKNOWNS = 6  # three of position, three of attitude
MAX_STEPS = 200  # limit; normally the iteration ends when no step improves the fit
FIRST_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-3, 1e-15, 1e12  # relative to the diagonal of the normal matrix
DAMPING_STEP = 10.0  # factor: divides the damping after an improvement, multiplies it otherwise
SMALLEST_STEP = 1e-13  # relative to the distance, and in radians
SINGULAR = 1e-9  # smallest ratio of singular values of a determined problem, after scaling
SIGNIFICANCE = 0.001  # of excess scatter for which the covariance is widened (common practice, no source)


@dataclass(frozen=True, slots=True, eq=False)
class Control:
    """Control points: positions (N, 3) in the Moon frame (km), measured film places, and their 1-sigma (N,)."""

    ids: tuple[str, ...]
    position_km: Array
    film: FilmPoints
    sigma_mm: Array


@dataclass(frozen=True, slots=True, eq=False)
class Observations:
    """The observations for a pose; `prior` (6,) is one over the sigma of each unknown, 0 if it is free."""

    camera: Camera
    control: Control
    given: Pose
    prior: Array
    unit: Array  # (6,) size of a change of 1 in each scaled unknown: the distance in km, and a radian


@dataclass(frozen=True, slots=True, eq=False)
class Adjusted:
    """A fitted pose, its covariance (6, 6) in km and radians, and the squared scatter in units of the stated sigmas.

    `cofactor` is the covariance by the stated sigmas alone; `covariance` is multiplied by the variance factor if the
    scatter is significantly larger than stated. `square` is the minimized sum of squares.
    """

    pose: Pose
    cofactor: Array
    covariance: Array
    variance_factor: float
    square: float


def observations(camera: Camera, control: Control, given: Pose) -> Observations:
    """The observations from control points and the stated pose, with scaled unknowns."""
    position, attitude = given.sigma_position_km, given.sigma_attitude_deg
    weights = [1.0 / position if position else 0.0, 1.0 / np.radians(attitude) if attitude else 0.0]
    distance = float(np.median(np.linalg.norm(control.position_km - given.position_km, axis=1)))
    return Observations(camera, control, given, np.repeat(weights, 3), np.repeat([distance, 1.0], 3))


def residuals_mm(known: Observations, pose: Pose) -> Array:
    """Measured minus computed film places (N, 2) in mm; NaN where a point has no image."""
    computed = moon_to_film(known.camera, pose, known.control.position_km)
    return np.stack([known.control.film.x_mm - computed.x_mm, known.control.film.y_mm - computed.y_mm], axis=-1)


def residuals(known: Observations, pose: Pose) -> Array:
    """Measured minus computed film places (N, 2) in units of the points' sigmas."""
    return residuals_mm(known, pose) / known.control.sigma_mm[:, np.newaxis]


def design(known: Observations, pose: Pose) -> Array:
    """Derivatives (N, 2, 6) of the computed film places, in sigmas, with respect to the scaled unknowns."""
    by_pose = sensitivity(known.camera, pose, known.control.position_km)
    return by_pose * known.unit / known.control.sigma_mm[:, np.newaxis, np.newaxis]


def stated(known: Observations, pose: Pose) -> tuple[Array, Array]:
    """Rows for the stated pose: stated minus present unknowns (K,), in sigmas, and the derivatives (K, 6)."""
    bound = known.prior > 0
    away = np.concatenate(
        [pose.position_km - known.given.position_km, turn_between(known.given.rotation, pose.rotation)]
    )
    return -(away * known.prior)[bound], np.diag(known.prior * known.unit)[bound]


def stepped(known: Observations, pose: Pose, step: Array) -> Pose:
    """The pose changed by a step (6,) of the scaled unknowns."""
    return moved(pose, step * known.unit)


def adjust(known: Observations, used: NDArray[np.bool_], start: Pose) -> Adjusted | NotPossible:
    """Least squares over the used points by damped Gauss-Newton steps (Levenberg 1944, Q. Appl. Math. 2:164; Marquardt
    1963, J. SIAM 11:431)."""
    pose, damping = start, FIRST_DAMPING
    residual = _rows(known, used, pose)
    if not np.isfinite(residual).all():
        return NotPossible("control points have no image with the pointing as given")
    for _ in range(MAX_STEPS):
        a = _row_derivatives(known, used, pose)
        damped = np.vstack([a, np.sqrt(damping) * np.diag(np.linalg.norm(a, axis=0))])
        step = np.linalg.lstsq(damped, np.concatenate([residual, np.zeros(UNKNOWNS)]), rcond=None)[0]
        trial = stepped(known, pose, step)
        trial_residual = _rows(known, used, trial)
        if trial_residual @ trial_residual <= residual @ residual:  # also false if a point has lost its image
            pose, residual, damping = trial, trial_residual, max(damping / DAMPING_STEP, LEAST_DAMPING)
        else:
            damping *= DAMPING_STEP
        if np.abs(step).max() < SMALLEST_STEP or damping > MOST_DAMPING:
            break
    return _with_covariance(known, used, pose, residual)


def _with_covariance(
    known: Observations, used: NDArray[np.bool_], pose: Pose, residual: Array
) -> Adjusted | NotPossible:
    a = _row_derivatives(known, used, pose)
    scale = np.linalg.norm(a, axis=0)
    _, singular, right = np.linalg.svd(a / scale, full_matrices=False)
    if len(a) < UNKNOWNS or singular[-1] <= SINGULAR * singular[0]:
        return NotPossible("the control points leave the pose undetermined: too few, too close together, or in line")
    inverse = known.unit[:, np.newaxis] * (right.T / singular) / scale[:, np.newaxis]
    freedom, square = len(residual) - UNKNOWNS, float(residual @ residual)
    factor = square / freedom if freedom else 1.0
    widened = factor if freedom and square > chdtri(freedom, SIGNIFICANCE) else 1.0
    cofactor = inverse @ inverse.T
    return Adjusted(pose, cofactor, cofactor * widened, factor, square)


def _rows(known: Observations, used: NDArray[np.bool_], pose: Pose) -> Array:
    return np.concatenate([residuals(known, pose)[used].ravel(), stated(known, pose)[0]])


def _row_derivatives(known: Observations, used: NDArray[np.bool_], pose: Pose) -> Array:
    return np.vstack([design(known, pose)[used].reshape(-1, UNKNOWNS), stated(known, pose)[1]])
