"""A reseau cross as the readout sees it: how much of its spot a stroke covers, and how that changes with place.

In film mm (u, v) from the mark's centre the cross is the union of two bars, ``|u| < arm, |v| < width/2`` and the same
with u and v changed over; the spot is a Gaussian, so each bar's coverage is a product of error functions.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import erf

from calib.coordinates import Array


@dataclass(frozen=True, slots=True)
class CrossShape:
    """Arm length from the centre, stroke width and the spot's rms radius along x and y, all in film mm."""

    arm_mm: float
    width_mm: float
    blur_x_mm: float
    blur_y_mm: float


def _bar(t: Array, half: float, blur: float) -> tuple[Array, Array, Array]:
    """A bar -half < t < half seen through a Gaussian of rms `blur`: value, derivative by t and by blur."""
    plus, minus = (t + half) / blur, (t - half) / blur
    bell_plus = np.exp(-0.5 * plus**2) / np.sqrt(2 * np.pi)
    bell_minus = np.exp(-0.5 * minus**2) / np.sqrt(2 * np.pi)
    value = 0.5 * (erf(plus / np.sqrt(2)) - erf(minus / np.sqrt(2)))
    return value, (bell_plus - bell_minus) / blur, (minus * bell_minus - plus * bell_plus) / blur


def coverage(u_mm: Array, v_mm: Array, tilt: tuple[float, float], shape: CrossShape) -> tuple[Array, Array]:
    """Coverage of the cross at film places (u, v) from its centre, and its derivatives.

    `tilt` is by how much the stroke along u leans, dv/du, and the one along v, du/dv. Returns coverage (N,) and
    derivatives (6, N): by u, by v, by either tilt, by blur_x and by blur_y. The square that both strokes share is
    counted with the one along u.
    """
    half, arm = shape.width_mm / 2, shape.arm_mm
    long_u, long_u1, long_ub = _bar(u_mm, arm, shape.blur_x_mm)
    thin_v, thin_v1, thin_vb = _bar(v_mm - tilt[0] * u_mm, half, shape.blur_y_mm)
    thin_u, thin_u1, thin_ub = _bar(u_mm - tilt[1] * v_mm, half, shape.blur_x_mm)
    arm_v, arm_v1, arm_vb = _bar(v_mm, arm, shape.blur_y_mm)
    core_v, core_v1, core_vb = _bar(v_mm, half, shape.blur_y_mm)
    rest_v, rest_v1, rest_vb = arm_v - core_v, arm_v1 - core_v1, arm_vb - core_vb
    along_v, along_u = long_u * thin_v1, thin_u1 * rest_v
    slopes = np.stack(
        [
            long_u1 * thin_v - tilt[0] * along_v + along_u,
            along_v + thin_u * rest_v1 - tilt[1] * along_u,
            -u_mm * along_v,
            -v_mm * along_u,
            long_ub * thin_v + thin_ub * rest_v,
            long_u * thin_vb + thin_u * rest_vb,
        ]
    )
    return long_u * thin_v + thin_u * rest_v, slopes
