"""Kernels: their defining properties, also for larger pixels; resolution, noise, and no ringing."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter, map_coordinates

from calib.film.interpolate import KernelScale, interpolate_window
from calib.film.kernels import CELL, DEFAULT_KERNEL, KERNELS, PHASES, axis_weights, kernel_called
from calib.film.source import StripWindow
from calib.quality import DROPOUT, OBLIQUE

SCALES = [1.0, 1.05, 1.33, 1.5, 2.7, 6.0]


def window_of(value: np.ndarray, noise: float = 1.0, systematic: float = 0.1) -> StripWindow:
    """A picture whose gaps are dropouts."""
    value = value.astype(np.float32)
    bits = np.where(np.isfinite(value), 0, DROPOUT).astype(np.uint16)
    full = (np.full(value.shape, part, np.float32) for part in (noise, systematic))
    return StripWindow(0, value, *full, bits)


def everywhere(shape: tuple[int, int], n: int, margin: float, seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    chance = np.random.default_rng(seed)
    return chance.uniform(margin, shape[0] - 1 - margin, n), chance.uniform(margin, shape[1] - 1 - margin, n)


@pytest.mark.parametrize("name", KERNELS)
@pytest.mark.parametrize("scale", SCALES)
def test_weights_sum_to_one_and_balance_about_the_place(name: str, scale: float) -> None:
    """So a plane stays a plane whatever the stretch; float32 weights balance to their own rounding."""
    weights = axis_weights(name, scale)
    away = np.arange(weights.taps) - weights.before - np.arange(PHASES + 1)[:, None] / PHASES
    values = weights.values.astype(float)
    assert np.abs(values.sum(axis=1) - 1).max() < 1e-6
    assert np.abs((values * away).sum(axis=1)).max() < 1e-6
    assert not weights.rows[:, weights.taps : weights.lanes].any()
    squares = np.tile((values**2).sum(axis=1)[:, None], (1, CELL))
    pairs = weights.rows[:, weights.lanes : weights.lanes + CELL * 2 * weights.cells]
    by_cell = pairs.reshape(len(pairs), CELL, weights.cells, 2)
    assert by_cell[..., 0].sum(axis=2) == pytest.approx(squares, rel=1e-5)
    assert by_cell[..., 1].sum(axis=2) == pytest.approx(1.0, rel=1e-5)


@pytest.mark.parametrize("scale", [1.0, 1.25, 2.0, 7.0])
def test_a_pixel_that_spans_several_samples_is_their_mean(scale: float) -> None:
    """With a sample's own width the second moment is that of the pixel, at every place: what is compared with a modern
    map is the same quantity."""
    weights = axis_weights(DEFAULT_KERNEL, scale)
    away = np.arange(weights.taps) - weights.before - np.arange(PHASES + 1)[:, None] / PHASES
    second = (weights.values.astype(float) * away**2).sum(axis=1)
    assert second + 1 / 12 == pytest.approx(scale**2 / 12, abs=2e-3)


@pytest.mark.parametrize("turn_deg", [0.0, 20.0])
def test_coarse_pixels_are_near_the_means_over_their_squares(turn_deg: float) -> None:
    """Coarse maps erred by more than sigma while their pixels held a kernel's response instead."""
    picture = gaussian_filter(np.random.default_rng(5).normal(size=(240, 240)), 1.5)
    line, sample = everywhere(picture.shape, 2000, 12)
    got = interpolate_window(window_of(picture), line, sample, KernelScale(5.0, 5.0)).value
    down, right = (5 * part.ravel() for part in np.mgrid[:20, :20] / 20 - 0.475)
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    places = line[:, None] + cos * down - sin * right, sample[:, None] + sin * down + cos * right
    mean = map_coordinates(picture, places, order=3).mean(axis=1)
    assert np.std(got - mean) < 0.06 * np.std(mean)


@pytest.mark.parametrize("correlation", [(0.5,), (0.5, 0.07), (0.2, 0.0)])
@pytest.mark.parametrize("scale", [1.0, 1.7])
def test_variance_of_correlated_noise_is_the_double_sum(scale: float, correlation: tuple[float, ...]) -> None:
    """The weights' own form w' R w, R the correlation of noise so far apart, whatever cells the taps lie in."""
    weights = axis_weights(DEFAULT_KERNEL, scale, correlation)
    apart = np.abs(np.subtract.outer(np.arange(weights.taps), np.arange(weights.taps)))
    r = np.select([apart == n for n in range(len(correlation) + 1)], (1.0, *correlation), 0.0)
    true = np.einsum("pi,ij,pj->p", weights.values.astype(float), r, weights.values.astype(float))
    pairs = weights.rows[:, weights.lanes : weights.lanes + CELL * 2 * weights.cells]
    found = pairs.reshape(len(pairs), CELL, weights.cells, 2)
    assert found[..., 0].sum(axis=2) == pytest.approx(np.tile(true[:, None], (1, CELL)), rel=1e-5)
    assert found[..., 1].sum(axis=2) == pytest.approx(1.0, rel=1e-5)


