"""Overlaps compare the same film in two strips: neither may be read duller than the other."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.coordinates import FilmPoints, ScanPoints
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.tone.overlap import BENT, Edge, _is_straight, _places, compare
from calib.tone.overlap_kernels import cubic_weights

LINES, SAMPLES, SAMPLE_MM = 720, 24, 0.01


@given(st.floats(0, 1))
def test_weights_between_samples_keep_a_parabola(part: float) -> None:
    """Sum one, and the first two moments about the place are zero (Keys 1981)."""
    weight = np.array(cubic_weights(np.array(part)))
    off = np.arange(-1, 3) - part
    assert weight.sum() == pytest.approx(1.0)
    assert weight @ off == pytest.approx(0.0, abs=1e-12)
    assert weight @ off**2 == pytest.approx(0.0, abs=1e-12)


def sweep(shift_samples: float, shift_lines: float) -> StripSweep:
    x = (np.arange(SAMPLES) + shift_samples) * SAMPLE_MM
    y = (np.arange(LINES) + shift_lines) * SAMPLE_MM
    zero = np.zeros(LINES)
    return StripSweep(x, zero, y, np.zeros(SAMPLES), zero, zero)


def scene(s: StripSweep) -> np.ndarray:
    """Bright and dark streaks along the lines, some samples wide, as a lens draws them."""
    x, y = s.x_sample_mm[None, :] / SAMPLE_MM, s.y_line_mm[:, None] / SAMPLE_MM
    return (1.0 + 0.3 * np.sin(2 * np.pi * x / 6.0) + 0.02 * np.sin(2 * np.pi * y / 90.0)).astype(np.float32)


def test_textured_film_half_a_sample_off_shows_no_slope_of_the_difference() -> None:
    """With linear interpolation the crests of the second strip are 13 per cent lower, and the curves bent (a bug)."""
    one, two = sweep(0.0, 0.0), sweep(0.5, 0.5)
    cells = compare(one, two, Edge(0, scene(one)), Edge(0, scene(two)))
    assert cells is not None
    slope = np.polyfit((cells.density + cells.next_density) / 2, cells.density - cells.next_density, 1)[0]
    assert abs(slope) < 0.04


def test_variance_is_shared_by_what_interpolation_leaves_of_the_noise() -> None:
    """Between samples, 0.64 squared of the variance is left; at a sample, all of it."""
    for shift, left in ((0.0, 1.0), (0.5, 0.640625**2)):
        one, two = sweep(0.0, 0.0), sweep(shift, shift)
        cells = compare(one, two, Edge(0, scene(one)), Edge(0, scene(two)))
        assert cells is not None
        assert np.allclose(cells.own_share, 1 / (1 + left), atol=1e-6)


def test_a_cell_says_how_unlike_the_densities_are_that_it_holds() -> None:
    """Their variance: where film steps by 1.2 in density a cell of which half lies beyond the step has 0.36."""
    one, two = sweep(0.0, 0.0), sweep(0.0, 0.25)
    pictures = [np.where(s.y_line_mm < 252.5 * SAMPLE_MM, 0.3, 1.5)[:, None] * np.ones(SAMPLES) for s in (one, two)]
    cells = compare(one, two, *(Edge(0, each.astype(np.float32)) for each in pictures))
    assert cells is not None
    stepped = (cells.line > 240) & (cells.line < 265)
    assert np.all(np.abs(cells.mixed[stepped] - 0.36 * BENT) < 0.03 * BENT)
    assert np.all(cells.mixed[~stepped] < 1e-6)


def test_film_near_the_end_of_a_span_shows_no_difference() -> None:
    """Samples that noise took beyond the end stay in the mean: cut off in one strip only, they moved it (a bug)."""
    chance = np.random.default_rng(4)
    one, two = sweep(0.0, 0.0), sweep(0.0, 0.0)
    noisy = [(1.0 + 0.05 * chance.standard_normal((LINES, SAMPLES))).astype(np.float32) for _ in range(2)]
    cells = compare(one, two, Edge(0, noisy[0], (0.0, 1.03)), Edge(0, noisy[1], (0.0, 1.2)))
    assert cells is not None
    error = 0.05 * 2**0.5 / np.sqrt(LINES * SAMPLES)
    assert abs(np.mean(cells.density - cells.next_density)) < 4 * error


def test_cells_beyond_a_span_are_left_out() -> None:
    one, two = sweep(0.0, 0.0), sweep(0.0, 0.0)
    cells = compare(one, two, Edge(0, scene(one), (0.9, 1.1)), Edge(0, scene(two)))
    assert cells is not None
    assert 0.9 <= cells.density.min() <= cells.density.max() <= 1.1
    assert compare(one, two, Edge(0, scene(one), (3.0, 4.0)), Edge(0, scene(two))) is None


@pytest.mark.parametrize("columns", [13, 14, 16])
@pytest.mark.parametrize("axis", ["x_sample_mm", "y_sample_mm"])
@pytest.mark.parametrize("bent", [0, 1])
@pytest.mark.parametrize("bend_samples", [0.004, 0.4])
def test_places_between_nodes_are_where_the_sweeps_put_them(
    bend_samples: float, bent: int, axis: str, columns: int
) -> None:
    """Over lines that jitter, skewed, to a fiftieth of a sample; where a sweep bends between nodes, to the last bit."""
    jitter = 0.15 * SAMPLE_MM * np.random.default_rng(5).standard_normal(LINES)
    bend = bend_samples * SAMPLE_MM * np.sin(2 * np.pi * np.arange(SAMPLES) / 12)
    one, two = sweep(0.0, 0.0), sweep(0.37, 2.2)
    one = replace(one, x_line_mm=jitter, y_sample_mm=0.02 * (one.x_sample_mm - one.x_sample_mm.mean()))
    two = replace(two, x_line_mm=jitter[::-1])
    pair = [one, two]
    pair[bent] = replace(pair[bent], **{axis: getattr(pair[bent], axis) + bend})
    one, two = pair
    lines, samples = np.arange(10, LINES - 10, 7), np.arange(5, 5 + columns)
    found = _places(one, two, lines, samples)
    film = to_film(one, ScanPoints(lines[:, None].astype(float), samples[None, :].astype(float)))
    true = to_scan(two, FilmPoints(film.x_mm, film.y_mm))
    off = max(np.abs(found.line - true.line).max(), np.abs(found.sample - true.sample).max())
    assert off < 0.02 if bend_samples < 0.1 else off == 0.0
    assert _is_straight(pair[bent]) == (bend_samples < 0.1)


@pytest.mark.parametrize("at", [0, 1, 9, SAMPLES - 2, SAMPLES - 1])
def test_a_sweep_that_bends_anywhere_is_not_straight(at: int) -> None:
    """A single sample out of line; nodes may lie anywhere, and overlaps are at the ends of a sweep."""
    straight = sweep(0.0, 0.0)
    off = np.where(np.arange(SAMPLES) == at, 0.02 * SAMPLE_MM, 0.0)
    assert _is_straight(straight)
    assert not _is_straight(replace(straight, x_sample_mm=straight.x_sample_mm + off))
    assert not _is_straight(replace(straight, y_sample_mm=straight.y_sample_mm + off))
