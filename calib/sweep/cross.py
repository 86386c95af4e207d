"""Models a reseau cross as the readout sees it: the share of its spot that the strokes cover, with derivatives.

In film mm (u, v) from the mark's centre the cross is the union of two bars, ``|u| < arm, |v| < width/2`` and the same
with u and v exchanged. The spot is a Gaussian, so each bar's coverage is a product of error functions.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from calib.compiled import njit

FAR = 7  # rms radii of the spot from an edge beyond which its share is taken as 0 or 1 (to 2e-12)
BARE = 5.0  # rms radii from both strokes beyond which a sample does not see them
PER_UNIT = 64  # entries per rms radius of the table of a blurred edge
Tilts = tuple[float, float]
Sizes = tuple[float, float, float, float]
Longer = tuple[float, float]


@dataclass(frozen=True, slots=True)
class CrossShape:
    """Arm length from the centre, stroke width and the spot's rms radius along x and y, all in film mm."""

    arm_mm: float
    width_mm: float
    blur_x_mm: float
    blur_y_mm: float


_T = np.arange(-FAR * PER_UNIT, FAR * PER_UNIT + 1) / PER_UNIT
_SHARE, _DENSITY = ndtr(_T), np.exp(-0.5 * _T * _T) / np.sqrt(2 * np.pi)


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"}, forceinline=True)
def edge(t: float) -> tuple[float, float]:  # pragma: no cover
    """Share of a unit Gaussian below t (error below 2e-12) and its density there (below 3e-10), by a Taylor series
    around the nearest entry of a table; NaN for NaN."""
    if t > FAR:
        return 1.0, 0.0
    if not t >= -FAR:
        return (0.0, 0.0) if t < 0.0 else (t, t)
    entry = np.uint64((t + FAR) * PER_UNIT + 0.5)
    at = entry / PER_UNIT - FAR
    d, density = t - at, _DENSITY[entry]
    square, product = d * d, at * d
    # Derivatives of the density divided by it, times powers of the step d.
    second, third = product * product - square, product * (3.0 * square - product * product)
    share = density * d * (1.0 - product / 2 + second * (1 / 6) + third * (1 / 24))
    return _SHARE[entry] + share, density * (1.0 - product + second / 2 + third * (1 / 6))


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"}, forceinline=True)
def _bar(t: float, half: float, sharp: float) -> tuple[float, float, float]:  # pragma: no cover
    """A bar -half < t < half blurred by a Gaussian of rms 1 / sharp: value, derivatives by t and by the log blur."""
    plus, minus = (t + half) * sharp, (t - half) * sharp
    share_plus, bell_plus = edge(plus)
    share_minus, bell_minus = edge(minus)
    return share_plus - share_minus, (bell_plus - bell_minus) * sharp, minus * bell_minus - plus * bell_plus


@njit(cache=True, nogil=True, error_model="numpy")
def is_bare(u: float, v: float, tilts: Tilts, sizes: Sizes) -> bool:  # pragma: no cover
    """Whether (u, v) is so far from both strokes that they cover less than a millionth of the spot."""
    _, half, blur_x, blur_y = sizes
    return abs(v - tilts[0] * u) > half + BARE * blur_y and abs(u - tilts[1] * v) > half + BARE * blur_x


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"}, forceinline=True)
def cover(
    u: float, v: float, tilts: Tilts, sizes: Sizes, longer: Longer
) -> tuple[float, float, float, float, float, float, float, float, float]:  # pragma: no cover
    """Coverage by the cross at film place (u, v) from its centre, and its derivatives: by u, by v, by both tilts, by
    the logarithms of blur_x and blur_y, and by `longer` of the arms towards +u and -u.

    `tilts`: slope dv/du of the stroke along u, and du/dv of the one along v. `sizes`: arm, half the width, blur_x,
    blur_y. `longer`: extra length as a fraction of the arm. The square that both strokes share belongs to the first.
    Most places see only one stroke and none of its ends, which is computed faster.
    """
    arm, half, blur_x, blur_y = sizes
    sharp_x, sharp_y, far_x, far_y = 1.0 / blur_x, 1.0 / blur_y, FAR * blur_x, FAR * blur_y
    below, beside = v - tilts[0] * u, u - tilts[1] * v
    right, left = arm * (1.0 + longer[0]), arm * (1.0 + longer[1])
    if abs(beside) > half + far_x and far_x - left < u < right - far_x:
        c, by_v, by_blur_y = _bar(below, half, sharp_y)
        return c, -tilts[0] * by_v, by_v, -u * by_v, 0.0, 0.0, by_blur_y, 0.0, 0.0
    if abs(below) > half + far_y and half + far_y < abs(v) < arm - far_y:
        c, by_u, by_blur_x = _bar(beside, half, sharp_x)
        return c, by_u, -tilts[1] * by_u, 0.0, -v * by_u, by_blur_x, 0.0, 0.0, 0.0
    thin_v, thin_v1, thin_vb = _bar(below, half, sharp_y)
    thin_u, thin_u1, thin_ub = _bar(beside, half, sharp_x)
    long_u = long_u1 = long_ub = by_right = by_left = rest_v = rest_v1 = rest_vb = 0.0
    if thin_v != 0.0 or thin_v1 != 0.0:
        share_left, bell_left = edge((u + left) * sharp_x)
        share_right, bell_right = edge((u - right) * sharp_x)
        long_u, long_u1 = share_left - share_right, (bell_left - bell_right) * sharp_x
        long_ub = ((u - right) * bell_right - (u + left) * bell_left) * sharp_x
        by_right, by_left = arm * sharp_x * bell_right * thin_v, arm * sharp_x * bell_left * thin_v
    if thin_u != 0.0 or thin_u1 != 0.0:
        arm_v, arm_v1, arm_vb = _bar(v, arm, sharp_y)
        core_v, core_v1, core_vb = _bar(v, half, sharp_y)
        rest_v, rest_v1, rest_vb = arm_v - core_v, arm_v1 - core_v1, arm_vb - core_vb
    along_v, along_u = long_u * thin_v1, thin_u1 * rest_v
    return (
        long_u * thin_v + thin_u * rest_v,
        long_u1 * thin_v - tilts[0] * along_v + along_u,
        along_v + thin_u * rest_v1 - tilts[1] * along_u,
        -u * along_v,
        -v * along_u,
        long_ub * thin_v + thin_ub * rest_v,
        long_u * thin_vb + thin_u * rest_vb,
        by_right,
        by_left,
    )
