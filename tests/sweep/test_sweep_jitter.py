"""Line jitter: found where there is some and the picture has texture, and nothing is changed elsewhere."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates

from calib.sweep.jitter import steps_in_pieces, with_jitter
from calib.sweep.model import StripSweep

STEP_MM = 0.0075
LINES, SAMPLES = 700, 300


def jittered(read, sweeps, sample_mm, threads=1):
    """The sweeps with the jitter found in them, and the largest rms jitter, px."""
    return with_jitter(read, sweeps, sample_mm, steps_in_pieces(read, [s.n_lines for s in sweeps], threads), threads)


def scan(jitter_px, seed, noise=0.02, slant=0.0, flat=None, wander=None):
    """A strip's reader and its sweep without jitter; the picture is shifted line by line by `jitter_px`."""
    rng = np.random.default_rng(seed)
    film = gaussian_filter(rng.normal(size=(LINES + 40, SAMPLES + 80)), 1.3)
    film += 3 * gaussian_filter(rng.normal(size=film.shape), 5)
    film *= 0.12 / film.std()
    line, sample = np.mgrid[0:LINES, 0:SAMPLES].astype(float)
    slow = np.zeros(LINES) if wander is None else wander
    places = [line + 20, sample + 40 + (jitter_px + slow)[:, None] + slant * (line - LINES / 2)]
    values = map_coordinates(film, places, order=3)
    if flat is not None:
        values[flat] = 0.5
    values = (values + rng.normal(0, noise, values.shape)).astype(np.float32)
    sigma = np.full(values.shape, noise, np.float32)
    zero, sigma_mm = np.zeros(SAMPLES), np.full(LINES, 0.05 * STEP_MM)
    sweep = StripSweep(
        np.arange(SAMPLES) * STEP_MM, slow * STEP_MM, np.arange(LINES) * STEP_MM, zero, sigma_mm, sigma_mm
    )
    return (lambda i, j: (values[i:j], sigma[i:j])), sweep


@pytest.mark.parametrize("seed", [1, 2])
def test_jitter_is_found_with_a_true_sigma_of_what_remains(seed):
    jitter = np.random.default_rng(100 + seed).normal(0, 0.2, LINES)
    wander = 2 * np.sin(np.arange(LINES) / 60)
    read, sweep = scan(jitter, seed, wander=wander)
    (found,), rms_px = jittered([read], [sweep], STEP_MM)
    assert rms_px == pytest.approx(0.2, rel=0.15)
    left = (found.x_line_mm - sweep.x_line_mm) / STEP_MM - jitter
    assert left.std() < 0.6 * jitter.std()
    claimed = np.sqrt(np.mean((found.sigma_x_mm / STEP_MM) ** 2))
    assert left.std() == pytest.approx(claimed, rel=0.3)
    assert np.array_equal(found.y_line_mm, sweep.y_line_mm)


@pytest.mark.parametrize("case", [{}, {"noise": 0.2}, {"slant": 0.01}, {"noise": 1e-4}])
def test_where_no_line_jitters_nothing_is_changed(case):
    for seed in range(4):
        read, sweep = scan(np.zeros(LINES), 20 + seed, **case)
        (found,), rms_px = jittered([read], [sweep], STEP_MM)
        assert found is sweep
        assert rms_px == 0.0


def test_a_short_strip_is_unchanged_if_jitter_is_significant_only_in_its_overlapping_pieces():
    read, long = scan(np.random.default_rng(0).normal(0, 0.06, LINES), 0)
    n = 140
    short = StripSweep(
        long.x_sample_mm, long.x_line_mm[:n], long.y_line_mm[:n], long.y_sample_mm, long.sigma_x_mm[:n],
        long.sigma_y_mm[:n],
    )  # fmt: skip
    (found,), rms_px = jittered([read], [short], STEP_MM)
    assert found is short
    assert rms_px == 0.0


