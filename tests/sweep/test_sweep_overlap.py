"""Overlaps of neighbouring strips: ties, and the search for the shift of a strip without marks."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates

from calib.sweep import seam, windows
from calib.sweep.model import StripSweep
from calib.sweep.overlap import search_shift
from calib.sweep.remeasure import measure_again
from calib.sweep.seam import GUARD, WINDOW_LINES, overlap_samples, overlaps
from calib.sweep.ties import COLUMNS, MOST_PARTS, measure_ties, part_bounds

STEP_MM = 0.0075
LINES, SAMPLES, OVERLAP = 480, 120, 28


def pair(shift, seed, banding=0.0, noise=0.03):
    """Readers of two strips on one film; the right one's picture lies `shift` (line, sample) px from where its sweep,
    which is returned too, puts it."""
    rng = np.random.default_rng(seed)
    film = gaussian_filter(rng.normal(size=(LINES + 80, 2 * SAMPLES + 80)), 1.2)
    film += 3 * gaussian_filter(rng.normal(size=film.shape), 6)
    film *= 0.15 / film.std()
    line, sample = np.mgrid[0:LINES, 0:SAMPLES].astype(float)
    start = SAMPLES - OVERLAP
    pictures = [
        map_coordinates(film, [line + 40, sample + 40], order=3),
        map_coordinates(film, [line + 40 - shift[0], sample + 40 + start - shift[1]], order=3),
    ]
    readers = []
    for picture in pictures:
        noisy = picture + rng.normal(0, noise, picture.shape) + banding * rng.normal(size=SAMPLES)
        sigma = np.full(noisy.shape, noise, np.float32)
        values = noisy.astype(np.float32)
        readers.append(lambda i, j, some, v=values, s=sigma: (v[i:j, some], s[i:j, some]))
    sigma_mm = np.full(LINES, 0.3 * STEP_MM)
    sweeps = [
        StripSweep(
            (np.arange(SAMPLES) + first) * STEP_MM, np.zeros(LINES), np.arange(LINES) * STEP_MM, np.zeros(SAMPLES),
            sigma_mm, sigma_mm,
        )
        for first in (0, start)
    ]  # fmt: skip
    return readers, sweeps


PX_MM = np.array([STEP_MM, STEP_MM])


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.37, -0.41), (-0.9, 0.8)])
def test_ties_give_the_shift_without_bias_and_with_true_sigmas(shift):
    readers, sweeps = pair(shift, 3)
    ties = measure_ties(readers, sweeps, PX_MM, [0])
    assert len(ties) == 3 * (LINES // 48)  # the overlap is matched in three parts of its width
    error = ties.shift - shift
    sigma = np.sqrt(np.diagonal(ties.cov, axis1=1, axis2=2))
    assert np.abs(error).max() < 0.15
    assert np.sqrt(np.mean((error / sigma) ** 2)) < 1.5
    weighted = np.sum(error / sigma**2, axis=0) / np.sum(1 / sigma**2, axis=0)
    assert np.all(np.abs(weighted) < 3.5 / np.sqrt(np.sum(1 / sigma**2, axis=0)))


def test_banding_neither_biases_ties_nor_raises_their_sigma():
    sigmas = []
    for banding in (0.0, 0.05):
        readers, sweeps = pair((0.3, 0.3), 4, banding)
        ties = measure_ties(readers, sweeps, PX_MM, [0])
        sigma = np.sqrt(np.diagonal(ties.cov, axis1=1, axis2=2))
        weighted = np.sum((ties.shift - 0.3) / sigma**2, axis=0) / np.sum(1 / sigma**2, axis=0)
        assert np.all(np.abs(weighted) < 0.04)
        sigmas.append(np.median(sigma))
    assert sigmas[1] < 1.2 * sigmas[0]


def test_the_profile_of_a_long_seam_is_estimated_from_some_rows_of_windows(monkeypatch):
    readers, sweeps = pair((0.3, 0.3), 4, banding=0.05)
    every = measure_ties(readers, sweeps, PX_MM, [0])
    monkeypatch.setattr(windows, "PROFILE_ROWS", 4)  # of ten rows every second one
    some = measure_ties(readers, sweeps, PX_MM, [0])
    off = some.profiles[0] - every.profiles[0]
    assert 0 < off.std() < 0.2 * every.profiles[0].std()
    assert len(some) == len(every)
    sigma = np.sqrt(np.diagonal(every.cov, axis1=1, axis2=2))
    assert 0 < np.abs((some.shift - every.shift) / sigma).max() < 0.7


def test_ties_lie_in_the_parts_of_the_overlap_that_they_were_matched_in():
    readers, sweeps = pair((0.3, 0.3), 4)
    ties = measure_ties(readers, sweeps, PX_MM, [0])
    first, stop = overlap_samples(*sweeps)
    bounds = first + part_bounds(stop - first, MOST_PARTS)
    by_row = [ties.sample[ties.row == row] for row in range(LINES // WINDOW_LINES)]
    assert all(len(samples) == MOST_PARTS for samples in by_row)
    for samples in by_row:
        np.testing.assert_array_equal(np.searchsorted(bounds, samples, "right") - 1, np.arange(MOST_PARTS))


def test_film_without_texture_gives_no_confident_tie():
    rng = np.random.default_rng(5)
    _, sweeps = pair((0.0, 0.0), 6)
    flat = [rng.normal(1.0, 0.03, (LINES, SAMPLES)).astype(np.float32) for _ in range(2)]
    sigma = np.full((LINES, SAMPLES), 0.03, np.float32)
    ties = measure_ties([lambda i, j, some, v=v: (v[i:j, some], sigma[i:j, some]) for v in flat], sweeps, PX_MM, [0])
    if len(ties):
        sigmas = np.sqrt(np.diagonal(ties.cov, axis1=1, axis2=2))
        assert np.sqrt(np.mean((ties.shift / sigmas) ** 2)) < 2.0
        assert np.median(sigmas) > 0.1


def searched(readers, sweeps):
    with ThreadPoolExecutor(1) as pool:
        (overlap,) = overlaps(readers, sweeps, [0], pool, 2)
    return search_shift(overlap, PX_MM)


def test_a_lost_strip_is_found_by_its_neighbours_picture_whatever_the_tone():
    readers, sweeps = pair((23.0, -6.0), 7)
    lost = StripSweep(
        sweeps[1].x_sample_mm, sweeps[1].x_line_mm, sweeps[1].y_line_mm, sweeps[1].y_sample_mm,
        np.full(LINES, 10 * STEP_MM), np.full(LINES, 10 * STEP_MM),
    )  # fmt: skip

    def other_tone(i, j, samples):
        values, sigma = readers[1](i, j, samples)
        return 3 * values + 5, 3 * sigma

    found = searched([readers[0], other_tone], [sweeps[0], lost])
    assert found is not None
    np.testing.assert_allclose(found, (23, -6), atol=1.01)


def test_no_shift_is_claimed_between_unrelated_pictures():
    readers, sweeps = pair((0.0, 0.0), 8)
    strangers, _ = pair((0.0, 0.0), 9)
    lost = StripSweep(
        sweeps[1].x_sample_mm, sweeps[1].x_line_mm, sweeps[1].y_line_mm, sweeps[1].y_sample_mm,
        np.full(LINES, 5 * STEP_MM), np.full(LINES, 5 * STEP_MM),
    )  # fmt: skip
    assert searched([readers[0], strangers[1]], [sweeps[0], lost]) is None


def unsure(sweep, sigma_px):
    """The sweep with a 1-sigma of `sigma_px` along both axes."""
    sigma_mm = np.full(LINES, sigma_px * STEP_MM)
    return replace(sweep, sigma_x_mm=sigma_mm, sigma_y_mm=sigma_mm)


@pytest.mark.parametrize("seed", [20, 21, 22])
def test_a_shift_is_found_though_coarse_texture_makes_all_places_look_alike(seed):
    readers, sweeps = pair((1.0, -7.0), seed)
    found = searched(readers, [unsure(sweep, 0.9) for sweep in sweeps])
    assert found is not None
    np.testing.assert_allclose(found, (1, -7), atol=1.01)


def test_features_across_all_strips_give_no_shift():
    _, sweeps = pair((0.0, 0.0), 23)
    rng = np.random.default_rng(23)
    bars = np.repeat(np.repeat(rng.normal(size=LINES // 24), 24)[:, None], SAMPLES, axis=1)
    bars = [(bars + rng.normal(0, 0.03, bars.shape)).astype(np.float32) for _ in range(2)]
    sigma = np.full((LINES, SAMPLES), 0.03, np.float32)
    readers = [lambda i, j, some, v=v: (v[i:j, some], sigma[i:j, some]) for v in bars]
    assert searched(readers, [unsure(sweep, 0.9) for sweep in sweeps]) is None


def test_uncertain_strips_get_no_ties_if_their_shift_is_not_found():
    readers, sweeps = pair((0.0, 0.0), 8)
    strangers, _ = pair((0.0, 0.0), 9)
    mixed = [readers[0], strangers[1]]
    assert len(measure_ties(mixed, [unsure(sweep, 3.0) for sweep in sweeps], PX_MM, [0])) == 0
    assert len(measure_ties(readers, [unsure(sweep, 3.0) for sweep in sweeps], PX_MM, [0])) > 0


@pytest.mark.parametrize("off", [(2.0, -2.0), (0.0, 9.0)])
def test_only_a_shift_beyond_the_range_of_matching_changes_its_start(monkeypatch, off):
    readers, sweeps = pair((0.0, 0.0), 8)
    sweeps, began, match = [unsure(sweep, 0.5) for sweep in sweeps], [], windows.column_profile

    def heard(pictures, blur_px, start, *rest):
        began.append(start)
        return match(pictures, blur_px, start, *rest)

    monkeypatch.setattr("calib.sweep.ties.column_profile", heard)
    monkeypatch.setattr("calib.sweep.ties.search_shift", lambda *args: np.array(off))
    measure_ties(readers, sweeps, PX_MM, [0])
    np.testing.assert_array_equal(np.unique(began[0].reshape(-1, 2), axis=0), [off if max(off) > 2 else (0, 0)])


def three_strips():
    """Readers and sweeps of three strips in a row, the last one showing other film; counts how often each sample is
    read."""
    (left, middle), sweeps = pair((0.2, 0.1), 10)
    (_, right), _ = pair((0.2, 0.1), 10)
    third = replace(sweeps[1], x_sample_mm=2 * sweeps[1].x_sample_mm - sweeps[0].x_sample_mm)
    counts = np.zeros((3, LINES, SAMPLES), int)

    def counted(strip, read):
        def call(i, j, samples):
            counts[strip, i:j, samples] += 1
            return read(i, j, samples)

        return call

    return [counted(k, read) for k, read in enumerate((left, middle, right))], (*sweeps, third), counts


def same_bytes(one, other):
    for name in COLUMNS:
        assert getattr(one, name).tobytes() == getattr(other, name).tobytes()


def test_ties_do_not_depend_on_the_number_of_threads_and_overlaps_are_read_once():
    one, several = (measure_ties(*three_strips()[:2], PX_MM, [0, 1], threads) for threads in (1, 3))
    assert set(one.strip.tolist()) == {0, 1}
    same_bytes(one, several)
    readers, sweeps, counts = three_strips()
    measure_ties(readers, sweeps, PX_MM, [0, 1])
    assert counts.max() == 1
    columns = counts.any(axis=1).sum(axis=1)
    assert np.all(counts.sum(axis=(1, 2)) == LINES * columns)
    assert np.all(columns <= (OVERLAP + 2 * GUARD) * np.array([1, 2, 1]))


def test_a_strip_scanned_the_other_way_gives_the_same_ties():
    readers, (left, right) = pair((0.3, -0.2), 15)
    turned, noise = replace(right, y_line_mm=right.y_line_mm[::-1]), np.linspace(1, 3, LINES, dtype=np.float32)

    def read_noisier(i, j, samples):
        values, sigma = readers[1](i, j, samples)
        return values, sigma * noise[i:j, None]

    def read_turned(i, j, samples):
        return tuple(part[::-1] for part in read_noisier(LINES - j, LINES - i, samples))

    ties = measure_ties([readers[0], read_noisier], (left, right), PX_MM, [0])
    other = measure_ties([readers[0], read_turned], (left, turned), PX_MM, [0])
    np.testing.assert_allclose(other.shift, ties.shift, atol=2e-3)
    np.testing.assert_allclose(other.line_right, LINES - 1 - ties.line_right, atol=2e-3)
    np.testing.assert_allclose(other.cov, ties.cov, rtol=0.02, atol=1e-6)


def test_the_sigma_of_a_tie_follows_the_noise_at_its_own_lines():
    readers, sweeps = pair((0.3, -0.2), 15)

    def measured(factor):
        def noisier(i, j, samples):
            values, sigma = readers[1](i, j, samples)
            return values, sigma * factor[i:j, None].astype(np.float32)

        return measure_ties([readers[0], noisier], sweeps, PX_MM, [0])

    partly, all_over = measured(np.where(np.arange(LINES) < LINES / 2, 1, 3)), measured(np.full(LINES, 3))
    late, late_too = (np.median(ties.cov[ties.line > 300, 0, 0]) for ties in (partly, all_over))
    early, noisy = (np.median(ties.cov[ties.line < 180, 0, 0]) for ties in (partly, all_over))
    assert late == pytest.approx(late_too, rel=0.1)
    assert noisy > 3 * early  # both strips' noise adds up: 1 + 9 to 1 + 1


def test_a_shift_does_not_depend_on_where_matching_starts():
    readers, sweeps = pair((0.3, -0.2), 12)
    moved = replace(sweeps[1], y_line_mm=sweeps[1].y_line_mm + 0.4 * STEP_MM)
    here, there = (measure_ties(readers, (sweeps[0], right), PX_MM, [0]) for right in (sweeps[1], moved))
    sigma = np.sqrt(np.diagonal(here.cov, axis1=1, axis2=2))
    assert len(here) == len(there) > 20
    assert np.abs((here.line_right - there.line_right) / sigma[:, 0]).max() < 0.25
    assert np.sqrt(np.mean(((here.line_right - there.line_right) / sigma[:, 0]) ** 2)) < 0.05


def stretched(sweep, px):
    """The sweep lengthened along the lines by `px` in total, with a 1-sigma of a twentieth of a px."""
    y_mm = sweep.y_line_mm + px * STEP_MM * (np.arange(LINES) / (LINES - 1) - 0.5)
    sigma_mm = np.full(LINES, 0.05 * STEP_MM)
    return replace(sweep, y_line_mm=y_mm, sigma_x_mm=sigma_mm, sigma_y_mm=sigma_mm)


def test_nothing_is_measured_again_if_better_sweeps_change_nothing():
    readers, (left, right) = pair((0.3, 0.2), 13)
    ties = measure_ties(readers, (left, right), PX_MM, [0])
    weight = np.ones(len(ties))
    weight[:4] = 0.1
    assert measure_again(readers, (left, right), (left, right), PX_MM, ties, weight) is None
    assert measure_again(readers, (left, stretched(right, 0.15)), (left, right), PX_MM, ties, weight) is None


def test_windows_that_were_bent_or_contradict_the_fit_are_measured_again_the_others_stay():
    readers, (left, right) = pair((0.0, 0.0), 14)
    rough = (left, stretched(right, 6.0))
    ties = measure_ties(readers, rough, PX_MM, [0])
    straight = measure_again(readers, (left, right), rough, PX_MM, ties, np.ones(len(ties)))
    assert len(straight) == 3 * (LINES // 48)
    assert np.abs(ties.shift).max() > 2
    assert np.abs(straight.shift).max() < 0.15
    moved = replace(right, y_line_mm=right.y_line_mm + 0.3 * STEP_MM)
    weight = np.where(straight.row == 4, 0.1, 1.0)
    again = measure_again(readers, (left, moved), (left, right), PX_MM, straight, weight)
    same_bytes(again.select(again.row != 4), straight.select(straight.row != 4))
    found = again.select(again.row == 4)
    assert len(found) == 3
    np.testing.assert_allclose(found.shift[:, 0], 0.3, atol=0.15)
    np.testing.assert_allclose(found.line_right, found.line, atol=0.15)


def test_one_row_of_a_long_seam_does_not_justify_another_fit(monkeypatch):
    """Ties that are measured again require a new fit of all strips, which do not depend on one row in hundreds."""
    readers, (left, right) = pair((0.0, 0.0), 14)
    ties = measure_ties(readers, (left, right), PX_MM, [0])
    moved = replace(right, y_line_mm=right.y_line_mm + 0.3 * STEP_MM)
    one, two = (np.where(ties.row < rows, 0.1, 1.0) for rows in (1, 2))
    monkeypatch.setattr("calib.sweep.remeasure.FEW", 1.5 * WINDOW_LINES / LINES)
    assert measure_again(readers, (left, moved), (left, right), PX_MM, ties, one) is None
    assert measure_again(readers, (left, moved), (left, right), PX_MM, ties, two) is not None


def test_of_a_long_seam_some_rows_are_matched_and_the_others_are_not_measured_later(monkeypatch):
    """Strips of many lines have more rows of windows than their wander has modes. A row left out must not count as a
    row without ties, or better sweeps would cause it to be measured after all."""
    readers, (left, right) = pair((0.3, 0.2), 15)
    every = measure_ties(readers, (left, right), PX_MM, [0])
    monkeypatch.setattr(seam, "MODES_MOST", 5)  # of ten rows every second one
    some = measure_ties(readers, (left, right), PX_MM, [0])
    assert set(some.row.tolist()) == {0, 2, 4, 6, 8}
    of_every = every.select(every.row % 2 == 0)
    sigma = np.sqrt(np.diagonal(of_every.cov, axis1=1, axis2=2))
    assert np.all(np.abs(some.shift - of_every.shift) < 0.5 * sigma)  # but for the profile, which fewer rows tell
    moved = replace(right, y_line_mm=right.y_line_mm + 2 * STEP_MM)
    assert measure_again(readers, (left, moved), (left, right), PX_MM, some, np.ones(len(some))) is None
