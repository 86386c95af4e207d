"""A strip whose samples jump as no film does is told by sharp steps, and no film nor noise is taken for it."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from calib.tone.jumping import sharp_steps, strips_that_jump

LINES, SAMPLES, NOISE = 600, 200, 150.0


def strip(seed: int, blur: float = 0.5, noise: float = NOISE) -> np.ndarray:
    """Craters' shadows with edges as sharp as a spot of half a sample shows them, on rolling ground, in 16 bits."""
    chance = np.random.default_rng(seed)
    ground = gaussian_filter(chance.standard_normal((LINES, SAMPLES)), 9)
    shadow = gaussian_filter(chance.standard_normal((LINES, SAMPLES)), 5)
    scene = 30_000 + 8_000 * ground / ground.std() - 12_000 * (shadow > 1.5 * shadow.std())
    scene = gaussian_filter(scene, blur) + noise * chance.standard_normal((LINES, SAMPLES))
    return np.clip(scene, 0, 65_535).astype(np.uint16)


def exchanged(dn: np.ndarray, one: int, other: int) -> np.ndarray:
    """With two bits of each sample in each other's place."""
    unlike = (dn >> one ^ dn >> other) & 1
    return (dn ^ (unlike << one) ^ (unlike << other)).astype(np.uint16)


def part(dn: np.ndarray, noise: float = NOISE) -> float:
    return sharp_steps(dn, np.zeros(len(dn), np.bool_), noise)


@pytest.mark.parametrize(("one", "other"), [(14, 12), (15, 13), (14, 11), (14, 13)])
def test_two_bits_exchanged_are_told_in_one_strip(one: int, other: int) -> None:
    """Its marks were not seen, it lay 13 px off, and 5,282 values of the map were wrong without a bit."""
    parts = [part(strip(seed)) for seed in range(4)]
    assert strips_that_jump([*parts, part(exchanged(strip(9), one, other))]) == [4]
    assert strips_that_jump([part(exchanged(strip(9), one, other)), parts[0]]) == [0]


def test_sharp_edges_and_noise_are_no_jumps() -> None:
    """Shadows of one strip alone, even where the spot is hardly one; a strip's noise however strong; and where all
    strips are alike nothing tells which is wrong."""
    rough, even = part(strip(1, blur=0.3)), part(np.full((LINES, SAMPLES), 9_000, np.uint16))
    assert strips_that_jump([rough, even, even]) == []
    noisy = part(strip(3, noise=5_000.0), 5_000.0)
    assert strips_that_jump([even, noisy, even]) == []
    wrong = part(exchanged(strip(9), 14, 12))
    assert strips_that_jump([wrong, wrong]) == strips_that_jump([wrong]) == []


def test_what_the_tape_lost_makes_no_steps() -> None:
    dn = strip(4)
    dn[::2] = np.random.default_rng(5).integers(0, 65_535, dn[::2].shape)
    assert sharp_steps(dn, np.arange(LINES) % 2 == 0, NOISE) < 0.01 < part(dn)
