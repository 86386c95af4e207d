"""Single samples that the tape lost, on film whose own points, edges and noise are none."""

import numpy as np
import pytest
from dropout_pictures import picture
from memory_strip import MemoryStrip

from calib.tone.dropout_search import find_dropouts


def video(bits: int, noise: float, chance: np.random.Generator, scene: np.ndarray) -> np.ndarray:
    """DN of a scene from 0 to 1, with columns of their own brightness as narrow banding makes them."""
    banding = 1 + 0.1 * chance.standard_normal(scene.shape[1])
    level = (0.1 + 0.7 * scene * np.clip(banding, 0.8, 1.2)) * (2**bits - 1)
    dn = np.clip(np.rint(level + noise * chance.standard_normal(scene.shape)), 0, 2**bits - 1)
    return dn.astype(np.uint8 if bits == 8 else np.uint16)


@pytest.mark.parametrize(("bits", "noise"), [(8, 0.3), (8, 1.7), (12, 30.0), (16, 400.0)])
def test_single_samples_at_the_ends_of_the_scale_are_lost(bits: int, noise: float) -> None:
    """None of them was found (a bug): each spoilt some seven pixels of the map by up to 30 of their own sigma."""
    chance = np.random.default_rng(bits)
    dn = video(bits, noise, chance, picture(chance))
    good = find_dropouts(MemoryStrip(dn), (0, 2**bits - 1)).n_lost
    line, sample = chance.integers(2, 498, 100), chance.integers(2, 198, 100)
    dn[line, sample] = np.where(chance.random(100) < 0.5, 0, 2**bits - 1)
    lost = find_dropouts(MemoryStrip(dn), (0, 2**bits - 1)).mask(0, 500)
    assert lost[line, sample].mean() > 0.85
    assert lost.sum() <= good + 100


@pytest.mark.parametrize("spot", [0.55, 0.8])
def test_what_a_spot_has_seen_is_not_lost(spot: float) -> None:
    """Points of light between samples or on them, and a side of a wedge whose lines lie a sample off in turn."""
    chance = np.random.default_rng(3)
    line, sample = np.mgrid[:500, :200].astype(float)
    scene = np.full(line.shape, 0.3)
    for y, x in zip(chance.uniform(5, 495, 300), chance.uniform(5, 150, 300), strict=True):
        near = np.s_[int(y) - 4 : int(y) + 6, int(x) - 4 : int(x) + 6]
        scene[near] += 0.6 * np.exp(-((line[near] - y) ** 2 + (sample[near] - x) ** 2) / (2 * spot**2))
    scene += 0.7 * (sample > 180 + np.arange(500)[:, np.newaxis] % 2)
    dn = video(16, 400.0, chance, np.clip(scene, 0, 1))
    assert find_dropouts(MemoryStrip(dn), (0, 65535)).n_lost == 0


def test_noise_that_is_cut_off_at_an_end_of_the_scale_is_not_lost() -> None:
    """What is clipped does not scatter: the few samples that leave the end would stand out from it."""
    chance = np.random.default_rng(5)
    dn = np.clip(np.rint(24 + 3 * chance.standard_normal((400, 200))), 30, 255).astype(np.uint8)
    assert (dn > 30).mean() < 0.05
    dn[:, 100:] = 120 + np.rint(3 * chance.standard_normal((400, 100)))
    assert find_dropouts(MemoryStrip(dn), (30, 255)).n_lost == 0
