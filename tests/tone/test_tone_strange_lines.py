"""Lines in which a strip shows other film than its neighbours: told by these alone, and from all else that is wrong."""

import numpy as np

from calib.tone.evidence import OVERLAP_KIND
from calib.tone.model import ToneResiduals
from calib.tone.overlap import OverlapCells
from calib.tone.strange_lines import strange_lines
from calib.tone.stretches import STRETCHES

N_LINES, N_CELLS, SIGMA = 1000, 1300, 0.005
LINE = np.arange(N_LINES)


def pictures(count: int) -> list[np.ndarray]:
    """What strips show of the film at their lines: all the same, and rough from one line to the next."""
    film = 0.8 + 0.1 * np.random.default_rng(3).standard_normal(N_LINES)
    return [film.copy() for _ in range(count)]


def told(strips: list[np.ndarray], reversed_too: bool = False) -> list[list[tuple[int, int]]]:
    """Strange lines of strips that show so much density; every second one may run the other way."""
    rng, overlaps, rows = np.random.default_rng(5), [], []
    for strip in range(len(strips) - 1):
        line = rng.integers(0, N_LINES, N_CELLS)
        own, following = (N_LINES - 1.0 - line if reversed_too and k % 2 else 1.0 * line for k in (strip, strip + 1))
        one, other = (strips[k][line] + SIGMA * rng.standard_normal(N_CELLS) / np.sqrt(2) for k in (strip, strip + 1))
        none = np.zeros(N_CELLS)
        overlaps.append(OverlapCells(none.astype(int), none, own, following, one, other, *(none,) * 4))
        rows.append((np.full(N_CELLS, strip), one - other))
    strip, residual = (np.concatenate(part) for part in zip(*rows, strict=True))
    kind, sigma = np.full(strip.size, OVERLAP_KIND), np.full(strip.size, SIGMA)
    found = strange_lines(overlaps, ToneResiduals(strip, kind, 0 * residual, residual, sigma), [N_LINES] * len(strips))
    return [list(runs) for runs in found]


def exchanged(film: np.ndarray, first: int, stop: int) -> np.ndarray:
    """With lines in which other film stands."""
    film = film.copy()
    film[first:stop] = 0.8 + 0.1 * np.random.default_rng(9).standard_normal(stop - first)
    return film


def test_lines_that_both_neighbours_contradict_are_told_with_some_beside() -> None:
    """Of a block of lines that stood elsewhere 6,882 values of one map were wrong by more than five sigma."""
    for reversed_too in (False, True):
        strips = pictures(5)
        strips[2] = exchanged(strips[2], 400, 520)
        found = told(strips, reversed_too)
        ((first, stop),) = found[2]
        assert not any(found[k] for k in (0, 1, 3, 4))
        assert 400 - 3 * N_LINES / STRETCHES < first <= 400
        assert 520 <= stop < 520 + 3 * N_LINES / STRETCHES


def test_at_the_frame_s_edges_the_second_strip_bears_out_the_third() -> None:
    """Only one neighbour sees the first strip, and the last; of two strips nothing tells which is wrong."""
    for wrong in (0, 3):
        strips = pictures(4)
        strips[wrong] = exchanged(strips[wrong], 400, 520)
        found = told(strips)
        assert [bool(runs) for runs in found] == [strip == wrong for strip in range(4)]
    assert not any(told([exchanged(pictures(1)[0], 400, 520), *pictures(1)]))


def test_a_strip_at_the_frame_s_edge_is_not_blamed_for_its_neighbour() -> None:
    """What its neighbour shows must be borne out by that one's other side; else the neighbour itself is wrong."""
    for wrong in (1, 2):
        strips = pictures(4)
        strips[wrong] = exchanged(strips[wrong], 400, 520)
        assert [bool(runs) for runs in told(strips)] == [strip == wrong for strip in range(4)]


def test_a_single_stretch_that_one_neighbour_alone_contradicts_may_be_a_spot_on_its_edge() -> None:
    strips = pictures(4)
    strips[0] = exchanged(strips[0], round(12 * N_LINES / STRETCHES) + 1, round(13 * N_LINES / STRETCHES))
    assert not any(told(strips))


def test_gain_that_jumps_by_less_than_the_picture_and_curves_that_are_wrong_show_the_same_film() -> None:
    """Their lines are of use once their tone is known; and of film without a picture nothing is told."""
    for change in (lambda film: np.where(LINE > 600, 0.1 + film, film), lambda film: 0.5 * film):
        strips = pictures(5)
        strips[2] = change(strips[2])
        assert not any(told(strips))
    even = [np.full(N_LINES, 0.8) for _ in range(5)]
    assert not any(told(even))
