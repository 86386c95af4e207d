"""Checks of a lens: light and a monotone distortion up to the corner of the format."""

import numpy as np


def falloff_is_positive(falloff: tuple[float, float], corner_mm: float) -> bool:
    """Whether 1 + a1 r^2 + a2 r^4 is above 0 up to r = `corner_mm`; tested at the corner and at the extremum in r^2."""
    a1, a2 = falloff
    squares = [corner_mm**2]
    if a2 and 0 < -a1 / (2 * a2) < corner_mm**2:
        squares.append(-a1 / (2 * a2))
    return all(1 + a1 * square + a2 * square**2 > 0 for square in squares)


def turning_point_mm(radial: tuple[float, float, float], corner_mm: float) -> float | None:
    """Distorted radius, in mm, at which r (1 + k1 r^2 + k2 r^4 + k3 r^6) stops growing; None if beyond the corner."""
    k1, k2, k3 = radial
    r = np.linspace(0, 4 * corner_mm, 4001)
    with np.errstate(over="ignore", invalid="ignore"):
        distorted = r * (1 + r**2 * (k1 + r**2 * (k2 + r**2 * k3)))
        falling = np.flatnonzero(~(np.diff(distorted) > 0))
    return float(distorted[falling[0]]) if falling.size and distorted[falling[0]] < corner_mm else None
