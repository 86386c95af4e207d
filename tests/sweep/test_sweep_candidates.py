"""The search for cross-like places: its running sums equal SciPy's filters, and it searches where marks may be."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import maximum_filter, uniform_filter1d

from calib.sweep.candidates import CrossPixels, cross_score, find_candidates
from calib.sweep.constellation import search_spans
from calib.sweep.crossvotes import box_mean, combine_votes, local_variance, peaks
from calib.sweep.model import StripSweep
from calib.sweep.nominal import Nominal

STEP_MM = 0.0075
CROSS = CrossPixels(20, 20, 4, 4)


@pytest.mark.parametrize("size", [(3, 3), (14, 5), (67, 67), (1, 8)])
def test_box_means_are_those_of_the_reference_filter(size):
    """Reflected ends and even sizes as in scipy.ndimage.uniform_filter1d, also for a box larger than the picture."""
    picture = np.random.default_rng(1).normal(500, 20, (50, 61)).astype(np.float32)
    want = uniform_filter1d(uniform_filter1d(picture.astype(float), size[0], axis=0), size[1], axis=1)
    np.testing.assert_allclose(box_mean(picture, *size, 0, 50), want, rtol=1e-6)
    np.testing.assert_allclose(box_mean(picture, *size, 3, 40), want[3:40], rtol=1e-6)


def test_the_variance_around_a_sample_is_that_of_the_cells_around_its_cell():
    """Tried with 3 x 3 cells of 4 x 4 samples, reflected at the picture's ends, and with cells of one sample."""
    picture = np.random.default_rng(5).normal(0, 20, (50, 61)).astype(np.float32)
    found = local_variance(picture, 14, 4, 3, 40)
    assert found.shape == (37, 61)
    np.testing.assert_allclose(found[17:21, 28:32], picture[16:28, 24:36].var(), rtol=1e-5)
    corner = np.repeat(np.repeat(picture[:8, :8], [2] * 4 + [1] * 4, axis=0), [2] * 4 + [1] * 4, axis=1)
    np.testing.assert_allclose(found[0, :4], corner.var(), rtol=1e-5)
    mean, square = (uniform_filter1d(uniform_filter1d(p, 5, axis=0), 5, axis=1) for p in (picture, picture**2))
    np.testing.assert_allclose(local_variance(picture, 5, 1, 0, 50), square - mean**2, rtol=1e-3)


def test_the_last_cells_of_a_picture_whose_size_is_no_multiple_of_a_cell_are_complete():
    picture = np.random.default_rng(6).normal(0, 20, (22, 19)).astype(np.float32)
    np.testing.assert_allclose(local_variance(picture, 4, 4, 20, 22)[:, 16:], picture[18:, 15:].var(), rtol=1e-5)


@pytest.mark.parametrize(("shape", "lines"), [((30, 40), (0, 30)), ((30, 40), (4, 21)), ((12, 9), (0, 12))])
def test_votes_of_half_arms_beyond_the_picture_do_not_count(shape, lines):
    """With NaN as padding, the result is the mean of the finite votes; four are needed, in both directions."""
    across, along = np.random.default_rng(4).normal(size=(2, *shape)).astype(np.float32)
    near, far = (3, 8), (2, 7)
    wide_s, wide_l = (np.pad(votes, 8, constant_values=np.nan) for votes in (across, along))
    moved_s = np.array([np.roll(wide_s, by, axis=1)[8:-8, 8:-8] for shift in near for by in (shift, -shift)])
    moved_l = np.array([np.roll(wide_l, by, axis=0)[8:-8, 8:-8] for shift in far for by in (shift, -shift)])
    seen_s, seen_l = np.isfinite(moved_s).sum(axis=0), np.isfinite(moved_l).sum(axis=0)
    total = np.nansum(moved_s, axis=0) + np.nansum(moved_l, axis=0)
    enough = (seen_s > 0) & (seen_l > 0) & (seen_s + seen_l >= 4)
    want = np.where(enough, total / np.maximum(seen_s + seen_l, 1), 0)[slice(*lines)]
    found = combine_votes(across[slice(*lines)], along, near, far, lines[0])
    np.testing.assert_allclose(found, want, atol=1e-6)


