"""Jumps of one strip's gain, as its neighbours tell of them."""

from dataclasses import replace

import numpy as np
import pytest

from calib.tone.breaks import line_doubts, lines_in_doubt
from calib.tone.evidence import OVERLAP_KIND, PATCH_KIND
from calib.tone.model import ToneResiduals
from calib.tone.overlap import BENT, OverlapCells
from calib.tone.stretches import STRETCHES

N_LINES, N_CELLS, SIGMA = 1000, 600, 0.005


def seen(
    errors: list[np.ndarray], reversed_too: bool = False, seed: int = 5
) -> tuple[list[OverlapCells], ToneResiduals]:
    """What overlaps say of strips whose densities err by `errors` (N_LINES,) each, with noise; every second one may run
    the other way."""
    rng, found, rows = np.random.default_rng(seed), [], []
    for strip in range(len(errors) - 1):
        line = np.sort(rng.uniform(0, N_LINES - 1, N_CELLS))
        own, following = (N_LINES - 1 - line if reversed_too and k % 2 else line for k in (strip, strip + 1))
        off = errors[strip][own.astype(int)] - errors[strip + 1][following.astype(int)]
        none = np.zeros(N_CELLS)
        found.append(OverlapCells(none.astype(int), none, own, following, *(none,) * 6))
        rows.append((np.full(N_CELLS, strip), off + SIGMA * rng.standard_normal(N_CELLS)))
    strip, residual = (np.concatenate(part) for part in zip(*rows, strict=True))
    known = ToneResiduals(
        np.append(strip, 0),
        np.append(np.full(strip.size, OVERLAP_KIND), PATCH_KIND),
        np.zeros(strip.size + 1),
        np.append(residual, 9.0),  # a patch's cell is no overlap's
        np.full(strip.size + 1, SIGMA),
    )
    return found, known


def broken(at: int, size: float) -> np.ndarray:
    """What a smooth curve leaves of a jump: both ways beside it."""
    line = np.arange(N_LINES) - at
    return np.where(line < 0, -0.5, 0.5) * size * np.exp(-np.abs(line) / 30)


@pytest.mark.parametrize("reversed_too", [False, True])
def test_a_jump_is_found_in_the_strip_that_has_it_and_its_size_is_told(reversed_too: bool) -> None:
    """Both neighbours tell the same of it; they themselves are not to blame."""
    errors = [np.zeros(N_LINES) for _ in range(5)]
    errors[2] = broken(400, 0.08)
    doubts = line_doubts(*seen(errors, reversed_too), [N_LINES] * 5)
    assert [strip for strip, doubt in enumerate(doubts) if doubt.any()] == [2]
    ((first, last, size),) = lines_in_doubt(doubts[2])
    assert first < 400 < last
    assert last - first < 8 * N_LINES / STRETCHES
    assert 0.02 < size < 0.05


def test_a_jump_of_the_first_strip_may_be_its_neighbour_s() -> None:
    """One overlap alone cannot tell, so both are in doubt, and no third."""
    errors = [broken(700, 0.08), *(np.zeros(N_LINES) for _ in range(3))]
    doubts = line_doubts(*seen(errors), [N_LINES] * 4)
    assert [strip for strip, doubt in enumerate(doubts) if doubt.any()] == [0, 1]


def test_noise_and_lost_overlaps_are_no_jumps() -> None:
    """Many stretches of many strips, and none to compare with."""
    errors = [np.zeros(N_LINES) for _ in range(60)]
    overlaps, residuals = seen(errors)
    assert not np.any(line_doubts(overlaps, residuals, [N_LINES] * 60))
    none = ToneResiduals(np.zeros(0, int), np.zeros(0, int), *(np.zeros(0) for _ in range(3)))
    assert not np.any(line_doubts([None, None], none, [N_LINES] * 3))


def test_what_one_stretch_of_one_overlap_shares_is_no_jump() -> None:
    """Its cells lie on a line or two, where a place a little off moves all of them alike: a good frame was warned."""
    overlaps, residuals = seen([np.zeros(N_LINES) for _ in range(3)])
    of_seam = np.flatnonzero((residuals.strip == 1) & (residuals.kind == OVERLAP_KIND))
    there = of_seam[np.floor(overlaps[1].line / N_LINES * STRETCHES) == 9]
    assert 2.0 * np.sqrt(there.size) > 5.0  # sigma, of cells that know nothing of each other
    residuals.residual_density[there] = 2.0 * SIGMA
    assert not np.any(line_doubts(overlaps, residuals, [N_LINES] * 3))


def test_cells_that_contradict_each_other_are_no_jump() -> None:
    """At the border of a wedge, where places are a little off: half of the cells a little too dense and some far too
    thin on one line, as on a frame made by others."""
    overlaps, residuals = seen([np.zeros(N_LINES) for _ in range(3)])
    of_seam = np.flatnonzero((residuals.strip == 1) & (residuals.kind == OVERLAP_KIND))
    there = of_seam[np.floor(overlaps[1].line / N_LINES * STRETCHES) == 9]
    off = np.array([2.4, 2.0, 7.6, -11.5, 4.4, 3.1, -7.5, 2.2, 2.9, 2.3])
    residuals.residual_density[there] = np.resize(off, there.size) * SIGMA
    assert not np.any(line_doubts(overlaps, residuals, [N_LINES] * 3))


def test_what_scatters_along_a_whole_strip_is_no_jump() -> None:
    """A drift quicker than the fit's modes, or places that are wrong: on frames made by others one in five was warned
    of a jump that no strip had. One that stands out of the scatter is found all the same."""
    wave = 0.015 * np.sin(2 * np.pi * np.arange(N_LINES) / (4.3 * N_LINES / STRETCHES))
    errors = [np.zeros(N_LINES), np.zeros(N_LINES), wave, np.zeros(N_LINES), np.zeros(N_LINES)]
    assert not np.any(line_doubts(*seen(errors), [N_LINES] * 5))
    errors[2] = wave / 3 + broken(400, 0.08)
    doubts = line_doubts(*seen(errors), [N_LINES] * 5)
    assert [strip for strip, doubt in enumerate(doubts) if doubt.any()] == [2]


def test_a_jump_is_found_on_a_scene_of_which_all_cells_hold_unlike_densities() -> None:
    """What a whole overlap's cells have of bends the curves have taken up: it hides no jump."""
    errors = [np.zeros(N_LINES) for _ in range(5)]
    errors[2] = broken(400, 0.08)
    overlaps, residuals = seen(errors)
    overlaps = [replace(cells, mixed=np.full(N_CELLS, BENT)) for cells in overlaps]
    doubts = line_doubts(overlaps, residuals, [N_LINES] * 5)
    assert [strip for strip, doubt in enumerate(doubts) if doubt.any()] == [2]


def test_cells_of_unlike_densities_are_no_jump() -> None:
    """Where the scene steps by more than one in density within cells, they are placed by a mean that no sample has, and
    bends of the two curves move all of a stretch alike: good frames were warned."""
    overlaps, residuals = seen([np.zeros(N_LINES) for _ in range(3)])
    of_seam = np.flatnonzero((residuals.strip == 1) & (residuals.kind == OVERLAP_KIND))
    stretch = np.floor(overlaps[1].line / N_LINES * STRETCHES)
    residuals.residual_density[of_seam[stretch == 9]] += 0.04
    assert np.any(line_doubts(overlaps, residuals, [N_LINES] * 3))
    overlaps[1] = replace(overlaps[1], mixed=np.where(stretch == 9, BENT * 0.5, 0.0))
    assert not np.any(line_doubts(overlaps, residuals, [N_LINES] * 3))
