"""Linear algebra of the mark fit, compiled: banded Cholesky factor, solution and trace. BLAS would start threads for 64
unknowns.

The band (n, width) of a symmetric or an upper triangular matrix holds in each row the diagonal element and those to its
right. A singular matrix is reported by a flag, because an exception would leak the memory of compiled callers.
"""

import math

import numpy as np

from calib.compiled import njit
from calib.coordinates import Array


def band_of(matrix: Array, width: int) -> Array:
    """The band (n, width + 1) of a matrix that is 0 farther than `width` from its diagonal."""
    return np.array(
        [np.append(row[k : k + width + 1], np.zeros(width + 1))[: width + 1] for k, row in enumerate(matrix)]
    )


@njit(cache=True, nogil=True, error_model="numpy")
def factor(matrix: Array) -> bool:  # pragma: no cover
    """Replace the band of a matrix by that of the upper triangular U with U^T U = matrix.

    Returns whether the matrix is positive definite; if not, U is invalid.
    """
    n, width = matrix.shape
    for k in range(n):
        row = matrix[k]
        if not row[0] > 0.0:
            return False
        root, end = math.sqrt(row[0]), min(width, n - k)
        for j in range(end):
            row[j] /= root
        for i in range(1, end):
            below, share = matrix[k + i], row[i]
            for j in range(end - i):
                below[j] -= share * row[i + j]
    return True


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
def band_half_solved(upper: Array, right: Array) -> Array:  # pragma: no cover
    """Y (n, m) with U^T Y = right (n, m), from the band of U."""
    (n, width), m = upper.shape, right.shape[1]
    y = right.copy()
    for k in range(n):
        row, share = y[k], 1.0 / upper[k, 0]
        for c in range(m):
            row[c] *= share
        for i in range(1, min(width, n - k)):
            below, share = y[k + i], upper[k, i]
            for c in range(m):
                below[c] -= share * row[c]
    return y


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc"})
def solved(upper: Array, half: Array) -> Array:  # pragma: no cover
    """x (n,) with U x = half (n,): the second half of a solution."""
    n, width = upper.shape
    x = half.copy()
    for k in range(n - 1, -1, -1):
        row, rest = upper[k], x[k]
        for i in range(1, min(width, n - k)):
            rest -= row[i] * x[k + i]
        x[k] = rest / row[0]
    return x


@njit(cache=True, nogil=True)
def times(matrix: Array, vector: Array) -> Array:  # pragma: no cover
    """Matrix (n, m) times vector (m,)."""
    out = np.zeros(matrix.shape[0])
    for i in range(matrix.shape[0]):
        for j in range(matrix.shape[1]):
            out[i] += matrix[i, j] * vector[j]
    return out


@njit(cache=True, nogil=True)
def band_times(matrix: Array, vector: Array) -> Array:  # pragma: no cover
    """Symmetric matrix, given by its band, times vector (n,)."""
    n, width = matrix.shape
    out = np.zeros(n)
    for i in range(n):
        out[i] += matrix[i, 0] * vector[i]
        for k in range(1, min(width, n - i)):
            out[i] += matrix[i, k] * vector[i + k]
            out[i + k] += matrix[i, k] * vector[i]
    return out


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
def trace_of_solution(upper: Array, right: Array) -> float:  # pragma: no cover
    """Trace of (U^T U)^-1 right for a symmetric `right`, both given as bands.

    Only the elements of the inverse within the band are needed. They are computed from the last row upwards (Takahashi,
    Fagan and Chin 1973, from memory).
    """
    n, width = upper.shape
    inverse, total = np.zeros((n, n)), 0.0
    for i in range(n - 1, -1, -1):
        end = min(width, n - i)
        head, known, row = upper[i], right[i], inverse[i, i : i + end]
        for k in range(1, end):
            share, other = head[k] / head[0], inverse[i + k, i : i + end]
            for j in range(end):
                row[j] -= share * other[j]
        own = 1.0 / head[0]
        for j in range(1, end):
            own -= head[j] * row[j]
            inverse[i + j, i] = row[j]
            total += 2.0 * row[j] * known[j]
        row[0] = own / head[0]
        total += row[0] * known[0]
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def inverse_of(matrix: Array) -> tuple[Array, bool]:  # pragma: no cover
    """Inverse of a small matrix by Gauss-Jordan elimination with row pivoting, and whether it exists."""
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
