"""Interior orientation: conversion between film places and directions in camera axes.

An undistorted film point lies at ``x = f X/Z``, ``y = f Y/Z`` from the principal point; the lens moves it by the
Brown-Conrady polynomial (Brown 1971, Photogrammetric Engineering 37:855), in millimetres, with r2 = x2 + y2::

    x' = x (1 + k1 r2 + k2 r4 + k3 r6) + 2 p1 x y + p2 (r2 + 2 x2)
    y' = y (1 + k1 r2 + k2 r4 + k3 r6) + p1 (r2 + 2 y2) + 2 p2 x y

Every term is the gradient of a potential, so the Jacobian is symmetric, and where it is positive definite the map is
one to one. Farther out the polynomial folds over: places there have no image, and the result is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints

if TYPE_CHECKING:
    from calib.frame.camera import Camera, Distortion

INVERSE_MM = 1e-9  # largest error of the inverse, as distance on the film
CLOSE_MM = 1e-12  # error at which the iteration stops: further steps are rounding
NEWTON_STEPS = 60  # limit; convergence is quadratic near the solution
HALVINGS = 30  # of a step that does not improve: a billionth of it is negligible
FARTHEST_MM = 1e6  # no lens images farther from its principal point than this


@dataclass(frozen=True, slots=True, eq=False)
class LensJacobian:
    """Derivatives of the film place with respect to the undistorted place; symmetric, with `xy` off the diagonal."""

    xx: Array
    xy: Array
    yy: Array


def distort(distortion: Distortion, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
    """Film places from undistorted ones, both in millimetres from the principal point; NaN beyond the fold."""
    x, y = np.broadcast_arrays(np.asarray(x_mm, np.float64), np.asarray(y_mm, np.float64))
    x_film, y_film = _polynomial(distortion, x, y)
    usable = _one_to_one(distortion, x, y)
    return np.where(usable, x_film, np.nan), np.where(usable, y_film, np.nan)


def undistort(distortion: Distortion, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
    """Undistorted places from film places, both in millimetres from the principal point: inverts `distort` to 1e-9 mm.

    Newton's method with steps halved until they stay where the map is one to one and reduce the error. The map is the
    gradient of a function that is convex there, so the only point of convergence is the solution. NaN where no
    undistorted place maps to the film place.
    """
    x_film, y_film = np.broadcast_arrays(np.asarray(x_mm, np.float64), np.asarray(y_mm, np.float64))
    shape = x_film.shape
    target = np.stack([x_film.ravel(), y_film.ravel()])
    place = np.where(_one_to_one(distortion, *target), target, 0.0)
    open_ = np.flatnonzero(np.isfinite(target).all(axis=0))
    for _ in range(NEWTON_STEPS):
        if open_.size == 0:
            break
        place[:, open_], moved = _newton_step(distortion, place[:, open_], target[:, open_])
        open_ = open_[moved]
        open_ = open_[_distance(distortion, place[:, open_], target[:, open_]) > CLOSE_MM]
    error = _distance(distortion, place, target)
    found = (error <= INVERSE_MM) & _one_to_one(distortion, *place)
    x, y = np.where(found, place, np.nan)
    return x.reshape(shape), y.reshape(shape)


def lens_jacobian(distortion: Distortion, x_mm: Array, y_mm: Array) -> LensJacobian:
    """Derivatives of `distort` at undistorted places (mm from the principal point)."""
    d = distortion
    r2 = x_mm * x_mm + y_mm * y_mm
    radial = 1.0 + r2 * (d.k1 + r2 * (d.k2 + r2 * d.k3))
    slope = 2.0 * (d.k1 + r2 * (2.0 * d.k2 + r2 * 3.0 * d.k3))
    return LensJacobian(
        xx=radial + slope * x_mm * x_mm + 2.0 * d.p1 * y_mm + 6.0 * d.p2 * x_mm,
        xy=slope * x_mm * y_mm + 2.0 * d.p1 * x_mm + 2.0 * d.p2 * y_mm,
        yy=radial + slope * y_mm * y_mm + 6.0 * d.p1 * y_mm + 2.0 * d.p2 * x_mm,
    )


@lru_cache(maxsize=16)
def fold_radius2_mm2(distortion: Distortion) -> float:
    """Square of the radius (mm^2) at which the radial polynomial stops rising; infinite if it never does."""
    # d/dr [r (1 + k1 r2 + k2 r4 + k3 r6)] as a polynomial in r2, scaled so that its coefficients are comparable
    ascending = [1.0, 3.0 * distortion.k1, 5.0 * distortion.k2, 7.0 * distortion.k3]
    scale = max(abs(c) ** (1.0 / n) for n, c in enumerate(ascending) if n)
    if scale * FARTHEST_MM**2 < 1e-6:
        return np.inf
    scaled = np.polynomial.polynomial.polytrim([c / scale**n for n, c in enumerate(ascending)], 1e-12)
    roots = np.polynomial.polynomial.polyroots(scaled) / scale
    real = roots.real[(np.abs(roots.imag) <= 1e-9 * np.abs(roots)) & (roots.real > 0)]
    return float(real.min()) if real.size else np.inf


def film_to_direction(camera: Camera, film: FilmPoints) -> Array:
    """Unit vectors (..., 3) in camera axes of the rays to film places; NaN where the lens images nothing."""
    x_film = np.asarray(film.x_mm, np.float64) - camera.principal_point_mm[0]
    y_film = np.asarray(film.y_mm, np.float64) - camera.principal_point_mm[1]
    x, y = undistort(camera.distortion, x_film, y_film)
    ray = np.stack([x, y, np.full_like(x, camera.focal_length_mm)], axis=-1)
    return ray / np.sqrt(x * x + y * y + camera.focal_length_mm**2)[..., np.newaxis]


def direction_to_film(camera: Camera, directions: Array) -> FilmPoints:
    """Film places of directions (..., 3) in camera axes, of any length: the inverse of `film_to_direction`.

    NaN behind the camera and beyond the lens's fold-over. The place may lie outside the format.
    """
    toward = np.asarray(directions, np.float64)
    ahead = toward[..., 2] > 0
    depth = np.where(ahead, toward[..., 2], np.nan)
    x = camera.focal_length_mm * toward[..., 0] / depth
    y = camera.focal_length_mm * toward[..., 1] / depth
    x_film, y_film = distort(camera.distortion, x, y)
    return FilmPoints(x_film + camera.principal_point_mm[0], y_film + camera.principal_point_mm[1])


def within_format(camera: Camera, film: FilmPoints) -> NDArray[np.bool_]:
    """Whether film places lie in the exposed area, which is centred on the origin; NaN does not."""
    width_mm, height_mm = camera.format_mm
    return np.asarray((np.abs(film.x_mm) <= width_mm / 2) & (np.abs(film.y_mm) <= height_mm / 2))


def _polynomial(d: Distortion, x: Array, y: Array) -> tuple[Array, Array]:
    r2 = x * x + y * y
    radial = 1.0 + r2 * (d.k1 + r2 * (d.k2 + r2 * d.k3))
    xy2 = 2.0 * x * y
    return (
        x * radial + d.p1 * xy2 + d.p2 * (r2 + 2.0 * x * x),
        y * radial + d.p1 * (r2 + 2.0 * y * y) + d.p2 * xy2,
    )


def _one_to_one(d: Distortion, x: Array, y: Array) -> NDArray[np.bool_]:
    """Whether the map is still one to one: Jacobian positive definite, and inside the first radial turning point.

    The second condition keeps out the rings farther out where a polynomial may rise once more.
    """
    jacobian = lens_jacobian(d, x, y)
    determinant = jacobian.xx * jacobian.yy - jacobian.xy**2
    within = x * x + y * y < fold_radius2_mm2(d)
    return np.asarray((determinant > 0) & (jacobian.xx + jacobian.yy > 0) & within)


def _distance(d: Distortion, place: Array, target: Array) -> Array:
    x, y = _polynomial(d, place[0], place[1])
    return np.hypot(x - target[0], y - target[1])


def _newton_step(d: Distortion, place: Array, target: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Places (2, N) after one damped Newton step, and the mask (N,) of those that improved."""
    x, y = _polynomial(d, place[0], place[1])
    jacobian = lens_jacobian(d, place[0], place[1])
    dx, dy = target[0] - x, target[1] - y
    determinant = jacobian.xx * jacobian.yy - jacobian.xy**2
    full = np.stack([jacobian.yy * dx - jacobian.xy * dy, jacobian.xx * dy - jacobian.xy * dx]) / determinant
    error = np.hypot(dx, dy)
    new, moved = place.copy(), np.zeros(error.shape, bool)
    open_, share = np.arange(error.size), 1.0
    for _ in range(HALVINGS):
        trial = place[:, open_] + share * full[:, open_]
        better = (_distance(d, trial, target[:, open_]) < error[open_]) & _one_to_one(d, trial[0], trial[1])
        new[:, open_[better]] = trial[:, better]
        moved[open_[better]] = True
        open_, share = open_[~better], share / 2
        if open_.size == 0:
            break
    return new, moved
