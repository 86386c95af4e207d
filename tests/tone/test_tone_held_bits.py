"""Bits that stand still: found where the picture jumps by them, and nowhere else."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from calib.tone.held_bits import Held, bit_table, held_bits

LINES, SAMPLES = 640, 200


def ground(seed: int, middle: float = 26_000.0, spread: float = 8_000.0) -> np.ndarray:
    """A strip of rough ground with noise, in DN of 16 bits."""
    chance = np.random.default_rng(seed)
    rough = gaussian_filter(chance.standard_normal((LINES, SAMPLES)), 4)
    scene = middle + spread * rough / rough.std() + 300 * chance.standard_normal((LINES, SAMPLES))
    return np.clip(scene, 0, 65_535).astype(np.uint16)


def found_in(strips: list[np.ndarray], lost: np.ndarray | None = None) -> list[list[Held]]:
    none = np.zeros((LINES, SAMPLES), bool)
    return held_bits([bit_table(dn, none if lost is None else lost) for dn in strips])


def with_bit(dn: np.ndarray, bit: int, value: int) -> np.ndarray:
    weight = dn.dtype.type(1 << bit)
    return dn | weight if value else dn & ~weight


@pytest.mark.parametrize("value", [0, 1])
@pytest.mark.parametrize("bit", [11, 12, 13, 14])
def test_a_bit_that_stands_still_below_others_is_told_by_its_strip_alone(bit: int, value: int) -> None:
    (held,) = found_in([with_bit(ground(1, 32_000, 12_000), bit, value)])
    assert held == [Held(0, LINES, bit, value)]


def test_a_bit_that_is_held_from_some_line_on_costs_those_lines() -> None:
    dn = ground(2)
    dn[300:] = with_bit(dn[300:], 13, 1)
    ((held,),) = found_in([dn])
    assert (held.stop, held.bit, held.value) == (LINES, 13, 1)
    assert 285 <= held.first <= 300


def test_the_highest_bit_is_missed_where_others_use_it() -> None:
    """Above all that changes a bit may rest because the video does not reach so far: the other strips tell."""
    strips = [ground(seed, 15_000, 3_500) for seed in (3, 4, 5)]
    folded = [with_bit(dn, 14, 0) for dn in strips]
    assert found_in([strips[0], folded[1], strips[2]]) == [[], [Held(0, LINES, 14, 0)], []]
    assert found_in(folded) == [[], [], []]
    dark = ground(6, 6_000, 1_500)  # does not reach the bit: it has no jumps
    assert found_in([strips[0], dark, strips[2]]) == [[], [], []]


def test_coarse_steps_are_no_bits_held() -> None:
    """A converter of 12, or 7, bits in words of 16 and 8 never uses the lowest ones."""
    assert found_in([ground(7) & np.uint16(0xFFF0)]) == [[]]
    assert found_in([(ground(7) >> 8).astype(np.uint8) & np.uint8(0xFE)]) == [[]]


def test_two_even_tones_with_strokes_between_them_are_no_bits_held() -> None:
    """An even strip under dark strokes leaves bits alone as long as the readout's spot does not mix the two."""
    chance, dn = np.random.default_rng(8), np.full((LINES, SAMPLES), 8_300.0)
    dn[::40, 20:180] = 700.0
    dn[:, 50::60] = 700.0
    spotted = gaussian_filter(dn, 0.6) + 60 * chance.standard_normal(dn.shape)
    assert found_in([spotted.astype(np.uint16)] * 3) == [[], [], []]


def test_jumps_of_lines_in_which_the_bit_does_change_are_the_film_s_own() -> None:
    """Marks: two of a few lines show strokes that reach the bit. Their steps passed for jumps of lines where it rests,
    and of three narrow healthy strips a third was left out (a bug)."""
    strips, dark = [ground(seed, 15_000, 3_500) for seed in (3, 4, 5)], ground(6, 6_000, 1_500)
    line = np.arange(LINES) // 8 % 8
    dark[np.ix_(line < 2, [60, 61, 62, 130, 131, 132])] = 22_500
    assert found_in([strips[0], dark, strips[2]]) == [[], [], []]


def test_what_the_tape_lost_tells_nothing() -> None:
    """Garbage holds all bits, and jumps by all of them."""
    dn, lost = with_bit(ground(9, 32_000, 12_000), 12, 0), np.zeros((LINES, SAMPLES), bool)
    lost[::3, 40:90] = True
    dn[lost] = np.random.default_rng(1).integers(0, 65_535, lost.sum())
    assert found_in([dn], lost) == [[Held(0, LINES, 12, 0)]]
    plain = ground(10, 21_000, 400)
    plain[lost] = with_bit(dn[lost], 12, 1)
    assert found_in([plain], lost) == [[]]


def test_a_few_lines_that_the_tape_spoilt_are_no_bits_held() -> None:
    """Of a short strip they are a tenth of those looked at, and jump by the weight of a bit that it does not use."""
    dark, used = ground(11, 3_000, 400)[:160], ground(12, 15_000, 3_500)[:160]
    dark[[24, 48, 96], ::2] = 15_800
    none = np.zeros(dark.shape, bool)
    assert held_bits([bit_table(dn, none) for dn in (used, dark, used)]) == [[], [], []]
