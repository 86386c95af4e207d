"""Symmetric positive definite matrices: their Cholesky factors, and what is solved by them."""

import numpy as np
from scipy.linalg.lapack import dpotrf, dpotri, dpotrs, dtrtrs

from calib.coordinates import Array


def factor_of(matrix: Array) -> Array:
    """Lower Cholesky factor, its upper half zero. Raises LinAlgError where the matrix is not positive definite."""
    factor, failed = dpotrf(matrix, lower=1)
    if failed:
        raise np.linalg.LinAlgError(f"not positive definite in row {failed}")
    return np.asarray(factor)


def solved(factor: Array, right: Array) -> Array:
    """The solution of a system by its factor."""
    return np.asarray(dpotrs(factor, right, lower=1)[0])


def half_solved(factor: Array, right: Array) -> Array:
    """The solution of the factor's own system: its square is the right-hand side in the inverse's measure."""
    return np.asarray(dtrtrs(factor, right, lower=1)[0])


def inverse_by(factor: Array) -> Array:
    """The inverse of a matrix by its factor."""
    inverse = dpotri(factor, lower=1)[0]
    return np.asarray(inverse + np.tril(inverse, -1).T)


def inverse_of(matrix: Array) -> Array:
    """Inverse of a symmetric positive definite matrix. Raises LinAlgError where it is not one."""
    return inverse_by(factor_of(matrix))
