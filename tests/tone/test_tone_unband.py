"""Banding out of a plain image: pattern found, pitch found, the Moon left alone."""

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d

from calib.errors import NotPossible
from calib.tone.labelled import unband_dataarray
from calib.tone.period import fold, unfold
from calib.tone.unband import Unbanded, unband


def ground(seed: int, lines: int = 400, columns: int = 600) -> np.ndarray:
    """A fractal scene, alike in both directions, with pixel noise; about 1, scatter 0.05."""
    chance = np.random.default_rng(seed)
    spectrum = np.fft.rfft2(chance.standard_normal((lines, columns)))
    k = np.hypot(np.fft.fftfreq(lines)[:, None], np.fft.rfftfreq(columns)[None])
    k[0, 0] = 1.0
    scene = np.fft.irfft2(spectrum * k**-1.4, s=(lines, columns))
    return 1 + 0.05 * scene / scene.std() + 0.02 * chance.standard_normal(scene.shape)


def banding(seed: int, columns: int, pitch: float | None) -> np.ndarray:
    """Fine banding of scatter about 0.012, repeating with a pitch or not at all."""
    chance = np.random.default_rng(seed)
    if pitch is None:
        return 0.024 * gaussian_filter1d(chance.standard_normal(columns), 1.0)
    one = gaussian_filter1d(chance.standard_normal(int(pitch) + 2), 1.5, mode="wrap")
    return 0.03 * np.interp(np.arange(columns) % pitch, np.arange(one.size), one)


def removed(image: np.ndarray, **options: object) -> Unbanded:
    found = unband(image, **options)  # type: ignore[arg-type]
    assert isinstance(found, Unbanded)
    return found


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("pitch", [None, 73.4])
def test_most_of_the_banding_goes(seed: int, pitch: float | None) -> None:
    """What is left, at the wavelengths that the Moon does not own, is less than half of what was there."""
    scene, pattern = ground(seed), banding(seed + 50, 600, pitch)
    found = removed(scene + pattern)
    fine = pattern - gaussian_filter1d(pattern, 10.0)
    left = found.pattern - pattern
    left -= gaussian_filter1d(left, 10.0)
    assert left.std() < 0.5 * fine.std()
    np.testing.assert_allclose(found.image + found.pattern, scene + pattern, atol=1e-12)
    if pitch is not None:
        assert found.period == pytest.approx(pitch, abs=0.3)


def lit_from_the_side(seed: int, lines: int = 400, columns: int = 600) -> np.ndarray:
    """Relief under a Sun that stands along the rows, with pixel noise: slopes along the lines add up to nothing over a
    row, not over a column. About 1, scatter 0.05."""
    chance = np.random.default_rng(seed)
    spectrum = np.fft.rfft2(chance.standard_normal((lines, columns)))
    k_x = np.fft.rfftfreq(columns)[None]
    k = np.hypot(np.fft.fftfreq(lines)[:, None], k_x)
    k[0, 0] = 1.0
    scene = np.fft.irfft2(1j * k_x * spectrum * k**-2.4, s=(lines, columns))
    return 1 + 0.05 * scene / scene.std() + 0.005 * chance.standard_normal(scene.shape)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_ground_that_is_not_alike_in_both_directions_is_not_taken_for_banding(seed: int) -> None:
    """What rows show of the Moon is not what columns do: up to nine tenths of the columns' variance were taken out of
    pictures without banding, and out of some with banding more than there was (frames made by others)."""
    scene, pattern = lit_from_the_side(seed), banding(seed + 50, 600, None)
    assert removed(scene).share < 0.01
    assert (removed(scene + pattern).pattern - pattern).std() < 0.8 * pattern.std()


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_an_image_without_banding_is_left_alone(seed: int) -> None:
    """Nothing is found where nothing is: less than a tenth of the pixel noise's own column means."""
    found = removed(ground(seed))
    assert found.period is None
    assert found.pattern.std() < 0.1 * 0.05


