"""Ties ignore the sharp border of the format, which each strip shows as if it lay exactly on one of its lines."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.special import ndtr

from calib.sweep.format_border import MOST_SIGMA_PX, REACH_PX, SIGMAS, without_border
from calib.sweep.model import StripSweep
from calib.sweep.remeasure import measure_again
from calib.sweep.seam import overlaps
from calib.sweep.ties import UNBOUNDED, measure_ties

STEP_MM = 0.0075
PX_MM = np.array([STEP_MM, STEP_MM])
LINES, SAMPLES, OVERLAP = 480, 120, 28
HALF, WIDE = 203.4, 22.3  # lines and samples from the film's middle to the border


def pair(shift, sigma_px=0.3, spot_px=1e-3, wide=1000.0):
    """Readers and sweeps of two strips of a film that is dark beyond lines -HALF .. HALF about its middle and samples
    -wide .. wide; the right strip's lines lie `shift` px farther down. Where the spot is a point, what a line shows is
    on either side of the border."""
    rng = np.random.default_rng(7)
    film = gaussian_filter(rng.normal(size=(LINES + 20, 2 * SAMPLES + 20)), 1.2)
    film *= 0.1 / film.std()
    line, sample = np.mgrid[0:LINES, 0:SAMPLES].astype(float)
    start = SAMPLES - OVERLAP
    readers, sweeps = [], []
    for first, down in ((0, 0.0), (start, shift)):
        y = line - (LINES - 1) / 2 + down
        x = sample + first - SAMPLES
        seen = 0.6 + map_coordinates(film, [line + 10 + down, sample + 10 + first], order=3)
        inside = np.prod([ndtr((half - np.abs(at)) / spot_px) for at, half in ((y, HALF), (x, wide))], axis=0)
        values = 0.2 + inside * seen + rng.normal(0, 0.01, line.shape)
        values, sigma = values.astype(np.float32), np.full(line.shape, 0.01, np.float32)
        readers.append(lambda i, j, some, v=values, s=sigma: (v[i:j, some], s[i:j, some]))
        sigma_mm = np.full(LINES, sigma_px * STEP_MM)
        sweeps.append(
            StripSweep(x[0] * STEP_MM, np.zeros(LINES), y[:, 0] * STEP_MM, np.zeros(SAMPLES), sigma_mm, sigma_mm)
        )
    return readers, sweeps


FORMAT_MM = 2 * WIDE * STEP_MM, 2 * HALF * STEP_MM


@pytest.mark.parametrize("shift", [0.25, 0.45])
def test_a_border_sharper_than_a_line_does_not_bias_the_ties(shift):
    """The lines of one strip lie between those of the other, so the border is up to half a line off in one of them."""
    readers, sweeps = pair(shift)
    over_sigma = []
    for format_mm in (UNBOUNDED, FORMAT_MM):
        ties = measure_ties(readers, sweeps, PX_MM, [0], format_mm=format_mm)
        near = np.abs(np.abs(ties.line - (LINES - 1) / 2) - HALF) < 24
        assert near.any()
        over_sigma.append(np.abs(ties.shift[near, 0]) / np.sqrt(ties.cov[near, 0, 0]))
    assert over_sigma[0].max() > 6  # or else the test shows nothing
    assert over_sigma[1].max() < 4


def test_repeated_measurements_of_ties_ignore_the_border_too():
    readers, sweeps = pair(0.45)
    ties = measure_ties(readers, sweeps, PX_MM, [0], format_mm=FORMAT_MM)
    stretched = replace(sweeps[1], y_line_mm=sweeps[1].y_line_mm * 1.006)
    rough = [sweeps[0], stretched]
    again = measure_again(readers, sweeps, rough, PX_MM, ties, np.ones(len(ties)), format_mm=FORMAT_MM)
    assert again is not None
    assert np.abs(again.shift[:, 0] / np.sqrt(again.cov[:, 0, 0])).max() < 4


def lost(readers, sweeps, format_mm=FORMAT_MM):
    """Mask (n, m) of the samples without signal of the overlap's left side, and their places y (n, 1) and x (m,)."""
    (overlap,) = some_overlap(readers, sweeps)
    left = without_border(overlap, format_mm, PX_MM).left_side
    assert left.values is overlap.left_side.values
    line, sample = overlap.left_corner
    (n, m), y, x = left.sigma.shape, sweeps[0].y_line_mm / STEP_MM, sweeps[0].x_sample_mm / STEP_MM
    return np.isinf(left.sigma), y[line : line + n, None], x[sample : sample + m]


def test_only_samples_that_may_show_the_border_are_left_out():
    """That includes the sides of the format where strips see them."""
    out, y, x = lost(*pair(0.0, 0.5, wide=WIDE))
    reach = REACH_PX + SIGMAS * 0.5
    np.testing.assert_array_equal(out, (np.abs(np.abs(y) - HALF) < reach) | (np.abs(np.abs(x) - WIDE) < reach))


@pytest.mark.parametrize("shift", [0.0, 0.25, 0.5])
def test_a_border_that_the_spot_spreads_is_kept_because_it_locates_the_strips(shift):
    readers, sweeps = pair(shift, spot_px=0.5)
    assert not lost(readers, sweeps)[0].any()
    ties = measure_ties(readers, sweeps, PX_MM, [0], format_mm=FORMAT_MM)
    near = np.abs(np.abs(ties.line - (LINES - 1) / 2) - HALF) < 24
    assert near.any()
    assert np.abs(ties.shift[near, 0]).max() < 0.03


def test_a_dropout_beside_the_border_does_not_hide_it():
    """A lost line is no step, and the other lines still show the border."""
    readers, sweeps = pair(0.0)
    row = int((LINES - 1) / 2 - HALF) - 2

    def read(first, stop, samples):
        values, sigma = (part.copy() for part in readers[0](first, stop, samples))
        here = np.arange(first, stop) == row
        values[here], sigma[here] = np.nan, np.inf
        return values, sigma

    before, after = lost(readers, sweeps)[0], lost([read, readers[1]], sweeps)[0]
    assert before[row].all()
    np.testing.assert_array_equal(before, after)


def test_nothing_is_left_out_if_the_border_is_not_located_or_not_there():
    """If it is not located, the border helps to place the strips; and a wrongly stated format must not cost picture."""
    assert not lost(*pair(0.0, 1.01 * MOST_SIGMA_PX, wide=WIDE))[0].any()
    assert not lost(*pair(0.0, wide=WIDE), format_mm=(FORMAT_MM[0] + 30 * STEP_MM, FORMAT_MM[1] - 60 * STEP_MM))[
        0
    ].any()


def test_a_skewed_strip_shows_the_border_on_more_lines():
    readers, sweeps = pair(0.0)
    skewed = [replace(sweep, y_sample_mm=np.linspace(-4, 4, SAMPLES) * STEP_MM) for sweep in sweeps]
    straight, other = (
        np.isinf(without_border(overlap, FORMAT_MM, PX_MM).right_side.sigma[:, 0]).sum()
        for overlap in (*some_overlap(readers, sweeps), *some_overlap(readers, skewed))
    )
    assert straight + 4 * 8 == other  # either border, on either side, by the skew of 8 px


def some_overlap(readers, sweeps):
    """The only overlap of two strips."""
    with ThreadPoolExecutor(1) as pool:
        return list(overlaps(readers, sweeps, [0], pool, 2))
