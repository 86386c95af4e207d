"""Lines that a strip lacks or shows twice: told by its overlaps, which of two strips it is by what lies beyond them."""

from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from calib.frame.frame import StripRaster
from calib.sweep.line_breaks import line_breaks
from calib.sweep.strip_edges import edge_profiles

N, WIDTH, PITCH = 1600, 50, 40


@cache
def film() -> np.ndarray:
    rng = np.random.default_rng(2)
    rough = np.cumsum(rng.normal(0, 20, (N + 800, 5 * PITCH + WIDTH)), axis=0)
    return 5000 + np.apply_along_axis(np.convolve, 1, rough, np.ones(7) / 2.6, "same")


def scanned(rows: dict[int, np.ndarray], smooth=(), turned=(), noise=5.0, strips=5):  # type: ignore[no-untyped-def]
    """Strips that wander along the film by some lines, some of them by other `rows` of it than all its lines; the film
    of strips `smooth` shows nothing in what they have in common with the one on their right."""
    shown, rng = film().copy(), np.random.default_rng(7)
    for k in smooth:
        shown[:, (k + 1) * PITCH - 2 : (k + 1) * PITCH + WIDTH - PITCH + 2] = 5000
    found = []
    for k in range(strips):
        line = rows.get(k, np.arange(N))
        at = np.rint(300 + line + 6 * np.sin(np.arange(line.size) / 500 + 2 * k)).astype(int)
        dn = shown[at, k * PITCH : k * PITCH + WIDTH] + rng.normal(0, noise, (line.size, WIDTH))
        found.append(dn[::-1] if k in turned else dn)
    return found


def frame_of(strips, turned=()):  # type: ignore[no-untyped-def]
    rasters = [
        StripRaster(k, Path(f"{k}.tif"), len(dn), WIDTH, np.dtype(np.uint16), is_reversed=k in turned)
        for k, dn in enumerate(strips)
    ]
    scan = SimpleNamespace(first_line_mm=-4.0, line_mm=0.005, sample_mm=0.005, pitch_mm=PITCH * 0.005, tolerance_mm=0.1)
    return SimpleNamespace(strips=rasters, scan=scan, camera=SimpleNamespace(format_mm=(8.0, 8.0)))


def told(strips, turned=(), gone=None):  # type: ignore[no-untyped-def]
    """Strip, last line before, first behind, how many are missing, by which neighbours."""
    lost = [np.zeros(dn.shape, bool) for dn in strips]
    for k, lines in (gone or {}).items():
        lost[k][lines] = True
    pairs = zip(strips, lost, strict=True)
    profiles = [edge_profiles(dn, bad, 10, 5.0, is_reversed=k in turned) for k, (dn, bad) in enumerate(pairs)]
    found = line_breaks(frame_of(strips, turned), profiles, lambda k: (strips[k], lost[k]))
    return [(each.strip, each.stop, each.start, pytest.approx(each.missing, abs=1), each.beside) for each in found]


def without(first: int, stop: int) -> np.ndarray:
    return np.delete(np.arange(N), np.s_[first:stop])


@pytest.mark.parametrize("turned", [(), (2,), (1, 3)])
def test_lines_that_a_strip_lacks_are_told_by_both_its_neighbours(turned) -> None:
    """To the line, though the strips wander; the lines at the jump may be of both sides of it."""
    assert told(scanned({2: without(700, 745)}, turned=turned), turned) == [(2, 699, 701, 45, (1, 3))]


def test_lines_that_a_strip_shows_twice_are_told() -> None:
    again = np.concatenate([np.arange(900), np.arange(870, N)])
    assert told(scanned({2: again})) == [(2, 899, 901, -30, (1, 3))]


def test_nothing_is_told_of_strips_that_wander_nor_of_a_few_lines() -> None:
    """What four lines make no sweep can follow either, but film may wander by as many for a while."""
    assert told(scanned({})) == []
    assert told(scanned({2: without(700, 704)})) == []
    wandering = np.rint(np.arange(N) + 25 * np.sin(np.arange(N) / 250)).astype(int).clip(0)
    assert told(scanned({2: wandering})) == []


