"""The scene's sums and the small linear systems of the mark fit, compared with full matrices."""

import numpy as np
import pytest

from calib.sweep.scene import N_TERMS, SCENE, runs_of, scene_at, scene_spline, scene_sums
from calib.sweep.smallsolve import (
    band_half_solved,
    band_of,
    band_times,
    factor,
    inverse_of,
    solved,
    times,
    trace_of_solution,
)

HALF = 20


def banded(n, band, rng):
    """A random positive definite band matrix."""
    rows = np.where(np.abs(np.arange(n)[:, None] - np.arange(n)) <= band, rng.normal(size=(n, n)), 0.0)
    rows = np.tril(rows)
    return rows @ rows.T + 0.1 * np.eye(n)


@pytest.mark.parametrize("band", [1, 4, 11])
def test_the_small_solver_agrees_with_the_library(band):
    rng = np.random.default_rng(2)
    matrix, right = banded(12, band, rng), rng.normal(size=(12, 3))
    upper = band_of(matrix, band)
    assert factor(upper)
    half = band_half_solved(upper, right)
    np.testing.assert_allclose(half.T @ half, right.T @ np.linalg.solve(matrix, right), rtol=1e-8)
    found = np.column_stack([solved(upper, column.copy()) for column in half.T])
    np.testing.assert_allclose(found, np.linalg.solve(matrix, right), rtol=1e-8)
    sparse = np.where(rng.random((12, 12)) < 0.3, rng.normal(size=(12, 12)), 0.0)
    sparse = np.where(np.abs(np.subtract.outer(np.arange(12), np.arange(12))) <= band, sparse + sparse.T, 0.0)
    want = np.trace(np.linalg.solve(matrix, sparse))
    assert trace_of_solution(upper, band_of(sparse, band)) == pytest.approx(want, rel=1e-8)
    vector = right[:, 0].copy()
    np.testing.assert_allclose(times(matrix, vector), matrix @ vector, rtol=1e-12)
    np.testing.assert_allclose(band_times(band_of(matrix, band), vector), matrix @ vector, rtol=1e-12)


def test_the_small_solver_reports_singular_matrices():
    assert not factor(band_of(-np.eye(3), 2))
    assert not factor(band_of(np.array([[1.0, 2.0], [2.0, 1.0]]), 1))
    assert not inverse_of(np.array([[1.0, 2.0], [2.0, 4.0]]))[1]
    assert not inverse_of(np.array([[np.nan, 0.0], [0.0, 1.0]]))[1]


def test_the_inverse_does_not_need_a_positive_definite_matrix():
    matrix = np.array([[0.0, 2.0, 1.0], [2.0, -1.0, 0.5], [1.0, 0.5, 3.0]])
    inverse, invertible = inverse_of(matrix)
    assert invertible
    np.testing.assert_allclose(inverse @ matrix, np.eye(3), atol=1e-14)


def test_the_scenes_sums_are_those_of_the_full_matrix():
    rng = np.random.default_rng(6)
    spline = scene_spline(HALF)
    row, column = np.nonzero(rng.random((2 * HALF + 1,) * 2) < 0.4)
    runs = runs_of(row, column, spline)
    n = row.size
    design = np.column_stack([scene_at(runs, spline, unit) for unit in np.eye(spline.side**2)])
    np.testing.assert_allclose(design.sum(axis=1), 1.0, atol=1e-12)
    share, weight = rng.random((2, n))
    terms = rng.normal(size=(n, N_TERMS))
    terms[:, SCENE:] = share[:, None] * spline.values[column]
    shared = design * share[:, None]
    square, width = shared.T @ (weight[:, None] * shared), spline.penalty.shape[1]
    found = spline.penalty / 3.0
    own = scene_sums(runs, spline, terms, weight, found)
    np.testing.assert_allclose(own, shared.T @ (weight[:, None] * terms), atol=1e-10)
    np.testing.assert_allclose(found - spline.penalty / 3.0, band_of(square, width - 1), atol=1e-10)
    line, across = np.indices(square.shape)
    assert not square[np.abs(line - across) >= width].any()


def test_bilinear_scenes_have_no_penalty():
    spline = scene_spline(HALF)
    row, column = np.indices((2 * HALF + 1,) * 2).reshape(2, -1)
    runs = runs_of(row, column, spline)
    design = np.column_stack([scene_at(runs, spline, unit) for unit in np.eye(spline.side**2)])
    for surface in (np.ones(row.size), row - HALF, column - HALF, (row - HALF) * (column - HALF) / HALF):
        scene = np.linalg.lstsq(design, surface, rcond=None)[0]
        np.testing.assert_allclose(design @ scene, surface, atol=1e-9)
        assert scene @ band_times(spline.penalty, scene) == pytest.approx(1e-9 * scene @ scene, abs=1e-9)
