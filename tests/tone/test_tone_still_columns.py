"""Samples that stand still in all lines: left out wherever they lie and whatever they show, and no film with them."""

import numpy as np
import pytest

from calib.tone.dropouts import Dropouts, with_blocks
from calib.tone.still_columns import still_samples

LINES, SAMPLES = 700, 120
NOISE = 40.0


def strip(seed: int = 1) -> np.ndarray:
    """Film without any picture, in DN of 16 bits: only noise tells that it is seen."""
    return (20_000 + NOISE * np.random.default_rng(seed).standard_normal((LINES, SAMPLES))).astype(np.uint16)


def found(dn: np.ndarray, noise_dn: float = NOISE) -> Dropouts:
    """What is left out of samples of which the tape lost the lines 5, and 9 in part."""
    runs = np.array([[5, 0, SAMPLES], [9, 30, 50]], np.int32)
    lost = Dropouts(runs, LINES, SAMPLES, clip=(0, 65_535))
    return with_blocks(lost, still_samples(dn, lost, noise_dn))


def samples(lost: Dropouts) -> tuple[int, ...]:
    return tuple(sample for block in lost.blocks for sample in block.samples)


@pytest.mark.parametrize("still", [(40, 41, 42), (0, 1), (SAMPLES - 1,)])
def test_samples_that_stand_still_are_lost_in_all_lines(still: tuple[int, ...]) -> None:
    """They show a likely density, so nothing else tells them: 3,206 values of one map were wrong without a word."""
    dn = strip()
    dn[:, list(still)] = 20_000
    lost, before = found(dn), found(strip()).mask(0, LINES)
    assert samples(lost) == still
    before[:, list(still)] = True
    assert (lost.mask(0, LINES) == before).all()
    assert lost.whole_lines().tolist() == [line == 5 for line in range(LINES)]


def test_what_the_tape_lost_does_not_hide_them_nor_do_they_need_to_be_exact() -> None:
    dn = strip()
    dn[:, 60] = 21_000 + np.random.default_rng(2).integers(0, 3, LINES)
    dn[::17] = np.random.default_rng(3).integers(0, 65_535, (len(dn[::17]), SAMPLES))
    assert samples(found(dn)) == (60,)


def test_film_is_kept() -> None:
    """That is clipped, that stands still because rounding hides its noise, and that has less of it than most, as film
    beside the format's has where the curve is flat."""
    dn = strip()
    dn[:, 50] = 65_535
    dn[:, 70] = (20_000 + 0.5 * NOISE * np.random.default_rng(4).standard_normal(LINES)).astype(np.uint16)
    assert samples(found(dn)) == ()
    even = np.full((LINES, SAMPLES), 77, np.uint8)
    assert samples(found(even, noise_dn=0.3)) == ()
