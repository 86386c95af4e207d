"""Finds the columns that a wedge's patches cover; patches may lie one below the other, or side by side."""

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array

ROUNDING_MM = 1e-9  # decimal fractions are not exact in binary


def covered_by_most(across_mm: Array) -> tuple[float, float]:
    """Left and right end of the columns that most patches (P, 2) cover entirely: the medians of all ends, or the ends
    of one patch if more patches cover those, as with patches side by side."""
    each = np.vstack([np.median(across_mm, axis=0), across_mm])
    left, right = each[np.argmax([covers(across_mm, *ends).sum() for ends in each])]
    return float(left), float(right)


def covers(across_mm: Array, left_mm: float, right_mm: float) -> NDArray[np.bool_]:
    """Mask (P,) of the patches (P, 2) that cover all columns between two ends."""
    return (across_mm[:, 0] <= left_mm + ROUNDING_MM) & (across_mm[:, 1] >= right_mm - ROUNDING_MM)
