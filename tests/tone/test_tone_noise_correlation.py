"""How noise hangs together: against noise whose correlation is known in closed form."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from calib.tone.cell_kernels import NOTHING, neighbours
from calib.tone.cells import FOG_BLOCK, blocks_of, gather_cells
from calib.tone.noise_correlation import correlations, pooled_correlations, raised_by_cubic, shared_by_strips

LINES, SAMPLES = 36, 300


def strip_of_patches(spot: tuple[float, float], seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """DN, labels and columns' means of two patches: grain under a Gaussian spot, banding, lines that are off."""
    chance = np.random.default_rng(seed)
    noise = gaussian_filter(chance.standard_normal((2 * LINES, SAMPLES)), spot, mode="wrap")
    dn = 2000.0 + 40.0 * noise / noise.std()
    dn += chance.normal(0.0, 100.0, SAMPLES) + chance.normal(0.0, 20.0, (2 * LINES, 1))
    label = np.repeat([0, 1], LINES)[:, np.newaxis].repeat(SAMPLES, 1).astype(np.int16)
    label[:, :20] = NOTHING
    rounded = np.round(dn).astype(np.uint16)
    return rounded, label, np.stack([rounded[label[:, 50] == patch].mean(axis=0) for patch in (0, 1)])


@pytest.mark.parametrize("spot", [(0.6, 0.6), (0.0, 0.0), (0.5, 0.8)], ids=["round", "none", "oval"])
def test_noise_under_a_spot_hangs_together_as_the_spot_with_itself(spot: tuple[float, float]) -> None:
    """The correlation of white noise under a spot is the spot's own autocorrelation."""
    found = []
    for seed in range(6):
        dn, label, mean = strip_of_patches(spot, seed)
        found.append(correlations(*neighbours(dn, np.arange(2 * LINES), label, mean, np.full(2, 1000.0))))
    along, across = pooled_correlations(found)
    for seen, s in zip((along, across), spot, strict=True):
        kernel = gaussian_filter(np.eye(1, 31, 15)[0], s) if s else np.eye(1, 31, 15)[0]
        both = np.correlate(kernel, kernel, "full")
        assert seen == pytest.approx(both[31:33] / both[30], abs=0.03)


