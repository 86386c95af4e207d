"""Video that is clipped short of the ends that are stated, and what only looks like it."""

import numpy as np
import pytest
from memory_strip import MemoryStrip
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from calib.tone.dropout_search import find_dropouts
from calib.tone.pile_up import clipped_within

STATED = (0, 65535)


def ground(seed: int, noise: float = 30.0) -> NDArray[np.float64]:
    """A smooth scene with noise, on a scale of 12 bits."""
    chance = np.random.default_rng(seed)
    scene = gaussian_filter(chance.standard_normal((300, 240)), 30)
    scene = (scene - scene.min()) / np.ptp(scene)
    return np.asarray(900.0 + 3000.0 * scene + noise * chance.standard_normal(scene.shape))


def ends_of(dn: NDArray[np.float64]) -> tuple[int, int]:
    whole = np.clip(np.round(dn), 0, 65535).astype(np.uint16)
    return clipped_within(whole, np.bincount(whole[::3, ::3].ravel(), minlength=65536), STATED)


def with_patch(dn: NDArray[np.float64], level: float, noise: float) -> NDArray[np.float64]:
    """The same with a bright patch of one level."""
    dn[40:110, 60:180] = level + noise * np.random.default_rng(9).standard_normal((70, 120))
    return dn


def test_twelve_bits_in_sixteen_end_where_samples_pile_up() -> None:
    assert ends_of(np.minimum(with_patch(ground(1), 4080.0, 30.0), 4095)) == (0, 4095)


def test_the_low_end_is_found_alike() -> None:
    assert ends_of(np.maximum(with_patch(ground(2), 80.0, 30.0), 64)) == (64, 65535)


def test_the_low_end_is_found_where_little_of_the_dark_lies_above_it() -> None:
    """Of film darker than the end noise takes a few samples beyond it, ever fewer: they passed for a level's flank, and
    two fifths of a strip for lost by the tape (a bug)."""
    dn = ground(2)
    dn[40:240, 20:220] = 59.0 + 4.0 * np.random.default_rng(3).standard_normal((200, 200))
    assert ends_of(np.maximum(dn, 64)) == (64, 65535)


@pytest.mark.parametrize("share", [0.45, 0.6])
def test_a_strip_that_is_clipped_for_the_most_part_is_not_smooth(share: float) -> None:
    """Its clipped samples do not bend: two thirds of such strips passed for lost by the tape (a bug)."""
    dn = ground(8)
    low, high = np.quantile(dn, [share / 2, 1.0 - share / 2])
    assert ends_of(np.clip(dn, low, high)) == (round(low), round(high))


def test_what_the_tape_lost_at_the_ends_of_the_type_hides_no_pile() -> None:
    dn = np.minimum(with_patch(ground(3), 4080.0, 30.0), 4095)
    dn[[5, 150, 151]], dn[[20, 270]] = 65535, 0
    assert ends_of(dn) == (0, 4095)


@pytest.mark.parametrize("noise", [0.0, 0.1, 0.3, 0.5, 1.0, 3.0, 30.0])
@pytest.mark.parametrize("part", [-0.3, 0.0, 0.3, 0.5])
def test_a_bright_level_is_no_end_however_little_it_scatters(noise: float, part: float) -> None:
    assert ends_of(with_patch(ground(4, noise), 3880.0 + part, noise)) == STATED


@pytest.mark.parametrize("step", [4, 16, 257])
def test_coarse_steps_are_no_ends(step: int) -> None:
    assert ends_of(step * np.round(with_patch(ground(5), 3900.0, 30.0) / step)) == STATED


def test_lost_lines_of_one_value_are_no_end() -> None:
    for value in (2000.0, 3600.0, 4000.0):
        dn = ground(6)
        dn[[9, 10, 77, 201]] = value
        assert ends_of(dn) == STATED


def test_clipped_samples_are_not_taken_for_lost_ones() -> None:
    """Runs of them in a bright patch are constant, as lost samples are."""
    dn = np.minimum(with_patch(ground(7), 4110.0, 30.0), 4095)
    lost = np.round(dn).astype(np.uint16)
    lost[200] = 0
    found = find_dropouts(MemoryStrip(lost), None)
    assert found.clip == (0, 4095)
    assert found.runs.tolist() == [[200, 0, 240]]
    assert find_dropouts(MemoryStrip(lost), (0, 4000)).clip == (0, 4000)


@pytest.mark.parametrize("noise", [1.0, 1.5])
def test_eight_bits_of_little_noise_end_where_samples_pile_up(noise: float) -> None:
    """A pile of a few times what each DN before it holds was none, and all strokes were taken for constants (a bug)."""
    scene = ground(7, 0.0) * 255 / 4095
    for line in range(20, 300, 70):
        scene[line : line + 5, 30:80] = 236
    dn = gaussian_filter(scene, 0.8) + noise * np.random.default_rng(7).standard_normal(scene.shape)
    whole = np.clip(np.rint(dn), 0, 228).astype(np.uint8)
    whole[150] = 255
    found = find_dropouts(MemoryStrip(whole), None)
    assert found.clip == (0, 228)
    assert found.runs.tolist() == [[150, 0, 240]]
