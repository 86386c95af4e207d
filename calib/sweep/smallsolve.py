"""Cholesky factor and solution for the mark fit's small systems, compiled: no threads wake up for 64 unknowns."""

import math

import numpy as np

from calib.compiled import njit
from calib.coordinates import Array


@njit(cache=True)
def factor(matrix: Array) -> Array:  # pragma: no cover
    """Lower triangular L with L L^T = matrix (symmetric, positive definite)."""
    n = matrix.shape[0]
    lower = np.zeros((n, n))
    for i in range(n):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= lower[i, k] * lower[j, k]
            if i == j:
                if not total > 0.0:
                    raise ValueError("the matrix is not positive definite")
                lower[i, i] = math.sqrt(total)
            else:
                lower[i, j] = total / lower[j, j]
    return lower


@njit(cache=True)
def solve(lower: Array, right: Array) -> Array:  # pragma: no cover
    """X (n, m) with L L^T X = right (n, m)."""
    n, m = right.shape
    x = right.copy()
    for i in range(n):
        for k in range(i):
            for c in range(m):
                x[i, c] -= lower[i, k] * x[k, c]
        for c in range(m):
            x[i, c] /= lower[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            for c in range(m):
                x[i, c] -= lower[k, i] * x[k, c]
        for c in range(m):
            x[i, c] /= lower[i, i]
    return x
