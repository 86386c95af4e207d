"""Which samples a mark or the wedge covers: the cross and its blur."""

from itertools import pairwise

import numpy as np
import pytest

from calib.film.strokes import StripMarks, marked_runs
from calib.sweep.model import StripSweep

SAMPLE_MM = 0.01


def straight(n_lines: int, n_samples: int, *, falling: bool = False) -> StripSweep:
    """Film mm is a hundredth of (sample, line); a reversed strip's lines run up the film."""
    line = np.arange(float(n_lines)) * SAMPLE_MM
    zero = np.zeros(n_lines)
    y = line[::-1].copy() if falling else line
    return StripSweep(np.arange(float(n_samples)) * SAMPLE_MM, zero, y, np.zeros(n_samples), zero, zero)


def marked(of: StripMarks, sweep: StripSweep) -> np.ndarray:
    """Which samples the runs hold, (lines, samples); they are in order, and neither overlap nor touch."""
    runs, mask = marked_runs(sweep, of), np.zeros((sweep.n_lines, sweep.n_samples), bool)
    for (line, _, stop), (next_line, start, _) in pairwise(runs.tolist()):
        assert next_line > line or (next_line == line and start > stop)
    for line, start, stop in runs:
        assert 0 <= start < stop <= sweep.n_samples
        mask[line, start:stop] = True
    return mask


def marks(x_mm: list[float], y_mm: list[float], boxes: np.ndarray) -> StripMarks:
    """Crosses with arms of 10 samples and a half width of 2, blurred over 1."""
    return StripMarks(np.array(x_mm), np.array(y_mm), 0.10, 0.02, 0.01, boxes, 8)


@pytest.mark.parametrize("falling", [False, True])
def test_a_cross_covers_its_two_strokes_and_their_blur(falling: bool) -> None:
    """The area of a cross: two bars of 22 by 6 samples less the middle they share; no edge falls on a sample."""
    cross = marks([0.501], [0.401], np.array([[5.0, 5.1, 5.0, 5.1]]))
    mask = marked(cross, straight(90, 100, falling=falling))
    row = 89 - 40 if falling else 40
    assert mask.sum() == 2 * 22 * 6 - 6 * 6
    assert mask[row, 40:62].all()
    assert not mask[row, :39].any()
    assert not mask[row + 6, 55]


def test_a_skewed_strip_that_shifts_is_marked_where_film_says_so() -> None:
    """Every sample against the rectangles by itself, on a strip whose lines are bent so that they cross edges twice."""
    both = marks([0.501, 0.02], [0.401, 0.882], np.array([[0.3, 0.7, 0.1, 0.2], [0.45, 0.9, 0.15, 0.3]]))
    line, sample = np.arange(90.0), np.arange(100.0)
    bent = 2e-5 * (sample - 50.0) ** 2
    sweep = StripSweep(sample * SAMPLE_MM, 0.03 * np.sin(line / 20.0), line * SAMPLE_MM, bent, 0 * line, 0 * line)
    x, y = sweep.x_sample_mm + sweep.x_line_mm[:, None], sweep.y_line_mm[:, None] + sweep.y_sample_mm
    expected = np.zeros(x.shape, bool)
    for x_low, x_high, y_low, y_high in both.rectangles_mm():
        expected |= (x >= x_low) & (x <= x_high) & (y >= y_low) & (y <= y_high)
    found = marked(both, sweep)
    assert expected.any()
    assert np.array_equal(found, expected)
    assert found[85, 0]


def test_the_wedge_covers_its_box_and_nothing_beside_it() -> None:
    mask = marked(marks([], [], np.array([[0.295, 0.705, 0.095, 0.205]])), straight(90, 100))
    expected = np.zeros((90, 100), bool)
    expected[10:21, 30:71] = True
    assert np.array_equal(mask, expected)