def test_a_ridge_is_kept() -> None:
    """A ridge along the columns, three times the banding, keeps 70 % of its height although nothing else tells it."""
    ridge = 0.04 * np.exp(-0.5 * ((np.arange(600) - 210) / 3.0) ** 2)
    scene, pattern = ground(9), banding(60, 600, 73.4)
    with_ridge, without = removed(scene + pattern + ridge), removed(scene + pattern)
    taken = (with_ridge.pattern - without.pattern)[200:221]
    assert np.sum(taken * ridge[200:221]) / np.sum(ridge[200:221] ** 2) < 0.3


def test_pixels_that_do_not_count_do_not_matter() -> None:
    """Masked pixels may hold anything; the result there is NaN and the pattern is the same."""
    scene = ground(5) + banding(61, 600, None)
    mask = np.ones(scene.shape, dtype=bool)
    mask[100:140, 50:400] = False
    wild = scene.copy()
    wild[~mask] = 1e9
    one, two = removed(scene, mask=mask), removed(wild, mask=mask)
    np.testing.assert_array_equal(one.pattern, two.pattern)
    assert np.isnan(one.image[~mask]).all()
    holes = np.where(mask, scene, np.nan)
    np.testing.assert_array_equal(removed(holes).pattern, one.pattern)


def test_a_given_period_is_taken() -> None:
    """The caller knows the pitch."""
    scene = ground(6) + banding(62, 600, 73.4)
    assert removed(scene, period=73.4).period == 73.4


@given(st.floats(-100, 100), st.floats(0.1, 50))
def test_level_and_gain_of_the_image_carry_through(level: float, gain: float) -> None:
    """unband(a + b x) = a + b unband(x)."""
    scene = ground(7, 120, 200) + banding(63, 200, None)
    one, two = removed(scene), removed(level + gain * scene)
    np.testing.assert_allclose(two.pattern, gain * one.pattern, atol=1e-9 * (abs(level) + gain))


@given(st.floats(13.0, 90.0), st.integers(300, 700))
def test_folding_a_repeating_profile_gives_it_back(pitch: float, n: int) -> None:
    """A smooth profile of that pitch survives folding and unfolding to the error of linear interpolation."""
    profile = np.sin(2 * np.pi * np.arange(n) / pitch)
    folded, count = fold(profile, pitch)
    assert count == pytest.approx(n / pitch)
    np.testing.assert_allclose(unfold(folded, pitch, n), profile, atol=1.2 * (2 * np.pi / pitch) ** 2 / 4)


def test_what_cannot_be_done_says_why() -> None:
    """Too small an image, and wrong arguments."""
    small = unband(np.ones((5, 5)))
    assert isinstance(small, NotPossible)
    assert "too small" in small.reason
    nothing = unband(np.full((40, 40), np.nan))
    assert isinstance(nothing, NotPossible)
    with pytest.raises(ValueError, match="two dimensions"):
        unband(np.ones(5))
    with pytest.raises(ValueError, match="mask must have the image's shape"):
        unband(np.ones((40, 40)), mask=np.ones((4, 4), dtype=bool))
    with pytest.raises(ValueError, match="period must be at least 2"):
        unband(np.ones((40, 40)), period=1.0)


def test_labelled_images_keep_their_labels() -> None:
    """Dimensions, coordinates and the axis of the banding go through the labelled form."""
    values = ground(8, 120, 200) + banding(64, 200, None)
    image = xr.DataArray(values.T, dims=("x", "y"), coords={"x": np.arange(200.0), "y": np.arange(120.0)})
    found = unband_dataarray(image, column="x")
    assert isinstance(found, xr.Dataset)
    assert found["image"].dims == ("x", "y")
    assert found["pattern"].dims == ("x",)
    np.testing.assert_array_equal(found["pattern"], removed(values).pattern)
    np.testing.assert_array_equal(found["x"], image["x"])
    with pytest.raises(ValueError, match="column must be one of"):
        unband_dataarray(image, column="z")