def test_a_faint_trace_of_a_cross_on_clipped_film_is_no_candidate():
    """Where the video is clipped, what varies is far smaller than the picture's detail and may have any shape."""
    picture = np.random.default_rng(7).normal(500, 20, (240, 400)).astype(np.float32)
    clipped, strokes = np.full((240, 200), 900, np.float32), np.zeros((240, 200), bool)
    strokes[118:123, 87:114] = strokes[107:134, 98:103] = True
    scores = []
    for trace in (0.0, 0.1, 200.0):
        picture[:, 200:] = clipped + trace * strokes
        scores.append(float(np.abs(cross_score(picture, CrossPixels(27, 27, 5, 5), 0, 240)[100:140, 280:320]).max()))
    assert scores[0] == 0.0
    assert scores[1] < 0.1 < 0.5 < scores[2]


def test_peaks_are_the_maxima_of_the_reference_filter():
    strength = np.random.default_rng(2).integers(0, 60, (80, 70)).astype(np.float32)
    want = np.argwhere((strength == maximum_filter(strength, size=(7, 11))) & (strength >= 30))
    want = want[(want[:, 0] >= 10) & (want[:, 0] < 64)]
    found = peaks(strength, 10, 64, 30.0, 3, 5)
    assert len(want) > 20
    np.testing.assert_array_equal(found, want)


def picture_with_crosses(lines):
    """A strip with a cross at sample 40 of each of the given lines, and one at sample 90."""
    values = np.random.default_rng(3).normal(100, 3, (900, 120)).astype(np.float32)
    for line in lines:
        for middle in (40, 90):
            values[line - 2 : line + 2, middle - 20 : middle + 20] += 50
            values[line - 20 : line + 20, middle - 2 : middle + 2] += 50
    return values, np.zeros(values.shape, bool)


def test_the_search_finds_in_its_spans_what_it_finds_in_the_whole_strip():
    strip = picture_with_crosses([200, 300, 640])
    whole, part = (find_candidates(*strip, spans, CROSS) for spans in ([(0, 900)], [(180, 321)]))
    inside = (whole.line >= 180) & (whole.line < 321)
    strong = whole.score > 0.6
    assert strong.sum() == 6
    assert (strong & inside).sum() == 4
    np.testing.assert_array_equal(part.line, whole.line[inside])
    np.testing.assert_array_equal(part.sample, whole.sample[inside])
    np.testing.assert_allclose(part.score, whole.score[inside], atol=1e-5)


@pytest.mark.parametrize("cut", [199, 200, 204])
def test_dividing_the_search_beside_a_cross_does_not_change_what_is_found(cut):
    strip = picture_with_crosses([200, 300, 640])
    whole, cut_up = (find_candidates(*strip, spans, CROSS) for spans in ([(0, 900)], [(0, cut), (cut, 900)]))
    np.testing.assert_array_equal(cut_up.line, whole.line)
    np.testing.assert_array_equal(cut_up.sample, whole.sample)


def test_spans_hold_every_line_at_which_a_mark_may_be():
    line = np.arange(900, dtype=float)
    zero = np.zeros(900)
    sweep = StripSweep((np.arange(120) - 59.5) * STEP_MM, zero, line[::-1] * STEP_MM, np.zeros(120), zero, zero)
    y_mm = np.array([0.1, 2.0, 2.3, 6.0])
    frame = SimpleNamespace(
        marks=SimpleNamespace(x_mm=np.zeros(4), y_mm=y_mm), scan=SimpleNamespace(tolerance_mm=30 * STEP_MM)
    )
    spans = search_spans(Nominal(frame, (sweep,), np.full(2, STEP_MM)), 0)
    near = np.abs(line[:, None] - (899 - y_mm / STEP_MM)).min(axis=1) <= 1.05 * 30 + 1
    inside = np.zeros(900, bool)
    for first, stop in spans:
        inside[first:stop] = True
    assert len(spans) == 3
    assert inside[near].all()
    assert inside.sum() <= near.sum() + 2 * len(spans)


def test_the_filling_of_a_long_gap_shows_no_crosses():
    """In a strip whose file was truncated the last line continued down each column: thousands of vertical strokes,
    whose pairs with the marks took minutes. A mark that a gap crosses is still found."""
    values, lost = picture_with_crosses([200, 300, 640])
    lost[500:] = lost[300:302] = True
    found = find_candidates(np.where(lost, 0, values), lost, [(0, 900)], CROSS)
    assert found.line.max() < 500
    strong = found.score > 0.6
    np.testing.assert_allclose(np.sort(found.line[strong]), [200, 200, 300, 300], atol=2)
