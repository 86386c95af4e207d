"""Gaps are bridged only from both sides, exactly where the film is a plane, and never wider than the reach."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.film.fill import bridge
from calib.film.tables import StripLines, StripTables


def fill_from_neighbours(
    values: np.ndarray, noise: np.ndarray, bad: np.ndarray, reach: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """All bad samples bridged: values, noise, and which were filled. Every sample has a DN of its own."""
    out, sigma, filled = values.copy(), noise.copy(), np.zeros(values.shape, bool)
    rows, columns = at = np.nonzero(bad)
    out[at], sigma[at], filled[at] = bridge(read_of(values, noise), bad, rows, columns, reach)
    return out, sigma, filled


def read_of(values: np.ndarray, noise: np.ndarray) -> StripLines:
    """A strip without banding or drift that was read whole, each of its samples with a DN of its own."""
    dn, none = np.arange(values.size, dtype=np.uint16).reshape(values.shape), np.zeros(values.size, np.float32)
    groups = np.stack([values.ravel(), noise.ravel(), none], axis=1).astype(np.float32)
    row_of_dn, two = values.ravel(), np.zeros((0, 2), np.float32)
    limits, beyond = (np.float32(-np.inf), np.float32(np.inf)), (np.uint16(0), np.uint16(0))
    known = StripTables(
        row_of_dn, none, none, two, limits, (0, dn.size - 1), beyond, groups, np.uint32(0), groups[:1], none, none
    )
    return StripLines(dn, 0, known, none, none)


def plane(rows: int, columns: int, a: float, b: float) -> np.ndarray:
    i, j = np.mgrid[:rows, :columns]
    return (a * i + b * j).astype(np.float32)


@given(st.floats(-1, 1), st.floats(-1, 1), st.integers(0, 2**32 - 1))
def test_a_plane_is_restored_wherever_a_hole_can_be_bridged(a: float, b: float, seed: int) -> None:
    values = plane(20, 24, a, b)
    bad = np.random.default_rng(seed).random(values.shape) < 0.3
    spoilt = np.where(bad, np.float32(99), values)
    out, _, filled = fill_from_neighbours(spoilt, np.zeros_like(values), bad, reach=6)
    assert np.allclose(out[filled], values[filled], atol=1e-4)
    assert np.array_equal(out[~bad], values[~bad])


def test_a_gap_wider_than_the_reach_is_not_invented() -> None:
    values = plane(30, 30, 0.1, 0.0)
    bad = np.zeros(values.shape, bool)
    bad[5:15] = True
    out, sigma, filled = fill_from_neighbours(values, np.ones_like(values), bad, reach=9)
    assert not filled.any()
    assert np.isnan(out[bad]).all()
    assert np.isnan(sigma[bad]).all()


def test_a_gap_at_the_edge_has_one_side_only_and_stays_empty() -> None:
    values = plane(10, 10, 0.0, 0.1)
    bad = np.zeros(values.shape, bool)
    bad[:2] = True
    assert not fill_from_neighbours(values, np.ones_like(values), bad, reach=8)[2].any()


def test_the_uncertainty_of_a_filled_sample_covers_what_lay_on_its_two_sides() -> None:
    values = np.where(np.mgrid[:9, :9][0] < 4, 0.0, 1.0).astype(np.float32)
    bad = np.zeros(values.shape, bool)
    bad[4] = True
    out, sigma, filled = fill_from_neighbours(values, np.full_like(values, 0.01), bad, reach=4)
    assert filled[4].all()
    assert out[4, 4] == pytest.approx(0.5, abs=1e-6)
    assert sigma[4, 4] == pytest.approx(np.hypot(0.5, 0.01), rel=1e-3)


def test_on_even_film_a_filled_sample_is_as_uncertain_as_its_ends() -> None:
    values, noise = np.ones((9, 9), np.float32), np.full((9, 9), 0.03, np.float32)
    bad = np.zeros(values.shape, bool)
    bad[4] = True
    _, sigma, filled = fill_from_neighbours(values, noise, bad, reach=4)
    assert np.allclose(sigma[filled], 0.03, rtol=1e-5)
