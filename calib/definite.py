"""Factors, inverse roots and inverses of symmetric positive definite matrices.

numpy releases the interpreter's lock while it factors and multiplies; SciPy's LAPACK calls do not, so they are used for
small matrices only.
"""

import numpy as np
from scipy.linalg.lapack import dtrtri, dtrtrs

from calib.coordinates import Array

SMALL = 64  # rows of a triangular matrix that is inverted in one piece
RIDGES = (1e-12, 1e-9, 1e-6)  # of the diagonal, tried in turn


def factor_of(matrix: Array) -> Array:
    """Lower Cholesky factor with zeros above, from the matrix's lower half.

    Raises LinAlgError if the matrix is not positive definite.
    """
    return np.asarray(np.linalg.cholesky(matrix), np.float64)


def half_solved(factor: Array, right: Array) -> Array:
    """x = L^-1 b for a lower factor L: its squared norm is b^T A^-1 b for A = L L^T."""
    return np.asarray(dtrtrs(factor, right, lower=1)[0])


def inverse_root(matrix: Array) -> Array:
    """Lower triangular R with R^T R the inverse of a positive definite matrix, of which the lower half is read.

    If the matrix is indefinite by rounding, a small fraction of its diagonal is added. Raises LinAlgError if even a
    millionth of the diagonal does not make it definite.
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
    """Replace a lower triangular matrix by its inverse, recursively by quarters."""
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
