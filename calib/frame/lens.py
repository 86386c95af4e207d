"""What a lens cannot be: dark before the format's corner, or folding the image back there."""

import numpy as np


def light_left(falloff: tuple[float, float], corner_mm: float) -> bool:
    """Whether 1 + a1 r2 + a2 r4 is above 0 up to `corner_mm`: at the corner, and where its slope in r2 is zero."""
    a1, a2 = falloff
    squares = [corner_mm**2]
    if a2 and 0 < -a1 / (2 * a2) < corner_mm**2:
        squares.append(-a1 / (2 * a2))
    return all(1 + a1 * square + a2 * square**2 > 0 for square in squares)


def turning_point_mm(radial: tuple[float, float, float], corner_mm: float) -> float | None:
    """Distorted radius at which r(1 + k1 r2 + k2 r4 + k3 r6) stops growing, if that is short of the corner."""
    k1, k2, k3 = radial
    r = np.linspace(0, 4 * corner_mm, 4001)
    with np.errstate(over="ignore", invalid="ignore"):
        distorted = r * (1 + r**2 * (k1 + r**2 * (k2 + r**2 * k3)))
        falling = np.flatnonzero(~(np.diff(distorted) > 0))
    return float(distorted[falling[0]]) if falling.size and distorted[falling[0]] < corner_mm else None
