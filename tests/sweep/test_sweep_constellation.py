"""Which candidates are marks, also where the true marks constrain the sweep only weakly."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.sweep.constellation import (
    LEAST_STRENGTH,
    Constellation,
    Pairs,
    _votes,
    find_constellation,
    find_steady,
    slope_variances,
    without_marks,
)
from calib.sweep.firstmarks import sought_first
from calib.sweep.layout import Layout, StripShape, make_layout
from calib.sweep.marks import Sought
from calib.sweep.model import StripSweep
from calib.sweep.nominal import NEARLY_STILL, Nominal, departure, sample_steps


def test_marks_at_one_sample_do_not_make_the_sweep_stand_still() -> None:
    """Two strips wander across by a few px, their marks stand at one sample each: the wander changes the sample of the
    marks, as it would if all samples of a line saw the same place.
    """
    mark = np.arange(20)
    strip, lines = mark % 2, 225.0 * np.arange(20) + 60
    drawn = np.where(strip == 0, 42.5 - 0.00045 * (lines - 2400), 68.5 - 0.0006 * (lines - 2400))
    sample = np.rint(drawn)
    place = np.where(strip == 0, 43.3, 67.2)
    across = np.column_stack([place - sample, np.where(strip == 0, 1.0, -1.0) * (lines - 2300) / 180])
    pairs = Pairs(strip, mark, lines, sample, np.full(20, 0.95), across)
    layout = make_layout([StripShape(4568, 129, False)] * 3, [()] * 3)
    found = find_constellation(layout, pairs, 29.4)
    assert np.all(found.weight > 0.5)
    for k in range(3):
        x = departure(found.fit, k, np.full(129, 2284.0), np.arange(129.0))[:, 0]
        assert np.abs(np.diff(x)).max() < 0.1


def test_the_prior_of_a_strip_s_length_is_limited_by_the_tolerance() -> None:
    """The tolerance limits the shift of a long strip's end; a short strip is limited by its stretch."""
    slopes = [slope_variances(20.0, [StripShape(n, 300, False) for n in (100, most)])["slope"] for most in (200, 9000)]
    assert slopes[0] < slopes[1] == 20.0**2


def test_a_strip_without_marks_is_reported_if_others_show_nearly_all_of_theirs() -> None:
    strength, expected = np.array([1.1, 10.0, 0.1, 9.0, 0.0]), np.array([6, 12, 1, 12, 0])
    assert without_marks(strength, expected).tolist() == [True, False, False, False, False]
    few = np.array([0.1, 2.0, 0.1, 2.0, 0.0])
    assert not without_marks(few, np.array([4, 12, 1, 12, 0])).any()
    assert not without_marks(np.zeros(3), np.full(3, 30)).any()


def test_among_many_strips_one_that_lacks_a_few_marks_by_chance_is_not_reported() -> None:
    for many, is_reported in ((3, True), (40, False)):
        strength, expected = np.full(many, 9.0), np.full(many, 10)
        strength[0], expected[0] = 0.0, 2
        assert without_marks(strength, expected)[0] == is_reported


def test_displaced_and_skewed_strips_are_found_by_the_two_marks_in_each() -> None:
    """One lies 25 px from its place, the tolerance being 30 px; the ends are skewed by 8 px."""
    strips, tolerance_px, askew_px = 4, 30.0, np.array([8.0, 8.0, -8.0, -8.0])
    strip, lines = np.repeat(np.arange(strips), 2), np.tile([40.0, 560.0], strips)
    off = np.array([[3.0, -2.0], [-25.0, 20.0], [1.0, 4.0], [-2.0, -3.0]])[strip]
    off[:, 1] += askew_px[strip] * (lines - 300) / 260
    pairs = Pairs(strip, np.arange(8), lines, np.tile([40.0, 160.0], strips), np.full(8, 0.95), off)
    layout = make_layout([StripShape(600, 200, False)] * strips, [()] * strips)
    assert np.all(find_constellation(layout, pairs, tolerance_px).weight > 0.9)


