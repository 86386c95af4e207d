"""Medians in compiled code, against the library's."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from calib.median import median_of_whole, medians_by, middle_size


@given(st.lists(st.tuples(st.floats(-1e3, 1e3), st.integers(-1, 3)), max_size=40))
def test_medians_of_groups_are_those_of_each(drawn: list[tuple[float, int]]) -> None:
    """Groups of even and odd size, with equal values, and empty; what belongs to none is left out."""
    values, which = np.array([v for v, _ in drawn], dtype=np.float64), np.array([w for _, w in drawn], dtype=np.int64)
    found = medians_by(values, which, 4)
    for group in range(4):
        own = values[which == group]
        assert found[group] == np.median(own) if own.size else np.isnan(found[group])


@given(st.lists(st.integers(0, 2**17), min_size=1, max_size=40))
def test_the_median_of_whole_numbers_is_exact(drawn: list[int]) -> None:
    """Of even and odd many, equal ones among them."""
    assert median_of_whole(np.array(drawn, np.int32)) == np.median(drawn)


@given(st.lists(st.floats(0, 1e6, width=32), min_size=1, max_size=40), st.integers(0, 5))
def test_the_middle_size_is_the_upper_middle_one_of_those_that_count(drawn: list[float], infinite: int) -> None:
    """Zero and equal sizes among them, wherever the infinite ones stand that do not count."""
    sizes = np.array([np.inf] * (infinite // 2) + drawn + [np.inf] * (infinite - infinite // 2), np.float32)
    assert middle_size(sizes, len(drawn)) == np.sort(np.array(drawn, np.float32))[len(drawn) // 2]
