"""Symmetric positive definite matrices: roots, inverses, and what is solved by them.

numpy lets other threads go on while it factors and multiplies, SciPy's calls of LAPACK do not: of those only small ones
are made.
"""

import numpy as np
from scipy.linalg.lapack import dtrtri, dtrtrs

from calib.coordinates import Array

SMALL = 64  # rows of a triangular matrix that is inverted in one piece
RIDGES = (1e-12, 1e-9, 1e-6)  # of the diagonal, tried in turn


def factor_of(matrix: Array) -> Array:
    """Lower Cholesky factor, its upper half zero, by the matrix's lower half.

    LinAlgError where the matrix is not positive definite.
    """
    return np.asarray(np.linalg.cholesky(matrix), np.float64)


def half_solved(factor: Array, right: Array) -> Array:
    """The solution of the factor's own system: its square is the right-hand side in the inverse's measure."""
    return np.asarray(dtrtrs(factor, right, lower=1)[0])


def inverse_root(matrix: Array) -> Array:
    """Lower triangular R, R^T R the inverse of a positive definite matrix, of which the lower half is looked at.

    Where rounding has eaten what little holds a direction, its own diagonal holds it a little more. Raises LinAlgError
    where even a millionth of the diagonal does not make the matrix definite.
    """
    for ridge in (0.0, *RIDGES):
        try:
            root = factor_of(matrix + ridge * np.diag(np.abs(np.diag(matrix))) if ridge else matrix)
            break
        except np.linalg.LinAlgError:
            if ridge == RIDGES[-1]:
                raise
    _invert_lower(root)
    return root


def _invert_lower(factor: Array) -> None:
    """Set a lower triangular matrix to its inverse, by its quarters."""
    if len(factor) <= SMALL:
        factor[:] = dtrtri(factor, lower=1)[0]
        return
    half = len(factor) // 2
    near, far = factor[:half, :half], factor[half:, half:]
    _invert_lower(near)
    _invert_lower(far)
    factor[half:, :half] = -(far @ factor[half:, :half]) @ near


def inverse_of(matrix: Array) -> Array:
    """Inverse of a symmetric positive definite matrix; LinAlgError as `inverse_root`."""
    root = inverse_root(matrix)
    return root.T @ root
