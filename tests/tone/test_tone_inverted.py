"""Lines whose video is inverted: found where the picture turns over, and nowhere else."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from calib.tone.inverted import inverted_lines

LINES, SAMPLES = 600, 240


def ground(seed: int, contrast: float = 6_000.0, along: float = 4.0) -> np.ndarray:
    """Ground, smooth over so many lines `along` the strip, under banding and noise, in DN of 16 bits."""
    chance = np.random.default_rng(seed)
    rough = gaussian_filter(chance.standard_normal((LINES, SAMPLES)), (along, 4))
    banding = 600 * gaussian_filter(chance.standard_normal(SAMPLES), 2)
    scene = 30_000 + contrast * rough / rough.std() + banding + 500 * chance.standard_normal((LINES, SAMPLES))
    return np.clip(scene, 0, 60_000).astype(np.uint16)


@pytest.mark.parametrize(("first", "stop"), [(0, 233), (450, LINES), (201, 262), (340, 430)])
def test_inverted_lines_are_found_with_one_on_either_side(first: int, stop: int) -> None:
    dn = ground(first)
    dn[first:stop] = 60_000 - dn[first:stop]
    assert inverted_lines(dn) == ((max(first - 1, 0), min(stop + 1, LINES)),)


def test_where_most_are_inverted_the_others_are_left_out() -> None:
    """Nothing tells which are right but that they are the most."""
    dn = ground(5)
    dn[200:] = 60_000 - dn[200:]
    assert inverted_lines(dn) == ((0, 201),)


def test_one_turn_leads_to_the_other_where_the_film_changes_within_a_few_lines() -> None:
    """Of a turn between blocks that have little in common only its neighbour makes one look closer: else the good lines
    behind it would be left out with the inverted ones, or instead of them."""
    found = []
    for seed in range(10):
        dn = ground(seed, along=2.0)
        dn[200:301] = 60_000 - dn[200:301]
        found.append(inverted_lines(dn) == ((199, 302),))
    assert sum(found) >= 5


def test_healthy_ground_and_noise_are_not_inverted() -> None:
    for seed in range(12):
        assert inverted_lines(ground(seed)) == ()
        assert inverted_lines(ground(seed, 0.0)) == ()


def test_a_border_of_the_film_is_no_turn() -> None:
    """Behind it another film begins, whose shades may be opposite to those before by chance; its grain is not."""
    dn, shade = ground(7, 0.0).astype(float), np.linspace(-4_000, 4_000, SAMPLES)
    dn[:300] += shade
    dn[300:] -= shade
    assert inverted_lines(dn.astype(np.uint16)) == ()


def test_what_the_tape_lost_is_no_turn() -> None:
    """Garbage and constant lines are alike to nothing; nor do they hide a turn where lines on both sides are whole."""
    dn = ground(8)
    dn[250:262] = np.random.default_rng(1).integers(0, 60_000, (12, SAMPLES))
    dn[400:404] = 20_000
    assert inverted_lines(dn) == ()
    dn[500:] = 60_000 - dn[500:]
    dn[480] = dn[520] = 0
    assert inverted_lines(dn) == ((499, LINES),)