@pytest.mark.parametrize("scale", [1.0, 1.2, 2.7])
def test_variance_is_the_sum_of_squared_weights_times_that_of_each_sample(scale: float) -> None:
    """Against the plain double sum, with a variance that differs from cell to cell a hundredfold."""
    chance = np.random.default_rng(3)
    noise = (10 ** chance.uniform(-1, 1, (20, 22))).repeat(CELL, 0).repeat(CELL, 1).astype(np.float32)
    nothing = np.zeros(noise.shape, np.float32)
    window = StripWindow(0, nothing, noise, nothing, np.zeros(noise.shape, np.uint16))
    line, sample = (np.round(at * PHASES) / PHASES for at in everywhere(noise.shape, 300, 4 * scale))
    got = interpolate_window(window, line, sample, KernelScale(scale, scale)).sigma
    weights = axis_weights(DEFAULT_KERNEL, scale)
    taps = np.arange(weights.taps) - weights.before
    for k, (at, beside) in enumerate(zip(line, sample, strict=True)):
        low, left = int(at), int(beside)
        along, across = (weights.values[round((x - int(x)) * PHASES)] for x in (at, beside))
        true = (along**2) @ noise[np.ix_(low + taps, left + taps)] ** 2 @ across**2
        assert got[k] == pytest.approx(np.sqrt(true), rel=1e-4 if weights.taps <= 6 or weights.taps > 8 else 0.05)


@dataclass(frozen=True, slots=True)
class KernelFigures:
    """Effect of a kernel along one axis over all phases: response to a wave, mean and minimum; factor on variance."""

    response_mean: float
    response_least: float
    variance: float


def kernel_figures(name: str) -> KernelFigures:
    """Response to a wave at half the Nyquist frequency, and the factor on the variance of independent noise."""
    weights = axis_weights(name, 1.0)
    w = weights.values[:-1].astype(np.float64)
    away = np.arange(weights.taps) - weights.before - np.arange(PHASES)[:, np.newaxis] / PHASES
    response = np.sum(w * np.cos(np.pi / 2 * away), axis=1)
    return KernelFigures(float(response.mean()), float(response.min()), float(np.mean(np.sum(w**2, axis=1))))


@pytest.mark.parametrize(
    ("name", "mean", "least", "variance"),
    [
        ("bilinear", 0.811, 0.707, 0.667),
        ("cubic", 0.939, 0.884, 0.814),
        ("lanczos", 1.011, 1.000, 0.893),
        ("six-point", 1.000, 1.000, 0.858),
    ],
)
def test_the_figures_in_the_text_are_those_of_the_tables(name: str, mean: float, least: float, variance: float) -> None:
    """Bilinear in closed form: the mean response at half Nyquist is sinc(1/4)^2, the mean variance 2/3."""
    found = kernel_figures(name)
    assert found.response_mean == pytest.approx(mean, abs=6e-4)
    assert found.response_least == pytest.approx(least, abs=6e-4)
    assert found.variance == pytest.approx(variance, abs=6e-4)
    assert kernel_figures("bilinear").response_mean == pytest.approx(np.sinc(0.25) ** 2, abs=1e-4)


