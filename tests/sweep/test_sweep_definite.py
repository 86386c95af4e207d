"""Inverses of positive definite matrices: larger than one block, and nearly singular."""

import numpy as np
import pytest

from calib.definite import inverse_of, inverse_root


@pytest.mark.parametrize("size", [1, 64, 65, 200])
def test_the_root_is_triangular_and_its_square_the_inverse(size):
    rng = np.random.default_rng(size)
    half = rng.normal(size=(size, 2 * size))
    matrix = half @ half.T
    root = inverse_root(matrix)
    np.testing.assert_array_equal(root, np.tril(root))
    np.testing.assert_allclose(root.T @ root @ matrix, np.eye(size), atol=1e-9)
    np.testing.assert_array_equal(inverse_of(matrix), root.T @ root)


def test_a_direction_lost_to_rounding_is_fixed_and_an_indefinite_matrix_is_refused():
    half = np.random.default_rng(0).normal(size=(70, 69))
    eaten = half @ half.T - 1e-14 * np.eye(70)
    with pytest.raises(np.linalg.LinAlgError):
        np.linalg.cholesky(eaten)
    assert np.isfinite(inverse_of(eaten)).all()
    with pytest.raises(np.linalg.LinAlgError):
        inverse_of(np.diag([1.0, -0.5]))
