"""Lines that repeat the one before are lost; those alike by chance, by clipping or for want of noise are not."""

import numpy as np
import pytest
from memory_strip import MemoryStrip
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from calib.tone.dropout_copies import mark_copies
from calib.tone.dropout_search import find_dropouts


def ground(seed: int, noise: float, top: int = 65535) -> NDArray[np.unsignedinteger]:
    """A smooth scene with noise; of 8 bits where `top` is 255."""
    chance = np.random.default_rng(seed)
    scene = gaussian_filter(chance.standard_normal((160, 300)), 15)
    scene = (scene - scene.min()) / np.ptp(scene)
    dn = top * (0.2 + 0.6 * scene) + noise * chance.standard_normal(scene.shape)
    return np.round(dn).astype(np.uint8 if top == 255 else np.uint16)


def marked(dn: NDArray[np.unsignedinteger]) -> NDArray[np.bool_]:
    lost, lines = np.zeros(dn.shape, np.bool_), np.zeros(len(dn), np.bool_)
    mark_copies(dn, lost, (0, int(np.iinfo(dn.dtype).max)), lines)
    assert np.array_equal(lines, lost.any(axis=1))
    return lost


@pytest.mark.parametrize(("noise", "top"), [(300.0, 65535), (3.0, 255), (1.0, 255)])
def test_copies_are_found_whole_in_part_and_several_together(noise: float, top: int) -> None:
    dn = ground(1, noise, top)
    true = np.zeros(dn.shape, np.bool_)
    for line, first, stop in ((20, 0, 300), (50, 100, 220), (51, 0, 300), (90, 0, 300), (91, 0, 300), (92, 0, 300)):
        dn[line, first:stop] = dn[line - 1, first:stop]
        true[line, first:stop] = True
    found = marked(dn)
    assert (found & true).sum() >= 0.99 * true.sum()
    assert (found & ~true).sum() <= 12  # beside a part of a line a few samples go on by chance


@pytest.mark.parametrize("number", [5, 9, 40])
@pytest.mark.parametrize(("noise", "top"), [(300.0, 65535), (1.5, 255)])
def test_a_block_of_many_copies_is_found(noise: float, top: int, number: int) -> None:
    """Copies of one line agree with each other: they were taken for a sign that lines agree by chance."""
    dn = ground(1, noise, top)
    dn[60 : 60 + number] = dn[59]
    assert np.array_equal(np.flatnonzero(marked(dn).all(axis=1)), np.arange(60, 60 + number))


@pytest.mark.parametrize("noise", [0.0, 0.2, 0.4, 1.0, 3.0])
@pytest.mark.parametrize("seed", [2, 3])
def test_nothing_else_is_a_copy(noise: float, seed: int) -> None:
    """Not with noise far below one DN, nor where even film of one DN meets a rough scene, nor what is clipped."""
    dn = ground(seed, noise, 255)
    dn[70:110] = np.round(200 + noise * np.random.default_rng(seed).standard_normal((40, 300)))
    dn[120:140, 40:260] = dn[60:63, 40:200] = 255
    dn[115] = 90
    assert not marked(dn).any()


def test_lines_that_stand_still_without_noise_are_no_copies() -> None:
    """Where drift turns, in black sky beyond a limb, and in an even gap in which the tape lost something."""
    line, sample = np.mgrid[:160, :300]
    turning = 30000 + 40 * (sample % 7) - (2 * line - 161) ** 2 // 8
    sky = np.where(line < 40 + (sample - 150) ** 2 // 400, 900, ground(5, 0.0))
    gap, nothing = ground(5, 0.0), np.zeros((160, 300), np.bool_)
    gap[70:81] = 900
    lost = nothing.copy()
    gap[72:74], lost[72:74] = 13107, True
    assert (turning[81] == turning[80]).all()
    for dn, already in ((turning, nothing), (sky, nothing), (gap, lost)):
        found = already.copy()
        mark_copies(dn.astype(np.uint16), found, (0, 65535), np.zeros(160, np.bool_))
        assert np.array_equal(found, already)


def test_the_search_for_dropouts_names_copies() -> None:
    dn = ground(4, 300.0)
    dn[60, 30:190] = dn[59, 30:190]
    runs = find_dropouts(MemoryStrip(dn), None).runs
    assert runs.tolist() == [[60, 30, 190]]
