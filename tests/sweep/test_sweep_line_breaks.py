"""Missing and repeated lines: found by overlaps; which of two strips has them is decided by their other overlaps."""

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
    """Samples of strips that wander along the film by some lines. Strip k shows the rows `rows[k]` of the film if they
    are given, else all. The overlap of each strip in `smooth` with its right neighbour has no texture."""
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


def breaks_found(strips, turned=(), gone=None):  # type: ignore[no-untyped-def]
    """The breaks found: strip, `stop`, `start`, number of missing lines, neighbours; `gone` are lost lines by strip."""
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
def test_missing_lines_of_a_strip_are_found_by_both_neighbours(turned) -> None:
    """Their number is right to a line although the strips wander; lines at the jump may show both sides of it."""
    assert breaks_found(scanned({2: without(700, 745)}, turned=turned), turned) == [(2, 699, 701, 45, (1, 3))]


def test_lines_that_a_strip_shows_twice_are_found() -> None:
    again = np.concatenate([np.arange(900), np.arange(870, N)])
    assert breaks_found(scanned({2: again})) == [(2, 899, 901, -30, (1, 3))]


def test_neither_wander_nor_a_few_missing_lines_are_reported() -> None:
    """No sweep can follow a jump of four lines either, but film may wander by as many for a while."""
    assert breaks_found(scanned({})) == []
    assert breaks_found(scanned({2: without(700, 704)})) == []
    wandering = np.rint(np.arange(N) + 25 * np.sin(np.arange(N) / 250)).astype(int).clip(0)
    assert breaks_found(scanned({2: wandering})) == []


@pytest.mark.parametrize("strip", [0, 2])
@pytest.mark.parametrize("lines", [8, 12, 16])
def test_a_quick_but_continuous_shift_of_the_film_is_no_jump(strip: int, lines: int) -> None:
    """A shift by twice `lines` within some two hundred lines, which a sweep can follow: the lags close by show it."""
    swinging = np.arange(N) + lines * np.tanh((np.arange(N) - 800) / 60)
    assert breaks_found(scanned({strip: swinging})) == []


def test_one_neighbour_suffices_if_its_other_overlap_shows_that_it_does_not_jump_itself() -> None:
    """An end strip has only one neighbour, and an overlap may have no texture."""
    assert breaks_found(scanned({0: without(700, 745)})) == [(0, 699, 701, 45, (1,))]
    assert breaks_found(scanned({2: without(700, 745)}, smooth=(2,))) == [(2, 699, 701, 45, (1,))]
    assert breaks_found(scanned({1: without(700, 745)}, smooth=(1,), strips=3)) == []  # it may be the end strip as well
    assert breaks_found(scanned({0: without(700, 745)}, smooth=(1,))) == []
    assert breaks_found(scanned({0: without(700, 745)}, strips=2)) == []


def test_several_strips_with_jumps_at_different_places_are_all_found() -> None:
    found = breaks_found(scanned({1: without(500, 530), 3: without(1000, 1060)}))
    assert [each[0] for each in found] == [1, 3]
    assert [each[3] for each in found] == [30, 60]


def test_without_a_sudden_change_some_lines_around_a_jump_are_unusable() -> None:
    """A film that stands still repeats one line for a while: no line shows where it begins to move again."""
    still = np.concatenate([np.arange(700), np.full(40, 700), np.arange(700, N)])
    ((strip, stop, start, missing, _),) = breaks_found(scanned({2: still}))
    assert (strip, missing) == (2, -40)
    assert 680 < stop < 740
    assert max(stop + 5, 700) < start < 760


def test_a_small_jump_is_not_reported_if_no_line_shows_it() -> None:
    """Twelve lines on which film stands still may be a quick wander; only a line that shows the jump would prove it."""
    still = np.concatenate([np.arange(700), np.full(12, 700), np.arange(700, N)])
    assert breaks_found(scanned({2: still})) == []


def test_lost_lines_at_a_jump_are_unusable_too() -> None:
    strips = scanned({2: without(700, 745)})
    strips[2][690:712] = 20000
    ((strip, stop, start, missing, _),) = breaks_found(strips, gone={2: slice(690, 712)})
    assert (strip, stop, start, missing) == (2, 689, 713, 45)


def test_a_strip_of_other_film_has_no_jump() -> None:
    """Its edges show the neighbours' film nowhere, or only at a lag beyond those searched."""
    assert breaks_found(scanned({2: np.arange(N)[::-1]})) == []
    assert breaks_found(scanned({2: without(300, 1000)})) == []


def test_a_strip_whose_edges_jump_by_different_amounts_is_not_corrected() -> None:
    """Missing lines are missing over the whole width. Corrected by the mean of two different estimates, a jump would
    remain at both edges, unreported."""
    less, more = scanned({2: without(700, 738)}), scanned({2: without(700, 745)})
    more[2][:, : WIDTH // 2] = less[2][: len(more[2]), : WIDTH // 2]
    assert breaks_found(more) == []


def test_an_overlap_with_a_gap_in_its_texture_still_shows_that_a_strip_does_not_jump() -> None:
    """The end strip's only neighbour must be cleared by its other overlap. That has no texture where the jump is, but
    the same lag before and after it: two runs of windows on one piece of film."""
    whole = scanned({0: without(700, 745)})
    for k, first in ((1, PITCH - 2), (2, 0)):
        whole[k][550:900, first : first + WIDTH - PITCH + 2] = 5000
    assert breaks_found(whole) == [(0, 699, 701, 45, (1,))]