@pytest.mark.parametrize("strip", [0, 2])
@pytest.mark.parametrize("lines", [8, 12, 16])
def test_film_that_swings_along_for_a_while_has_no_jump(strip: int, lines: int) -> None:
    """Twice as many lines within some two hundred, which a sweep follows: the lags close by tell it from a jump."""
    swinging = np.arange(N) + lines * np.tanh((np.arange(N) - 800) / 60)
    assert told(scanned({strip: swinging})) == []


def test_one_neighbour_tells_which_of_two_strips_jumps_if_its_own_other_side_shows_that_it_does_not() -> None:
    """An end strip has one neighbour, and film in common may show nothing."""
    assert told(scanned({0: without(700, 745)})) == [(0, 699, 701, 45, (1,))]
    assert told(scanned({2: without(700, 745)}, smooth=(2,))) == [(2, 699, 701, 45, (1,))]
    assert told(scanned({1: without(700, 745)}, smooth=(1,), strips=3)) == []  # it may be the end strip as well
    assert told(scanned({0: without(700, 745)}, smooth=(1,))) == []
    assert told(scanned({0: without(700, 745)}, strips=2)) == []


def test_several_strips_that_jump_at_places_of_their_own_are_told_each() -> None:
    found = told(scanned({1: without(500, 530), 3: without(1000, 1060)}))
    assert [each[0] for each in found] == [1, 3]
    assert [each[3] for each in found] == [30, 60]


def test_where_nothing_changes_suddenly_some_lines_about_a_jump_are_of_no_use() -> None:
    """A film that stands still shows one line for a while: no line tells where it begins to move again."""
    still = np.concatenate([np.arange(700), np.full(40, 700), np.arange(700, N)])
    ((strip, stop, start, missing, _),) = told(scanned({2: still}))
    assert (strip, missing) == (2, -40)
    assert 680 < stop < 740
    assert max(stop + 5, 700) < start < 760


def test_few_lines_are_not_told_where_none_shows_the_jump() -> None:
    """Twelve lines on which film stands still may be a quick wander; that a line shows the jump would tell it."""
    still = np.concatenate([np.arange(700), np.full(12, 700), np.arange(700, N)])
    assert told(scanned({2: still})) == []


def test_what_the_tape_lost_at_a_jump_is_of_no_use_either() -> None:
    strips = scanned({2: without(700, 745)})
    strips[2][690:712] = 20000
    ((strip, stop, start, missing, _),) = told(strips, gone={2: slice(690, 712)})
    assert (strip, stop, start, missing) == (2, 689, 713, 45)


def test_a_strip_of_other_film_has_no_jump() -> None:
    """Its edges show the neighbours' film nowhere, or only farther off than lines are looked for."""
    assert told(scanned({2: np.arange(N)[::-1]})) == []
    assert told(scanned({2: without(300, 1000)})) == []


def test_a_strip_whose_two_edges_do_not_jump_alike_is_not_mended() -> None:
    """Lines are missing on all of their width: put in by the mean of what two neighbours say, they would leave a jump
    at both edges, and no word of it."""
    less, more = scanned({2: without(700, 738)}), scanned({2: without(700, 745)})
    more[2][:, : WIDTH // 2] = less[2][: len(more[2]), : WIDTH // 2]
    assert told(more) == []


def test_an_overlap_that_shows_nothing_for_a_while_still_shows_that_a_strip_does_not_jump() -> None:
    """The end strip's one neighbour must be told sound by its own other side. That shows no texture where the jump is,
    but the same lag before and behind: two runs of windows, of one piece of film."""
    whole = scanned({0: without(700, 745)})
    for k, first in ((1, PITCH - 2), (2, 0)):
        whole[k][550:900, first : first + WIDTH - PITCH + 2] = 5000
    assert told(whole) == [(0, 699, 701, 45, (1,))]