def test_poor_candidates_do_not_bend_the_ends_of_the_sweep() -> None:
    """Marks stand at two samples of their strips. Half the strips have a poor candidate where the next strip's mark
    would just come into the picture if the sweep were bent by 45 px."""
    strips, n = 10, 8
    rng = np.random.default_rng(2)
    strip, lines = np.repeat(np.arange(strips), n), np.tile(np.linspace(400, 1200, n), strips)
    off = rng.normal(0, 3.0, (strips, 2))[strip] + rng.normal(0, 2.0, (strips * n, 2))
    sample = np.tile([65.0, 255.0], strips * n // 2)
    true = Pairs(strip, np.arange(strips * n), lines, sample, rng.normal(0.92, 0.01, strips * n), off)
    some = np.arange(0, strips, 2)
    beside = np.column_stack([np.full(some.size, -45.0), np.zeros(some.size)]) + off[n * some]
    false = Pairs(some, 80 + some, np.full(5, 700.0), np.full(5, 3.0), np.full(5, 0.5), beside)
    pairs = Pairs(*(np.concatenate([getattr(true, f), getattr(false, f)]) for f in Pairs.__slots__))
    layout = make_layout([StripShape(1500, 320, False)] * strips, [()] * strips)
    found = find_constellation(layout, pairs, 53.0)
    at = np.arange(320.0)
    for k in range(strips):
        x = departure(found.fit, k, np.full(at.size, 750.0), at)[:, 0]
        assert np.abs(x - x[160]).max() < 15


def _scan_of(strips: int, n_lines: int, n_samples: int) -> tuple[Nominal, Layout]:
    """Strips of one size, all at the same place, and the layout of a first look at them."""
    px_mm = 0.01
    x_mm, y_mm = ((np.arange(size) - (size - 1) / 2) * px_mm for size in (n_samples, n_lines))
    zero = np.zeros(n_lines)
    sweep = StripSweep(x_mm, zero, y_mm, np.zeros(n_samples), zero, zero)
    layout = make_layout([StripShape(n_lines, n_samples, False)] * strips, [()] * strips, most_modes=32)
    return Nominal(SimpleNamespace(), (sweep,) * strips, np.full(2, px_mm)), layout


def _look_alikes(true: Pairs, of: np.ndarray, away: np.ndarray, score: np.ndarray) -> Pairs:
    """False pairs of the marks of the true pairs with indices `of`, at distances `away` (x, y), px, from them."""
    line, sample = true.line[of] - away[:, 1], true.sample[of] - away[:, 0]
    return Pairs(true.strip[of], of, line, sample, score, true.departure[of] + away)


def test_many_false_candidates_of_a_rough_scene_do_not_make_the_sweep_turn_back() -> None:
    """Marks stand at one sample of their strips, and each has twenty more candidates within the tolerance. A sweep on
    which all these see one place explains them; it made frames be refused although nearly all marks were found."""
    strips, n, more = 5, 8, 20
    nominal, layout = _scan_of(strips, 1378, 269)
    for seed in range(3):
        rng = np.random.default_rng(seed)
        strip, line = np.repeat(np.arange(strips), n), np.tile(np.linspace(280, 1100, n), strips)
        off = rng.normal(0, 6.0, (strips, 2))[strip] + rng.normal(0, 0.7, (strips * n, 2))
        true = Pairs(strip, np.arange(strips * n), line, 140 - off[:, 0], rng.uniform(0.6, 0.9, strips * n), off)
        of, away = np.repeat(true.mark, more), rng.uniform(-60, 60, (strips * n * more, 2))
        false = _look_alikes(true, of, away, rng.uniform(0.3, 0.7, of.size))
        pairs = Pairs(*(np.concatenate([getattr(true, f), getattr(false, f)]) for f in Pairs.__slots__))
        found = find_steady(nominal, layout, pairs, 80.0)
        assert np.all(found.weight[: strips * n] > 0.3)
        assert min(step.min() for step in sample_steps(nominal, found.fit)) > 0.9


@pytest.mark.parametrize("walk_px", [1.5, 3.0])
def test_marks_at_one_sample_of_strips_that_wander_are_found_though_they_hardly_constrain_the_sweep(walk_px) -> None:
    """Strips wander across from mark to mark, and each mark has 35 more candidates. The sweep that explains them kept
    half of the false ones, and so did a stiff one, and the frame was refused."""
    strips, n, more = 7, 12, 35
    nominal, layout = _scan_of(strips, 1500, 187)
    for seed in range(3):
        rng = np.random.default_rng(seed)
        strip, line = np.repeat(np.arange(strips), n), np.tile(np.linspace(280, 1100, n), strips)
        walk = rng.normal(0, 6.0, (strips, 1, 2)) + rng.normal(0, walk_px, (strips, n, 2)).cumsum(axis=1)
        off = walk.reshape(-1, 2)
        true = Pairs(strip, np.arange(strips * n), line, 55 - off[:, 0], rng.uniform(0.6, 0.95, strips * n), off)
        of, away = np.repeat(true.mark, more), rng.uniform(-60, 60, (strips * n * more, 2))
        false = _look_alikes(true, of, away, rng.uniform(0.4, 0.7, of.size))
        pairs = Pairs(*(np.concatenate([getattr(true, f), getattr(false, f)]) for f in Pairs.__slots__))
        found = find_steady(nominal, layout, pairs, 53.0)
        assert np.mean(found.weight[: strips * n] > 0.3) > 0.9
        assert min(step.min() for step in sample_steps(nominal, found.fit)) > NEARLY_STILL


def test_a_strip_without_its_marks_does_not_make_the_sweep_of_all_stand_still() -> None:
    """Marks stand at one sample of their strips, and one strip is turned: its false candidates lie at any sample, which
    a sweep that stands still explains. It kept all true marks, and the frame was refused."""
    strips, n, more = 6, 9, 12
    nominal, layout = _scan_of(strips, 1250, 231)
    for seed in range(3):
        rng = np.random.default_rng(seed)
        strip, line = np.repeat(np.arange(strips), n), np.tile(np.linspace(230, 1040, n), strips)
        off = rng.normal(0, 5.0, (strips, 2))[strip] + rng.normal(0, 2.0, (strips * n, 2))
        true = Pairs(strip, np.arange(strips * n), line, 69 - off[:, 0], rng.uniform(0.8, 0.95, strips * n), off)
        here = np.flatnonzero(strip != 2)
        of, away = np.repeat(true.mark, more), rng.uniform(-50, 50, (strips * n * more, 2))
        false = _look_alikes(true, of, away, rng.uniform(0.5, 0.85, of.size))
        pairs = Pairs(*(np.concatenate([getattr(true, f)[here], getattr(false, f)]) for f in Pairs.__slots__))
        found = find_steady(nominal, layout, pairs, 53.0)
        assert np.mean(found.weight[: here.size] > 0.3) > 0.9
        assert min(step.min() for step in sample_steps(nominal, found.fit)) > NEARLY_STILL


def test_a_strip_is_not_placed_a_whole_row_of_marks_away() -> None:
    """Rows are closer together than the tolerance. One strip lacks its first mark and has a false candidate where one
    more row would be: shifted by a row it shows all its marks, at its true place all but one."""
    strips, n, apart, tolerance_px = 4, 8, 60.0, 80.0
    rng = np.random.default_rng(4)
    lines = 100 + apart * np.arange(n + 1)
    shift = rng.normal(0, 4.0, (strips, 2))
    rows = []
    for k in range(strips):
        for cross in range(1 if k == 1 else 0, n + (k == 1)):
            for mark in range(n):
                x, y = shift[k] + rng.normal(0, 0.3, 2) + [0, apart * (mark - cross)]
                if abs(y) < tolerance_px:
                    rows.append((k, n * k + mark, lines[cross], 100.0, 0.9, x, y))
    table = np.array(rows)
    pairs = Pairs(table[:, 0].astype(int), table[:, 1].astype(int), *table[:, 2:5].T, table[:, 5:])
    layout = make_layout([StripShape(700, 200, False)] * strips, [()] * strips)
    found = find_constellation(layout, pairs, tolerance_px)
    is_true = np.abs(pairs.departure[:, 1]) < apart / 2
    assert np.all(found.weight[is_true] > 0.5)


def test_marks_are_looked_for_at_their_likeliest_candidate_or_where_the_coarse_sweep_puts_them() -> None:
    """A candidate is used if its weight exceeds one half; in a strip that is not placed no mark is looked for."""
    expected = Sought(
        np.array([0, 0, 0, 1, 2]), np.array([4, 5, 6, 4, 7]), np.full(5, 100.0), np.array([10.0, 20, 30, 40, 50])
    )
    strip, mark = np.array([0, 0, 0, 1]), np.array([4, 4, 5, 4])
    line, weight = np.array([104.0, 109.0, 103.0, 101.0]), np.array([0.9, 0.6, 0.4, 0.99])
    pairs = Pairs(strip, mark, line, line - 90, np.full(4, 0.9), np.zeros((4, 2)))
    strength = np.array([LEAST_STRENGTH + 1.0, LEAST_STRENGTH - 0.1, LEAST_STRENGTH])
    frame = SimpleNamespace(strips=[SimpleNamespace(n_lines=1000)] * 3)
    found, enough = sought_first(frame, expected, Constellation(pairs, weight, None, strength))
    assert enough.all()
    np.testing.assert_array_equal(found.strip, [0, 0, 0, 2])
    np.testing.assert_array_equal(found.mark, [4, 5, 6, 7])
    np.testing.assert_array_equal(found.line, [104, 100, 100, 100])
    np.testing.assert_array_equal(found.sample, [14, 20, 30, 50])


def test_a_strip_s_only_mark_is_looked_for_if_it_is_clearer_than_all_candidates_that_are_no_marks() -> None:
    """It was left out however clear, and its strip lay 25 px off. A less clear one is still left out. A candidate that
    is paired with two marks, and is one of them, does not count as no mark."""
    expected = Sought(np.arange(3), np.array([4, 5, 6]), np.full(3, 100.0), np.full(3, 50.0))
    strip, mark = np.array([0, 1, 1, 1, 2]), np.array([4, 5, 6, 5, 6])
    line, weight = np.array([104.0, 103.0, 103.0, 160.0, 101.0]), np.array([0.9, 0.9, 0.1, 0.1, 0.9])
    score = np.array([0.95, 0.95, 0.95, 0.85, 0.8])  # the last is nearly as clear as the marks, but so is a false one
    pairs = Pairs(strip, mark, line, line - 90, score, np.zeros((5, 2)))
    strength = np.full(3, LEAST_STRENGTH - 0.6)
    frame = SimpleNamespace(strips=[SimpleNamespace(n_lines=1000)] * 3)
    found, enough = sought_first(frame, expected, Constellation(pairs, weight, None, strength))
    assert enough.all()
    np.testing.assert_array_equal(found.strip, [0, 1])
    np.testing.assert_array_equal(found.line, [104, 103])


def test_the_best_of_few_candidates_is_no_clear_mark_if_its_score_is_far_below_that_of_the_marks() -> None:
    """If few candidates are near any mark, the best of them was taken for one, and a strip that shows none lay 40 px
    off. The marks of the other strips show what score to expect."""
    n = 4
    expected = Sought(np.arange(n), np.arange(n), np.full(n, 100.0), np.full(n, 50.0))
    strip, line, score = np.append(np.arange(n), 0), np.full(n + 1, 100.0), np.array([0.93, 0.9, 0.93, 0.44, 0.4])
    weight = np.append(np.full(n, 0.9), 0.1)
    line[-1] += 40
    pairs = Pairs(strip, strip, line, line - 50, score, np.zeros((n + 1, 2)))
    frame = SimpleNamespace(strips=[SimpleNamespace(n_lines=1000)] * n)
    found, _ = sought_first(frame, expected, Constellation(pairs, weight, None, np.full(n, LEAST_STRENGTH - 0.6)))
    np.testing.assert_array_equal(found.strip, [0, 1, 2])


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_mark_votes_by_its_pair_that_agrees_best(seed: int) -> None:
    """Compared with a direct computation of each vote; a pair's weight is its score to the fourth power."""
    rng = np.random.default_rng(seed)
    mark = np.sort(rng.integers(0, 6, 40))
    departure_px, score, zero = rng.normal(0, 20, (40, 2)), rng.uniform(0.1, 1, 40), np.zeros(40)
    pairs = Pairs(np.zeros(40, np.int64), mark, zero, zero, score, departure_px)
    far2 = ((departure_px[:, np.newaxis] - departure_px) ** 2).sum(axis=2)
    each = np.exp(-0.5 * far2 / 10.0**2) * score**4
    votes = sum(each[:, mark == m].max(axis=1) for m in np.unique(mark))
    best = (votes * np.exp(-0.5 * (departure_px**2).sum(axis=1) / 30.0**2)).argmax()
    layout = make_layout([StripShape(400, 100, False)], [()])
    found = _votes(layout, pairs, departure_px, 10.0, 30.0, 1)
    np.testing.assert_array_equal(found, np.tile(departure_px[best], (40, 1)))