@pytest.mark.parametrize("lines", [5, 12, 30])
@pytest.mark.parametrize("spot", [0.0, 0.6, 1.0])
def test_a_patch_s_scatter_is_that_of_its_samples_however_they_hang_together(spot: float, lines: int) -> None:
    """Its columns' means take the more of noise the more that hangs together: under a spot of one sample sigma came
    out a tenth too small (a bug)."""
    found = []
    for seed in range(6):
        chance = np.random.default_rng(seed)
        noise = gaussian_filter(chance.standard_normal((400, SAMPLES)), spot, mode="wrap") if spot else None
        noise = chance.standard_normal((400, SAMPLES)) if noise is None else noise / noise.std()
        dn = np.round(2000.0 + 40.0 * noise[: 2 * lines] + chance.normal(0.0, 100.0, SAMPLES)).astype(np.uint16)
        label = np.repeat([0, 1], lines)[:, np.newaxis].repeat(SAMPLES, 1).astype(np.int16)
        known, every = SimpleNamespace(n_patches=2), np.arange(2 * lines)
        whole = np.zeros((2 + 1 + every[-1] // FOG_BLOCK, SAMPLES, 2), dtype=np.int64)
        _, patches = gather_cells(dn, every, label, known, blocks_of(every), whole)  # type: ignore[arg-type]
        found.append(np.square(patches.scatter_dn))
    # of five lines under so wide a spot hardly one is left to tell
    assert np.sqrt(np.mean(found)) == pytest.approx(40.0, rel=0.05 if lines > 5 else 0.12)


@pytest.mark.parametrize("lines", [4, 7])
@pytest.mark.parametrize("spot", [0.0, 0.6, 0.9])
def test_patches_of_a_few_lines_tell_how_noise_hangs_together(lines: int, spot: float) -> None:
    """Thirty patches of twelve lines have seven each that are clear of their edges: they were taken to tell nothing,
    noise for independent, and sigma of the whole map came out 1.65 times too small (a bug)."""
    chance = np.random.default_rng(lines)
    noise = chance.standard_normal((60, lines + 20, SAMPLES))
    dn = (2000 + 40 * (gaussian_filter(noise, (0, spot, spot)) if spot else noise))[:, 10:-10].reshape(-1, SAMPLES)
    label = np.repeat(np.arange(60), lines)[:, np.newaxis].repeat(SAMPLES, 1).astype(np.int16)
    mean = np.array([dn[patch * lines :][:lines].mean(axis=0) for patch in range(60)])
    found = correlations(*neighbours(dn, np.arange(len(dn)), label, mean, np.full(60, 1000.0)))
    kernel = gaussian_filter(np.eye(1, 31, 15)[0], spot) if spot else np.eye(1, 31, 15)[0]
    both = np.correlate(kernel, kernel, "full")
    along, across = pooled_correlations([found])
    assert along == pytest.approx(both[31:33] / both[30], abs=0.07)  # what is three lines apart hangs together a little
    assert across == pytest.approx(both[31:33] / both[30], abs=0.03)


def test_patches_too_low_to_tell_it_are_seen_by_a_spot_as_long_as_wide() -> None:
    low = correlations(np.array([[2.0, -0.4, np.nan, 1.2, 0.4]]), np.array([3.0]))
    assert pooled_correlations([low]) == ((0.6, 0.2), (0.6, 0.2))


def test_lines_that_do_not_follow_each_other_are_no_neighbours() -> None:
    dn, label, mean = strip_of_patches((0.8, 0.8), 1)
    every = np.arange(2 * LINES)[::3]
    product, lines = neighbours(dn, every, label[every], mean, np.full(2, 1000.0))
    assert np.isnan(product[:, 1:3]).all()
    assert np.isfinite(product[:, [0, 3, 4]]).all()
    assert lines == pytest.approx(LINES / 3)


def test_patches_that_tell_nothing_make_independent_noise() -> None:
    unknown = correlations(np.ones((2, 5)), np.array([1.0, 0.0]))
    assert np.isnan(unknown).all()
    assert pooled_correlations([unknown]) == ((0.0, 0.0), (0.0, 0.0))
    assert pooled_correlations([]) == ((0.0, 0.0), (0.0, 0.0))


def test_cubic_interpolation_keeps_more_of_noise_that_hangs_together() -> None:
    """Against SciPy's cubic-free route: the weights applied to long noise under a spot."""
    noise = gaussian_filter(np.random.default_rng(5).standard_normal(400_000), 0.7)
    white = np.random.default_rng(6).standard_normal(400_000)
    places = np.arange(10, 399_000) + np.arange(398_990) % 16 / 16

    def keys(d: np.ndarray) -> np.ndarray:
        d = np.abs(d)
        near, far = (1.5 * d - 2.5) * d * d + 1, ((-0.5 * d + 2.5) * d - 4) * d + 2
        return np.where(d < 1, near, np.where(d < 2, far, 0.0))

    def kept(of: np.ndarray) -> float:
        low = np.floor(places).astype(int)
        value = sum(keys(places - low - n) * of[low + n] for n in (-1, 0, 1, 2))
        return float(np.var(value) / np.var(of))

    correlation = tuple(float(np.mean(noise[n:] * noise[:-n]) / np.var(noise)) for n in (1, 2))
    assert raised_by_cubic(correlation) == pytest.approx(kept(noise) / kept(white), abs=0.02)
    assert raised_by_cubic((0.0, 0.0)) == 1.0


@pytest.mark.parametrize("shared", [0.0, 0.4, 0.9])
def test_what_two_strips_share_is_read_off_the_scatter_of_their_difference(shared: float) -> None:
    chance = np.random.default_rng(7)
    common, *own = chance.standard_normal((3, 40, 5000))
    one, two = (np.sqrt(shared) * common + np.sqrt(1 - shared) * each for each in own)
    scatter = np.std(0.03 * one - 0.02 * two, axis=1)
    assert shared_by_strips(scatter, np.full(40, 0.03**2), np.full(40, 0.02**2)) == pytest.approx(shared, abs=0.02)


def test_texture_that_lies_apart_in_two_strips_makes_nothing_shared() -> None:
    assert shared_by_strips(np.full(5, 0.2), np.full(5, 0.01), np.full(5, 0.01)) == 0.0
    assert shared_by_strips(np.zeros(0), np.zeros(0), np.zeros(0)) == 0.0
