"""Matching two pictures of one ground under two Suns: as a whole, and to a fraction of a pixel with a true covariance.

The pictures are made here: a fractal relief and albedo, shaded by Lambert's law with cast shadows left out, moved by
the shift theorem. Nothing of the simulator takes part.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import fft, ndimage

from calib.errors import NotPossible
from calib.ground.match_consistent import consistent
from calib.ground.match_global import GlobalMatch, global_match
from calib.ground.match_prepare import halved, likeness, texture
from calib.ground.match_windows import assumed, by_wavelength, common_shift, learned, match, settled, spectra

SIZE = 640
FIRST_SUN = (30.0, 62.0)  # azimuth and incidence, degrees


def fractal(seed: int, fall: float) -> np.ndarray:
    f = np.hypot(fft.fftfreq(SIZE)[:, np.newaxis], fft.rfftfreq(SIZE))
    f[0, 0] = 1.0
    spectrum = fft.rfft2(np.random.default_rng(seed).normal(size=(SIZE, SIZE))) * np.maximum(f, 1 / 300) ** -fall
    spectrum[0, 0] = 0.0
    field = fft.irfft2(spectrum, s=(SIZE, SIZE))
    return field / field.std()


def ground(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Relief in pixels, slopes of some 4 degrees; logarithm of the albedo."""
    relief = fractal(seed, 1.9)
    return relief * 0.07 / np.hypot(*np.gradient(relief)).std(), 0.1 * fractal(seed + 1, 1.5)


def lit(relief: np.ndarray, log_albedo: np.ndarray, azimuth_deg: float, incidence_deg: float) -> np.ndarray:
    down, right = np.gradient(relief)
    a, i = np.radians([azimuth_deg, incidence_deg])
    to_sun = np.cos(i) - np.sin(i) * (right * np.cos(a) + down * np.sin(a))
    return np.exp(log_albedo) * np.maximum(to_sun, 0.0) / np.sqrt(1 + right**2 + down**2)


def seen(picture: np.ndarray, shift: tuple[float, float], noise: float, seed: int) -> np.ndarray:
    """A picture moved by a shift (rows, columns), blurred and noisy as a camera makes it."""
    turn = fft.fftfreq(SIZE)[:, np.newaxis] * shift[0] + fft.rfftfreq(SIZE) * shift[1]
    moved = fft.irfft2(fft.rfft2(picture) * np.exp(-2j * np.pi * turn), s=picture.shape)
    blurred = ndimage.gaussian_filter(moved, 0.8, mode="wrap")
    return blurred + noise * blurred.mean() * np.random.default_rng(seed).normal(size=picture.shape)


def pair(sun: tuple[float, float], shift: tuple[float, float], noise: float = 0.04) -> tuple[np.ndarray, np.ndarray]:
    relief, albedo = ground(5)
    return seen(lit(relief, albedo, *FIRST_SUN), (0, 0), noise, 1), seen(lit(relief, albedo, *sun), shift, noise, 2)


def cut(picture: np.ndarray, side: int = 64) -> np.ndarray:
    """Windows of a picture's texture, side by side."""
    t = texture(picture)
    at = range(32, SIZE - 32 - side + 1, side)
    return np.stack([(t.values * t.weight)[i : i + side, j : j + side] for i in at for j in at])


@pytest.mark.parametrize("sun", [(40.0, 60.0), (120.0, 55.0), (210.0, 60.0), (300.0, 30.0), (90.0, 8.0)])
def test_a_picture_is_found_in_one_of_another_sun(sun: tuple[float, float]) -> None:
    """Same side, across, opposite (relief inside out), and a high Sun that shows albedo only."""
    first, second = pair(sun, (0.0, 0.0))
    found = global_match(texture(first[200:360, 150:350]), texture(second), 600.0)
    assert isinstance(found, GlobalMatch)
    assert (found.rows, found.columns) == (200, 150)
    assert found.strength > 2
    assert np.sign(found.pattern[0]) == (-1 if sun[0] == 210.0 else np.sign(found.pattern[0]))


def test_pictures_of_different_ground_are_not_matched() -> None:
    first, _ = pair((40.0, 60.0), (0.0, 0.0))
    for seed in (20, 25, 29):
        other = seen(lit(*ground(seed), 100.0, 60.0), (0.0, 0.0), 0.04, seed)
        found = global_match(texture(first[200:360, 150:350]), texture(other), 600.0)
        assert isinstance(found, NotPossible)
        assert "clearly better than all others" in found.reason


