"""Strips that took one row of marks for another are told by their wedge."""

from types import SimpleNamespace

import numpy as np
import pytest

from calib.sweep import first_look
from calib.sweep.constellation import Pairs
from calib.sweep.evidence import EDGE, EDGE_X, MARK, Observations, join
from calib.sweep.layout import StripShape, make_layout
from calib.sweep.mark_rows import rows_off, without_rows

STRIPS, ROW_PX = 6, 27.5


def evidence(kind: int, strip: np.ndarray, line: np.ndarray, along_px: np.ndarray) -> Observations:
    n = strip.size
    zero, value = np.zeros(n), np.column_stack([np.zeros(n), along_px])
    return Observations(
        kind=np.full(n, kind), a=strip, line_a=line, sample_a=np.full(n, 60.0), line_b=zero, sample_b=zero,
        value=value, information=np.tile(np.eye(2), (n, 1, 1)), mark=np.full(n, -1), per_power=zero,
    )  # fmt: skip


@pytest.fixture
def fit(monkeypatch):  # type: ignore[no-untyped-def]
    """Of marks by which strip 4 lies a row too far along, and the others where they are, but for a px or two."""
    at = np.random.default_rng(3).normal(0, 1.5, STRIPS) - ROW_PX * (np.arange(STRIPS) == 4)
    monkeypatch.setattr(
        "calib.sweep.mark_rows.departure", lambda fit, k, line, sample: np.column_stack([0 * line, 0 * line + at[k]])
    )
    return SimpleNamespace(layout=make_layout([StripShape(900, 120, False)] * STRIPS, [()] * STRIPS))


def borders(off_px: float, of: int = STRIPS) -> Observations:
    strip = np.repeat(np.arange(of), 8)
    line, along = np.tile(np.arange(8) * 25.0, of), np.full(strip.size, off_px)
    return join([evidence(EDGE, strip, line, along), evidence(EDGE_X, strip, line, along + 99)])


def marks(of: int, each: int = 5) -> Observations:
    strip = np.repeat(np.arange(of), each)
    return evidence(MARK, strip, np.tile(np.arange(each) * 70.0 + 300, of), np.zeros(strip.size))


@pytest.mark.parametrize("common_px", [0.0, 31.0])
def test_a_strip_whose_wedge_does_not_follow_its_marks_is_told(fit, common_px) -> None:  # type: ignore[no-untyped-def]
    """Also where the wedge of all strips lies elsewhere than is stated: that is no strip's fault."""
    (strip,), (off,) = zip(*rows_off(fit, marks(STRIPS), borders(common_px)).items(), strict=True)
    assert strip == 4
    assert off == pytest.approx(ROW_PX, abs=4)


def test_strips_with_few_marks_or_without_borders_are_not_asked(fit) -> None:  # type: ignore[no-untyped-def]
    """Two marks tell too little of where the wedge should be; without borders nothing is told."""
    assert rows_off(fit, marks(STRIPS, 2), borders(0.0)) == {}
    assert rows_off(fit, marks(4), borders(0.0)) == {}
    assert rows_off(fit, marks(STRIPS), borders(0.0, of=4)) == {}
    assert rows_off(fit, marks(STRIPS), borders(0.0, of=0)) == {}


def test_where_all_wedges_lie_here_and_there_none_is_told(monkeypatch) -> None:  # type: ignore[no-untyped-def]
    """Strips that wander by ten px between wedge and marks: one that does by 25 is none that took another row."""
    at = np.array([9.0, -11.0, 12.0, -8.0, 25.0, 0.0])
    monkeypatch.setattr(
        "calib.sweep.mark_rows.departure", lambda fit, k, line, sample: np.column_stack([0 * line, 0 * line + at[k]])
    )
    fit = SimpleNamespace(layout=make_layout([StripShape(900, 120, False)] * STRIPS, [()] * STRIPS))
    assert rows_off(fit, marks(STRIPS), borders(0.0)) == {}


def test_only_candidates_about_a_row_farther_on_are_left_of_that_strip_and_all_of_the_others(fit) -> None:  # type: ignore[no-untyped-def]
    strip = np.repeat([3, 4], 30)
    along = np.tile(np.arange(-45.0, 45.0, 3.0), 2)
    pairs = Pairs(
        strip, np.arange(60), np.full(60, 300.0), np.full(60, 60.0), np.ones(60), np.column_stack([along, along])
    )
    left = without_rows(pairs, fit, {4: ROW_PX})
    assert np.sum(left.strip == 3) == 30
    mine = left.departure[left.strip == 4, 1]
    assert mine.size > 7
    assert np.abs(mine).max() < 0.5 * ROW_PX + 5
    assert np.array_equal(left.mark, pairs.mark[np.isin(pairs.mark, left.mark)])


@pytest.mark.parametrize(("there", "is_moved"), [(9.0, True), (5.0, False)])
def test_a_first_look_moves_such_a_strip_where_as_many_marks_are_found_there(monkeypatch, there, is_moved) -> None:  # type: ignore[no-untyped-def]
    """Marks alone would have been measured for nothing where they are not found a row farther on."""

    def placed(strength: float) -> first_look._ByMarks:
        found = SimpleNamespace(strength=np.array([9.0, strength]))
        return first_look._ByMarks(found, (), None, None, None)  # type: ignore[arg-type]

    assert placed(there).has_as_many(placed(9.0), [1]) == is_moved