def test_the_cubic_is_that_of_its_paper() -> None:
    """Keys 1981, equation 15, half way between samples."""
    assert axis_weights("cubic", 1.0).values[PHASES // 2, :4] == pytest.approx([-1 / 16, 9 / 16, 9 / 16, -1 / 16])


def test_the_default_keeps_cubics_and_waves_at_half_nyquist_exactly() -> None:
    weights = axis_weights(DEFAULT_KERNEL, 1.0)
    place = np.arange(PHASES + 1) / PHASES
    taps = np.arange(weights.taps) - weights.before
    for signal in (lambda x: 1 + x - x**2 / 4 + x**3 / 9, lambda x: np.cos(np.pi / 2 * x + 0.7)):
        assert weights.values @ signal(taps) == pytest.approx(signal(place), abs=3e-6)
    longer = np.exp(2j * np.pi * np.linspace(0.0, 0.25, 51) * (taps - place[:, np.newaxis])[..., np.newaxis])
    off = np.abs(np.einsum("pt,ptf->pf", weights.values, longer) - 1.0)
    assert 0.0115 < off.max() < 0.0125  # 1.2 %, as the text says


@pytest.mark.parametrize("angle_deg", [0.0, 20.0, 45.0])
def test_resolution_at_half_nyquist_is_that_of_the_ideal_interpolation(angle_deg: float) -> None:
    """At least 0.98 of it: the ideal keeps a wave of a quarter cycle a sample. The cubic does not reach that."""
    line, sample = np.mgrid[:90, :90]
    angle = np.radians(angle_deg)
    at = everywhere(line.shape, 20_000, 4)

    def wave(row: np.ndarray, column: np.ndarray) -> np.ndarray:
        return np.exp(0.5j * np.pi * (row * np.sin(angle) + column * np.cos(angle)))

    kept = {}
    for name in (DEFAULT_KERNEL, "cubic"):
        parts = [
            interpolate_window(window_of(part(wave(line, sample))), *at, KernelScale(), name).value
            for part in (np.real, np.imag)
        ]
        kept[name] = np.mean((parts[0] + 1j * parts[1]) * np.conj(wave(*at))).real
    assert 0.98 < kept[DEFAULT_KERNEL] < 1.02
    assert kept["cubic"] < 0.98


@pytest.mark.parametrize("name", KERNELS)
@pytest.mark.parametrize("scale", [KernelScale(), KernelScale(1.2, 1.0), KernelScale(1.0, 2.0), KernelScale(2.5, 3.1)])
def test_the_fast_and_the_careful_way_agree_to_rounding(name: str, scale: KernelScale) -> None:
    """A bit that the interpolation ignores makes every place take the careful way."""
    picture = window_of(1 + 0.3 * np.random.default_rng(1).standard_normal((70, 80)))
    noise = np.random.default_rng(4).uniform(0.5, 2.0, picture.value.shape).astype(np.float32)
    picture = replace(picture, noise=noise)
    at = everywhere(picture.value.shape, 4000, -0.5)  # up to the outermost half sample
    slow = replace(picture, quality=np.full_like(picture.quality, OBLIQUE))
    fast, careful = (interpolate_window(one, *at, scale, name) for one in (picture, slow))
    assert np.allclose(fast.value, careful.value, rtol=0, atol=3e-6)
    assert np.allclose(fast.sigma, careful.sigma, rtol=1e-5, atol=0)
    assert not fast.quality.any()
    assert not careful.quality.any()


@pytest.mark.parametrize("name", KERNELS)
def test_noise_is_scaled_as_the_figures_say(name: str) -> None:
    """Monte Carlo: the scatter of interpolated white noise, and the sigma that is stated for it."""
    values = np.random.default_rng(6).standard_normal((400, 400))
    at = everywhere(values.shape, 200_000, 4)
    got = interpolate_window(window_of(values, systematic=0.0), *at, KernelScale(), name)
    assert float(np.var(got.value)) == pytest.approx(kernel_figures(name).variance ** 2, rel=0.03)
    assert float(np.mean(got.sigma**2.0)) == pytest.approx(kernel_figures(name).variance ** 2, rel=0.01)


@given(st.sampled_from(sorted(KERNELS)), st.integers(0, 2**32 - 1), st.floats(0.02, 0.5))
@settings(max_examples=40, deadline=None)
def test_a_value_beside_a_gap_stays_within_those_around_it(name: str, seed: int, share: float) -> None:
    """A kernel with lobes below zero and a hole in it would ring; a step of a thousand to one shows any of it."""
    chance = np.random.default_rng(seed)
    values = np.where(chance.random((30, 30)) < 0.5, 1.0, 1000.0)
    gaps = chance.random(values.shape) < share
    line, sample = everywhere(values.shape, 300, 0, seed)
    got = interpolate_window(window_of(np.where(gaps, np.nan, values)), line, sample, KernelScale(), name)
    known = np.isfinite(got.value)
    for k in np.flatnonzero(known):
        used_rows, used_columns = (taps_used(name, float(place[k]), 30) for place in (line, sample))
        taps, gone = (part[np.ix_(used_rows, used_columns)] for part in (values, gaps))
        if gone.any():
            assert taps[~gone].min() * (1 - 1e-6) <= got.value[k] <= taps[~gone].max() * (1 + 1e-6)
    assert (got.quality[~known] & DROPOUT).all()


def taps_used(name: str, place: float, n: int) -> np.ndarray:
    """The samples under a kernel, clipped to the edge."""
    weights, base = axis_weights(name, 1.0), int(np.floor(place))
    row = weights.values[round((place - base) * PHASES)]
    return np.clip(base - weights.before + np.flatnonzero(row), 0, n - 1)


def test_an_unknown_kernel_is_refused_with_a_list_of_the_known_ones() -> None:
    with pytest.raises(ValueError, match="kernel 'sinc': expected one of bilinear, cubic, lanczos, six-point"):
        kernel_called("sinc")


def test_noise_beside_a_gap_is_that_of_the_known_taps() -> None:
    """Halfway between samples with one of the inner taps missing: weights above zero only, raised to a sum of one."""
    value = np.zeros((16, 16))
    value[7, 7] = np.nan
    got = interpolate_window(window_of(value, systematic=0.0), np.array([7.5]), np.array([7.5]), KernelScale())
    weights = axis_weights(DEFAULT_KERNEL, 1.0)
    along = weights.values[PHASES // 2].astype(float)
    product = np.outer(along, along)
    product[weights.before, weights.before] = 0.0
    kept = product[product > 0]
    assert got.sigma[0] == pytest.approx(np.sqrt((kept**2).sum()) / kept.sum(), rel=1e-4)
