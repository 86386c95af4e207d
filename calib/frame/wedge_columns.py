"""Which columns of the film a wedge's patches cover: they may lie one below the other, or side by side."""

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array

ROUNDING_MM = 1e-9  # decimal fractions do not meet exactly in binary


def covered_by_most(across_mm: Array) -> tuple[float, float]:
    """Left and right end of the columns that most patches (P, 2) cover whole: the middle ones of all ends, but where
    patches stand side by side in columns of their own one of these."""
    each = np.vstack([np.median(across_mm, axis=0), across_mm])
    left, right = each[np.argmax([covers(across_mm, *ends).sum() for ends in each])]
    return float(left), float(right)


def covers(across_mm: Array, left_mm: float, right_mm: float) -> NDArray[np.bool_]:
    """Which patches (P, 2) lie under all columns between two ends."""
    return (across_mm[:, 0] <= left_mm + ROUNDING_MM) & (across_mm[:, 1] >= right_mm - ROUNDING_MM)
