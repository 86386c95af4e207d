"""Which samples a mark or the wedge covers: the cross and its blur, the same for whatever lines one asks."""

import numpy as np
import pytest

from calib.film.strokes import StripMarks, marked
from calib.sweep.model import StripSweep

SAMPLE_MM = 0.01


def straight(n_lines: int, n_samples: int, *, falling: bool = False) -> StripSweep:
    """Film mm is a hundredth of (sample, line); a reversed strip's lines run up the film."""
    line = np.arange(float(n_lines)) * SAMPLE_MM
    zero = np.zeros(n_lines)
    y = line[::-1].copy() if falling else line
    return StripSweep(np.arange(float(n_samples)) * SAMPLE_MM, zero, y, np.zeros(n_samples), zero, zero)


def marks(x_mm: list[float], y_mm: list[float], boxes: np.ndarray) -> StripMarks:
    """Crosses with arms of 10 samples and a half width of 2, blurred over 1."""
    return StripMarks(np.array(x_mm), np.array(y_mm), 0.10, 0.02, 0.01, boxes, 8)


@pytest.mark.parametrize("falling", [False, True])
def test_a_cross_covers_its_two_strokes_and_their_blur(falling: bool) -> None:
    """The area of a cross: two bars of 22 by 6 samples less the middle they share; no edge falls on a sample."""
    cross = marks([0.501], [0.401], np.array([[5.0, 5.1, 5.0, 5.1]]))
    mask = marked(cross, straight(90, 100, falling=falling), 0, 90)
    row = 89 - 40 if falling else 40
    assert mask.sum() == 2 * 22 * 6 - 6 * 6
    assert mask[row, 40:62].all()
    assert not mask[row, :39].any()
    assert not mask[row + 6, 55]


def test_any_block_of_lines_is_cut_from_the_same_mask() -> None:
    both = marks([0.501, 0.02], [0.401, 0.882], np.array([[0.3, 0.7, 0.1, 0.2]]))
    sweep = straight(90, 100)
    whole = marked(both, sweep, 0, 90)
    for first, stop in ((0, 7), (30, 45), (52, 90)):
        assert np.array_equal(marked(both, sweep, first, stop), whole[first:stop])
    assert whole[85, 0]


def test_the_wedge_covers_its_box_and_nothing_beside_it() -> None:
    mask = marked(marks([], [], np.array([[0.295, 0.705, 0.095, 0.205]])), straight(90, 100), 0, 90)
    expected = np.zeros((90, 100), bool)
    expected[10:21, 30:71] = True
    assert np.array_equal(mask, expected)