def test_lines_keep_their_places_with_a_larger_sigma_if_their_jitter_makes_the_sweep_not_invertible():
    """Jitter cannot be represented if one axis leaks into the other by more than the inverse of a sweep allows: a frame
    with a step of the wander from line to line crashed."""
    jitter = np.random.default_rng(5).normal(0, 0.2, LINES)
    read, sweep = scan(jitter, 5)
    askew = replace(sweep, y_sample_mm=0.9 * sweep.x_sample_mm)
    (found,), rms_px = jittered([read], [askew], STEP_MM)
    assert rms_px > 0.1
    assert np.array_equal(found.x_line_mm, askew.x_line_mm)
    np.testing.assert_allclose(found.sigma_x_mm, np.hypot(askew.sigma_x_mm, rms_px * STEP_MM))
    (straight,), _ = jittered([read], [sweep], STEP_MM)
    assert np.abs(np.diff(straight.x_line_mm)).max() > 0.55 * STEP_MM


def test_lines_without_texture_stay_exactly_where_they_are():
    jitter = np.random.default_rng(7).normal(0, 0.2, LINES)
    read, sweep = scan(jitter, 3, flat=slice(300, 400))
    (found,), rms_px = jittered([read], [sweep], STEP_MM)
    assert rms_px > 0
    assert np.array_equal(found.x_line_mm[302:398], sweep.x_line_mm[302:398])
    assert np.all(found.sigma_x_mm[302:398] >= 0.9 * rms_px * STEP_MM)
    assert np.any(found.x_line_mm[:300] != sweep.x_line_mm[:300])


def test_lost_lines_stay_in_place_and_the_offsets_of_others_are_still_found():
    jitter = np.random.default_rng(8).normal(0, 0.2, LINES)
    read, sweep = scan(jitter, 4)

    def torn(i, j):
        values, sigma = (part.copy() for part in read(i, j))
        lost = (np.arange(i, j) % 50) == 7
        values[lost], sigma[lost] = np.nan, np.inf
        return values, sigma

    (found,), _ = jittered([torn], [sweep], STEP_MM)
    left = (found.x_line_mm - sweep.x_line_mm) / STEP_MM - jitter
    assert np.all(np.isfinite(found.x_line_mm))
    assert np.array_equal(found.x_line_mm[7::50], sweep.x_line_mm[7::50])
    assert left.std() < 0.65 * jitter.std()


def test_the_number_of_threads_changes_nothing():
    jitter = np.random.default_rng(9).normal(0, 0.2, LINES)
    strips = [scan(jitter, 5), scan(np.zeros(LINES), 6), scan(jitter, 7)]
    read, sweeps = [strip[0] for strip in strips], [strip[1] for strip in strips]
    (one, rms_px), (several, again_px) = (jittered(read, sweeps, STEP_MM, threads) for threads in (1, 3))
    assert rms_px == again_px > 0
    for a, b in zip(one, several, strict=True):
        assert a.x_line_mm.tobytes() == b.x_line_mm.tobytes()
        assert a.sigma_x_mm.tobytes() == b.sigma_x_mm.tobytes()
    assert one[1] is several[1] is sweeps[1]


def test_jitter_that_the_sweep_already_holds_is_not_found_again_and_the_strip_not_read_again():
    jitter = np.random.default_rng(10).normal(0, 0.2, LINES)
    read, sweep = scan(jitter, 8)
    pieces = steps_in_pieces([read], [sweep.n_lines])

    def read_again(i, j):
        raise AssertionError(f"lines {i} to {j} are read again")

    known = replace(sweep, x_line_mm=sweep.x_line_mm + jitter * STEP_MM)
    (found,), rms_px = with_jitter([read_again], [known], STEP_MM, pieces)
    assert found is known
    assert rms_px == 0.0


def test_jitter_that_begins_far_down_the_strip_is_found():
    jitter = np.random.default_rng(11).normal(0, 0.2, LINES)
    jitter[:300] = 0.0
    read, sweep = scan(jitter, 9)
    assert jittered([read], [sweep], STEP_MM)[1] > 0.0