def test_what_lies_beyond_the_search_range_is_not_found() -> None:
    first, second = pair((40.0, 60.0), (0.0, 0.0))
    part = texture(first[200:360, 150:350])
    assert not global_match(part, texture(second), 100.0)
    assert global_match(part, texture(second), 100.0, about=(230, 120))


def test_pictures_that_hardly_overlap_and_pictures_of_nothing_are_refused() -> None:
    first, second = pair((40.0, 60.0), (0.0, 0.0))
    second[:, 180:] = np.nan
    assert "hardly overlap" in global_match(texture(first[200:360, 300:500]), texture(second), 60.0, (200, 300)).reason  # type: ignore[union-attr]
    assert "shows nothing" in global_match(texture(np.full((80, 80), np.nan)), texture(second), 60.0).reason  # type: ignore[union-attr]


def test_noise_is_told_from_ground() -> None:
    first, _ = pair((40.0, 60.0), (0.0, 0.0))
    noise = 1.0 + 0.1 * np.random.default_rng(3).normal(size=(300, 300))
    assert likeness(texture(noise)) < 0.05
    assert likeness(texture(first)) > 0.2
    assert likeness(texture(np.ones((50, 50)))) == 0.0


def matched(first: np.ndarray, second: np.ndarray):  # type: ignore[no-untyped-def]
    found = spectra(cut(first), cut(second))
    result = settled(found, None, 6.0)
    assert not isinstance(result, NotPossible)
    return found, *result


@pytest.mark.parametrize("sun", [(40.0, 60.0), (120.0, 55.0), (210.0, 60.0)])
def test_windows_are_matched_to_a_fraction_of_a_pixel_with_a_true_covariance(sun: tuple[float, float]) -> None:
    """No bias beyond what chance and the taper allow; squared errors in units of their covariance are chi-square(2)."""
    truth = np.array([0.13, -0.21])
    _, _, shifts = matched(*pair(sun, tuple(truth), noise=0.04))
    assert shifts.good.mean() > 0.95
    error = shifts.shift[shifts.good] - truth
    square = np.einsum("ni,nij,nj->n", error, np.linalg.inv(shifts.covariance[shifts.good]), error)
    allowed = 0.01 + 3.5 * error.std(axis=0) / np.sqrt(len(error))
    assert (np.abs(error.mean(axis=0)) < allowed).all()
    assert np.sqrt(np.mean(error**2)) < 0.15
    assert 0.6 < np.median(square) / (2 * np.log(2)) < 1.5


def test_a_first_guess_from_the_whole_leads_to_shifts_of_several_pixels() -> None:
    """The law of direction that the whole match found is enough to start with, also inside out."""
    first, second = pair((210.0, 60.0), (3.3, -4.6))
    whole = global_match(texture(first[100:500, 100:500]), texture(second), 300.0)
    assert isinstance(whole, GlobalMatch)
    found = spectra(cut(first), cut(second))
    start = match(found, assumed(found, whole.pattern), 10.0)
    shifts = match(found, learned(found, start.shift, start.good), 10.0)
    assert shifts.good.mean() > 0.9
    assert np.median(shifts.shift[shifts.good], axis=0) == pytest.approx([3.3, -4.6], abs=0.1)


@pytest.mark.parametrize("sun", [(120.0, 55.0), (210.0, 60.0)])
def test_windows_that_are_all_off_by_the_same_do_not_teach_a_law_that_keeps_them_so(sun: tuple[float, float]) -> None:
    """Learned as if they coincided, the coherence's sign would wave with wavelength and find the error right."""
    truth = np.array([2.3, -1.8])
    first, second = pair(sun, (2.3, -1.8))
    found, _, shifts = matched(first, second)
    assert np.median(shifts.shift[shifts.good], axis=0) == pytest.approx(truth, abs=0.1)
    everyone = np.ones(len(found.cross), bool)
    assert common_shift(found, np.zeros_like(shifts.shift), everyone, 6.0) == pytest.approx(truth, abs=0.1)


