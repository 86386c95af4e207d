"""The mark fit's small systems, compiled: banded Cholesky factor, solution, trace; no threads wake up for 64 unknowns.

What cannot be solved is told by a flag: an exception would leave the memory of compiled callers behind.
"""

import math

import numpy as np

from calib.compiled import njit
from calib.coordinates import Array


@njit(cache=True, nogil=True, error_model="numpy")
def factor(matrix: Array, band: int) -> tuple[Array, bool]:  # pragma: no cover
    """Upper triangular U with U^T U = matrix (symmetric, nothing beyond `band` off its diagonal), and whether the
    matrix is positive definite; if it is not, U is of no use. Only the matrix's upper triangle is looked at."""
    n = matrix.shape[0]
    upper = matrix.copy()
    for k in range(n):
        if not upper[k, k] > 0.0:
            return upper, False
        root, end = math.sqrt(upper[k, k]), min(k + band + 1, n)
        for j in range(k):
            upper[k, j] = 0.0
        for j in range(k, end):
            upper[k, j] /= root
        for i in range(k + 1, end):
            share = upper[k, i]
            for j in range(i, end):
                upper[i, j] -= share * upper[k, j]
    return upper, True


@njit(cache=True, nogil=True, error_model="numpy")
def solve(upper: Array, band: int, right: Array) -> Array:  # pragma: no cover
    """X (n, m) with U^T U X = right (n, m)."""
    n, m = right.shape
    x = right.copy()
    for k in range(n):
        for c in range(m):
            x[k, c] /= upper[k, k]
        for i in range(k + 1, min(k + band + 1, n)):
            for c in range(m):
                x[i, c] -= upper[k, i] * x[k, c]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, min(i + band + 1, n)):
            for c in range(m):
                x[i, c] -= upper[i, k] * x[k, c]
        for c in range(m):
            x[i, c] /= upper[i, i]
    return x


@njit(cache=True, nogil=True)
def times(matrix: Array, vector: Array) -> Array:  # pragma: no cover
    """Matrix (n, m) times vector (m,)."""
    out = np.zeros(matrix.shape[0])
    for i in range(matrix.shape[0]):
        for j in range(matrix.shape[1]):
            out[i] += matrix[i, j] * vector[j]
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def trace_of_solution(upper: Array, band: int, right: Array) -> float:  # pragma: no cover
    """Trace of (U^T U)^-1 right for a symmetric, sparse `right` (n, n)."""
    n = right.shape[0]
    inverse = np.zeros((n, n))  # of U^T, lower triangular
    for k in range(n):
        inverse[k, k] += 1.0
        for c in range(k + 1):
            inverse[k, c] /= upper[k, k]
        for i in range(k + 1, min(k + band + 1, n)):
            for c in range(k + 1):
                inverse[i, c] -= upper[k, i] * inverse[k, c]
    columns = inverse.T.copy()
    total = 0.0
    for i in range(n):
        for j in range(i + 1):
            if right[i, j] != 0.0:
                product = 0.0
                for k in range(i, n):
                    product += columns[i, k] * columns[j, k]
                total += right[i, j] * product * (1.0 if i == j else 2.0)
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def inverse_of(matrix: Array) -> tuple[Array, bool]:  # pragma: no cover
    """Inverse of a small matrix by elimination with row pivots, and whether it has one."""
    n = matrix.shape[0]
    left, right = matrix.copy(), np.eye(n)
    for k in range(n):
        pivot = k
        for i in range(k + 1, n):
            if abs(left[i, k]) > abs(left[pivot, k]):
                pivot = i
        largest = left[pivot, k]
        if not (abs(largest) > 0.0 and np.isfinite(largest)):
            return right, False
        for c in range(n):
            left[k, c], left[pivot, c] = left[pivot, c], left[k, c]
            right[k, c], right[pivot, c] = right[pivot, c], right[k, c]
            left[k, c] /= largest
            right[k, c] /= largest
        for i in range(n):
            if i != k:
                share = left[i, k]
                for c in range(n):
                    left[i, c] -= share * left[k, c]
                    right[i, c] -= share * right[k, c]
    return right, True
