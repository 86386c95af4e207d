"""Lines whose picture has slipped along them: found where they are, and nothing else taken for them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from memory_strip import MemoryStrip
from scipy.ndimage import gaussian_filter

from calib.tone.dropout_search import find_dropouts
from calib.tone.dropout_slips import slipped_lines
from calib.tone.dropouts import LostBlock, Reason, with_unread

LINES, SAMPLES = 400, 240


def ground(seed: int, noise: float = 60.0) -> np.ndarray:
    """A strip of rough ground with noise, in DN of 16 bits."""
    chance = np.random.default_rng(seed)
    rough = gaussian_filter(chance.standard_normal((LINES, SAMPLES)), (6, 3))
    scene = 20_000 + 6_000 * rough / rough.std() + noise * chance.standard_normal((LINES, SAMPLES))
    return np.clip(scene, 0, 65_535).astype(np.uint16)


def whole(dn: np.ndarray) -> np.ndarray:
    return np.zeros(dn.shape, bool)


@settings(deadline=None, max_examples=25)
@given(
    seed=st.integers(0, 50),
    first=st.integers(60, 340),
    count=st.sampled_from([1, 2, 5, 50]),
    by=st.sampled_from([-35, -12, -6, 6, 20, 36]),
)
def test_lines_that_slip_and_slip_back_are_found_where_they_are(seed: int, first: int, count: int, by: int) -> None:
    """One line as well as many, to either side: those that were moved, and by as much, or none where the ground is too
    smooth to tell."""
    dn, stop = ground(seed), min(first + count, LINES - 12)
    dn[first:stop] = np.roll(dn[first:stop], by, axis=1)
    assert slipped_lines(dn, whole(dn)) in ((), ((first, stop, by),))


@pytest.mark.parametrize("count", [1, 2, 5, 50])
def test_most_slips_on_rough_ground_are_found(count: int) -> None:
    found = 0
    for seed, by in zip(range(12), (6, -9, 20) * 4, strict=True):
        dn = ground(seed)
        dn[170 : 170 + count] = np.roll(dn[170 : 170 + count], by, axis=1)
        found += slipped_lines(dn, whole(dn)) == ((170, 170 + count, by),)
    assert found >= 10


def test_a_slip_that_lasts_leaves_the_fewer_lines_out() -> None:
    """Nothing tells which lines are right but that they are the most."""
    dn = ground(3)
    dn[150:] = np.roll(dn[150:], 14, axis=1)
    assert slipped_lines(dn, whole(dn)) == ((0, 150, -14),)


def test_a_line_that_slips_in_the_middle_belongs_to_either() -> None:
    """The beat may be lost within a line: it fits neither those before nor those behind, which tell the slip alone."""
    dn = ground(4)
    moved = np.roll(dn, 17, axis=1)
    dn[301:] = moved[301:]
    dn[300, 120:] = moved[300, 120:]
    (found,) = slipped_lines(dn, whole(dn))
    assert found == (300, LINES, 17)


def test_the_lost_are_not_compared() -> None:
    """Garbage between the lines and in parts of them: what is left tells the slip, to a sample."""
    dn, lost = ground(5), np.zeros((LINES, SAMPLES), bool)
    dn[200:230] = np.roll(dn[200:230], -9, axis=1)
    lost[198:201], lost[229, 60:120] = True, True
    dn[lost] = np.random.default_rng(1).integers(0, 65_535, lost.sum())
    ((first, stop, by),) = slipped_lines(dn, lost)
    assert (first, stop) == (201, 230)
    assert abs(by + 9) <= 1


@pytest.mark.parametrize("width", [0.3, 6.0, 9.0, 12.0])
@pytest.mark.parametrize("a_line", [8, 17, 30, 36])
def test_an_edge_that_runs_nearly_along_the_lines_is_no_slip(a_line: int, width: float) -> None:
    """The border of the format in a strip that lies askew moves by as many samples from each line to the next; a soft
    one does so in most of a line at once."""
    dn = ground(6).astype(float)
    line, sample = np.mgrid[:LINES, :SAMPLES]
    beyond = (sample - SAMPLES + (line - 300) * a_line) / width
    dn *= 1 - 0.9 / (1 + np.exp(-np.clip(beyond, -50, 50)))
    assert slipped_lines(dn.astype(np.uint16), np.zeros(dn.shape, bool)) == ()


def test_what_else_there_is_in_one_part_does_not_hide_a_slip() -> None:
    """A speck is the largest step there, and no shift makes it smaller."""
    dn = ground(12)
    dn[200:230] = np.roll(dn[200:230], 10, axis=1)
    dn[200, 103:110] = 65_000
    assert slipped_lines(dn, whole(dn)) == ((200, 230, 10),)


def test_lines_that_slip_back_by_a_sample_less_are_not_left_out_themselves() -> None:
    """Fewer samples than a slip has are the sweep's and the jitter's."""
    dn = ground(15)
    dn[200:230] = np.roll(dn[200:230], 10, axis=1)
    dn[230:] = np.roll(dn[230:], 1, axis=1)
    ((first, stop, _),) = slipped_lines(dn, whole(dn))
    assert (first, stop) == (200, 230)


def test_what_goes_on_moving_has_not_slipped() -> None:
    """So a steep edge of the picture does, in all parts that it passes."""
    dn = ground(13)
    for line in range(200, LINES):
        dn[line] = np.roll(dn[line], 12 * min(line - 199, 3))
    assert slipped_lines(dn, whole(dn)) == ()


def test_a_few_parts_of_a_line_do_not_tell_a_slip() -> None:
    """A bar on even film that stands elsewhere for some lines may well be what was photographed."""
    dn = np.random.default_rng(14).normal(20_000, 60, (LINES, SAMPLES))
    dn[:, 102:112] += 5_000
    dn[200:230] = np.roll(dn[200:230], 14, axis=1)
    assert slipped_lines(dn.astype(np.uint16), np.zeros(dn.shape, bool)) == ()


@pytest.mark.parametrize(("noise", "seed"), [(60.0, 7), (9_000.0, 8)])
def test_a_good_strip_has_no_slips(noise: float, seed: int) -> None:
    """Nor has one whose noise hides its ground, nor one of a single value."""
    assert slipped_lines(ground(seed, noise), np.zeros((LINES, SAMPLES), bool)) == ()
    assert slipped_lines(np.full((LINES, SAMPLES), 77, np.uint8), np.zeros((LINES, SAMPLES), bool)) == ()


def test_narrow_strips_and_short_ones_tell_nothing() -> None:
    dn = ground(9)
    dn[200:] = np.roll(dn[200:], 14, axis=1)
    assert slipped_lines(dn[:, :150].copy(), whole(dn[:, :150])) == ()
    assert slipped_lines(dn[195:210], whole(dn[195:210])) == ()


def test_slipped_lines_are_among_the_dropouts_and_keep_their_numbers() -> None:
    """Whoever asks for what is lost gets them too; lines that a damaged file lost are counted in."""
    dn = ground(10)
    dn[200:240] = np.roll(dn[200:240], 11, axis=1)
    found = find_dropouts(MemoryStrip(dn), None)  # type: ignore[arg-type]
    assert found.blocks == (LostBlock(Reason.SLIPPED, range(200, 240), range(SAMPLES), 11),)
    assert found.whole_lines()[200:240].all()
    assert found.n_lost == 40 * SAMPLES
    unread = np.zeros(LINES + 30, bool)
    unread[100:130] = True
    slipped, lost = with_unread(found, unread).blocks
    assert slipped == LostBlock(Reason.SLIPPED, range(230, 270), range(SAMPLES), 11)
    assert lost == LostBlock(Reason.UNREAD, range(100, 130), range(SAMPLES))