def test_windows_of_different_ground_do_not_match() -> None:
    """Whatever law of coherence is assumed, what has nothing in common has no peak."""
    first, _ = pair((40.0, 60.0), (0.0, 0.0))
    other = seen(lit(*ground(31), 40.0, 60.0), (0.0, 0.0), 0.04, 3)
    found = spectra(cut(first), cut(other))
    shifts = match(found, assumed(found, (0.6, 0.3, 0.1)), 10.0)
    assert shifts.good.sum() <= 1


def test_shading_alone_moves_long_and_short_waves_alike() -> None:
    found, coherence, shifts = matched(*pair((120.0, 55.0), (0.1, 0.1)))
    long, short = by_wavelength(found, coherence, shifts)
    apart = np.hypot(*(long.shift - short.shift))
    assert apart < 0.03 + 4 * np.hypot(*np.hypot(long.sigma, short.sigma))


def test_too_few_windows_teach_nothing() -> None:
    first, second = pair((40.0, 60.0), (0.0, 0.0))
    found = spectra(cut(first)[:3], cut(second)[:3])
    result = learned(found, np.zeros((3, 2)), np.ones(3, bool))
    assert isinstance(result, NotPossible)
    assert "windows to learn from: 3, and " in result.reason


@settings(max_examples=8, deadline=None)
@given(gain=st.floats(0.01, 1e4), tilt=st.floats(-0.3, 0.3))
def test_texture_knows_nothing_of_gain_and_slow_change(gain: float, tilt: float) -> None:
    first, _ = pair((40.0, 60.0), (0.0, 0.0))
    part = first[100:220, 100:220]
    slope = 1.0 + tilt * np.linspace(-1, 1, part.shape[1])
    plain, changed = texture(part), texture(gain * slope * part)
    inner = slice(25, -25)
    assert np.allclose(changed.values[inner, inner], plain.values[inner, inner], atol=0.12)
    assert np.array_equal(texture(gain * part).weight, plain.weight)


def test_nothing_known_and_borders_without_data_weigh_nothing() -> None:
    first, _ = pair((40.0, 60.0), (0.0, 0.0))
    part = first[:200, :200].copy()
    part[:, :70] = np.nan
    part[:, 150:] = 0.0
    t = texture(part)
    assert (t.weight[:, :70] == 0).all()
    assert (t.weight[:, 153:] == 0).all()
    assert (t.weight[:, 100:120] == 1).all()
    assert np.isfinite(t.values).all()


def test_halving_takes_means_of_what_is_known() -> None:
    picture = np.arange(20.0).reshape(4, 5)
    picture[0, 0] = np.nan
    picture[2:, 2:4] = [[1.0, np.nan], [np.nan, 3.0]]
    small = halved(picture)
    assert small.shape == (2, 2)
    assert small[0, 0] == pytest.approx((1 + 5 + 6) / 3)
    assert small[0, 1] == pytest.approx((2 + 3 + 7 + 8) / 4)
    assert np.isnan(small[1, 1])


def test_the_law_that_most_shifts_follow_is_found_among_many_wrong_ones() -> None:
    random = np.random.default_rng(8)
    place = random.uniform(-500, 500, (90, 2))
    law = np.array([[2.0, -1.0], [0.004, 0.001], [-0.002, 0.006]])
    shift = np.column_stack([np.ones(90), place]) @ law + random.normal(0, 0.1, (90, 2))
    wrong = np.arange(90) % 5 < 2
    shift[wrong] += random.uniform(-8, 8, (wrong.sum(), 2))
    found = consistent(place, shift, 0.3, 2.0)
    assert not isinstance(found, NotPossible)
    far_off = np.abs(shift - np.column_stack([np.ones(90), place]) @ law).max(axis=1) > 1
    assert not found[wrong & far_off].any()
    assert found[~wrong].mean() > 0.95


def test_shifts_without_a_common_law_are_refused() -> None:
    random = np.random.default_rng(9)
    place = random.uniform(-500, 500, (60, 2))
    assert "about any one law" in consistent(place, random.uniform(-20, 20, (60, 2)), 0.5, 5.0).reason  # type: ignore[union-attr]
    assert "at least 6" in consistent(place[:5], np.zeros((5, 2)), 0.5, 5.0).reason  # type: ignore[union-attr]
    line = np.column_stack([np.arange(10.0), np.arange(10.0)])
    assert "in a line" in consistent(line, np.zeros((10, 2)), 0.5, 5.0).reason  # type: ignore[union-attr]
