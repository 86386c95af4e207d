"""The rivals do what they are known for: stripes go, and so do real features that run along the columns."""

import numpy as np
import pytest
from numpy.typing import NDArray

from calib.bench.stripe_filters import analysed, daubechies, mirror, moment_matched, synthesised, wavelet_fourier

# Daubechies 1988, Commun. Pure Appl. Math. 41:909, table 1: the filters of 2 and 3 vanishing moments.
PUBLISHED = {
    2: [0.482962913145, 0.836516303738, 0.224143868042, -0.129409522551],
    3: [0.332670552950, 0.806891509311, 0.459877502118, -0.135011020010, -0.085441273882, 0.035226291882],
}


@pytest.fixture(scope="module")
def scene() -> NDArray[np.float64]:
    """Blobs on a plain, with no preference for a direction; (lines, columns)."""
    chance = np.random.default_rng(5)
    line, column = np.mgrid[:420, :360]
    picture = np.zeros(line.shape)
    for y, x, width in chance.uniform((0, 0, 3), (420, 360, 25), (400, 3)):
        picture += 0.02 * chance.standard_normal() * np.exp(-0.5 * ((line - y) ** 2 + (column - x) ** 2) / width**2)
    return picture


def profile(picture: NDArray[np.float64]) -> NDArray[np.float64]:
    return picture.mean(axis=0) - picture.mean()


@pytest.mark.parametrize("moments", PUBLISHED)
def test_the_wavelets_are_the_published_ones(moments: int) -> None:
    np.testing.assert_allclose(daubechies(moments), PUBLISHED[moments], atol=1e-11)


@pytest.mark.parametrize("moments", [1, 4, 10])
def test_a_level_is_orthonormal_and_blind_to_polynomials(moments: int) -> None:
    low = daubechies(moments)
    values = np.random.default_rng(1).standard_normal((64, 5))
    smooth, detail = analysed(values, low, 0)
    np.testing.assert_allclose(synthesised(smooth, detail, low, 0), values, atol=1e-11)
    assert np.sum(smooth**2) + np.sum(detail**2) == pytest.approx(np.sum(values**2))
    k = np.arange(low.size) / low.size
    for power in range(moments):
        assert abs(np.sum(mirror(low) * k**power)) < 1e-10


@pytest.mark.parametrize("filter_", [moment_matched, wavelet_fourier])
def test_a_planted_stripe_goes(filter_, scene: NDArray[np.float64]) -> None:  # type: ignore[no-untyped-def]
    stripes = 0.05 * np.random.default_rng(2).standard_normal(scene.shape[1])
    left = profile(filter_(scene + stripes) - filter_(scene))
    assert np.std(left) < 0.15 * np.std(stripes)


@pytest.mark.parametrize("filter_", [moment_matched, wavelet_fourier])
def test_a_real_ridge_along_the_columns_goes_with_it(filter_, scene: NDArray[np.float64]) -> None:  # type: ignore[no-untyped-def]
    ridge = 0.1 * np.exp(-0.5 * ((np.arange(scene.shape[1]) - 170.0) / 3.0) ** 2)
    kept = profile(filter_(scene + ridge) - filter_(scene))
    assert np.sum(kept * (ridge - ridge.mean())) < 0.4 * np.sum((ridge - ridge.mean()) ** 2)


def test_the_wavelet_filter_leaves_what_changes_along_the_columns() -> None:
    """A dozen waves along the lines, as strong in every column as chance has it: none of that is a stripe."""
    strength = np.random.default_rng(3).standard_normal(360)
    waves = np.cos(2 * np.pi * 12 * np.arange(420) / 420)[:, None] * strength
    assert np.std(wavelet_fourier(waves) - waves) < 0.15 * np.std(waves)


def test_the_filter_is_blind_to_a_level_and_keeps_the_size(scene: NDArray[np.float64]) -> None:
    """Odd sizes are mirrored and cut again; a constant passes."""
    odd = scene[:333, :257]
    assert wavelet_fourier(odd).shape == odd.shape
    np.testing.assert_allclose(wavelet_fourier(odd + 1.5), wavelet_fourier(odd) + 1.5, atol=1e-9)
