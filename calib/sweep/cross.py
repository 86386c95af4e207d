"""A reseau cross as the readout sees it: how much of its spot a stroke covers, and how that changes with place.

In film mm (u, v) from the mark's centre the cross is the union of two bars, ``|u| < arm, |v| < width/2`` and the same
with u and v changed over; the spot is a Gaussian, so each bar's coverage is a product of error functions.
"""

import math
from dataclasses import dataclass

import numpy as np

from calib.compiled import njit
from calib.coordinates import Array

FAR = 7.0  # rms radii from an edge beyond which the spot's share over it is 0 or 1 to double precision's needs


@dataclass(frozen=True, slots=True)
class CrossShape:
    """Arm length from the centre, stroke width and the spot's rms radius along x and y, all in film mm."""

    arm_mm: float
    width_mm: float
    blur_x_mm: float
    blur_y_mm: float


def coverage(u_mm: Array, v_mm: Array, tilt: tuple[float, float], shape: CrossShape) -> tuple[Array, Array]:
    """Coverage (N,) of the cross at film places (u, v) from its centre, and its derivatives (N, 6).

    `tilt` is by how much the stroke along u leans, dv/du, and the one along v, du/dv. Derivatives are by u, by v, by
    either tilt, by the logarithms of blur_x and blur_y. The square that both strokes share counts with the first.
    """
    out, slopes = np.empty(u_mm.size), np.empty((u_mm.size, 6))
    sizes = (shape.arm_mm, shape.width_mm / 2, shape.blur_x_mm, shape.blur_y_mm)
    _coverage(np.ravel(u_mm), np.ravel(v_mm), float(tilt[0]), float(tilt[1]), sizes, out, slopes)
    return out, slopes


@njit(cache=True)
def _edge(t: float) -> tuple[float, float]:  # pragma: no cover
    """Share of a unit Gaussian below t, and its density there."""
    if t > FAR:
        return 1.0, 0.0
    if t < -FAR:
        return 0.0, 0.0
    return 0.5 * (1.0 + math.erf(t * 0.7071067811865476)), 0.3989422804014327 * math.exp(-0.5 * t * t)


@njit(cache=True)
def _bar(t: float, half: float, blur: float) -> tuple[float, float, float]:  # pragma: no cover
    """A bar -half < t < half seen through a Gaussian: value, derivative by t and by log blur."""
    plus, minus = (t + half) / blur, (t - half) / blur
    share_plus, bell_plus = _edge(plus)
    share_minus, bell_minus = _edge(minus)
    return share_plus - share_minus, (bell_plus - bell_minus) / blur, minus * bell_minus - plus * bell_plus


@njit(cache=True)
def _coverage(
    u_mm: Array,
    v_mm: Array,
    tilt_u: float,
    tilt_v: float,
    sizes: tuple[float, float, float, float],
    out: Array,
    slopes: Array,
) -> None:  # pragma: no cover
    """Fill coverage and derivatives sample by sample."""
    arm, half, blur_x, blur_y = sizes
    for i in range(u_mm.size):
        u, v = u_mm[i], v_mm[i]
        long_u, long_u1, long_ub = _bar(u, arm, blur_x)
        thin_v, thin_v1, thin_vb = _bar(v - tilt_u * u, half, blur_y)
        thin_u, thin_u1, thin_ub = _bar(u - tilt_v * v, half, blur_x)
        arm_v, arm_v1, arm_vb = _bar(v, arm, blur_y)
        core_v, core_v1, core_vb = _bar(v, half, blur_y)
        rest_v, rest_v1, rest_vb = arm_v - core_v, arm_v1 - core_v1, arm_vb - core_vb
        along_v, along_u = long_u * thin_v1, thin_u1 * rest_v
        out[i] = long_u * thin_v + thin_u * rest_v
        slopes[i, 0] = long_u1 * thin_v - tilt_u * along_v + along_u
        slopes[i, 1] = along_v + thin_u * rest_v1 - tilt_v * along_u
        slopes[i, 2] = -u * along_v
        slopes[i, 3] = -v * along_u
        slopes[i, 4] = long_ub * thin_v + thin_ub * rest_v
        slopes[i, 5] = long_u * thin_vb + thin_u * rest_vb
