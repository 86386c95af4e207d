"""Medians of groups in compiled code, against the library's."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from calib.median import medians_by


@given(st.lists(st.tuples(st.floats(-1e3, 1e3), st.integers(-1, 3)), max_size=40))
def test_medians_of_groups_are_those_of_each(drawn: list[tuple[float, int]]) -> None:
    """Groups of even and odd size, with equal values, and empty; what belongs to none is left out."""
    values, which = np.array([v for v, _ in drawn], dtype=np.float64), np.array([w for _, w in drawn], dtype=np.int64)
    found = medians_by(values, which, 4)
    for group in range(4):
        own = values[which == group]
        assert found[group] == np.median(own) if own.size else np.isnan(found[group])
