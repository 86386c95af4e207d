"""Whole lines lost in turn with good ones: what is left between them is kept."""

import numpy as np
import pytest
from dropout_pictures import bright, picture
from memory_strip import MemoryStrip

from calib.tone.dropout_lines import lines_lost
from calib.tone.dropout_search import find_dropouts

LINES = np.arange(500)
MIDDLE = (LINES >= 100) & (LINES < 400)
Dn = np.ndarray


def film(bits: int, noise: float) -> tuple[Dn, np.random.Generator]:
    """A strip of sharp scenery, and chance that goes on."""
    chance = np.random.default_rng(bits)
    scene, top = picture(chance), 2**bits - 1
    dn = np.clip(np.rint(scene * 0.9 * top + noise * chance.standard_normal(scene.shape)), 0, top)
    return dn.astype(np.uint8 if bits == 8 else np.uint16), chance


@pytest.mark.parametrize(("bits", "noise"), [(8, 1.5), (12, 40.0), (16, 900.0)])
@pytest.mark.parametrize("value", ["zero", "grey", "one each", "garbage"])
@pytest.mark.parametrize(
    "lost",
    [MIDDLE & (LINES % 2 == 0), LINES % 2 == 0, MIDDLE & (LINES % 3 > 0), LINES % 3 > 0, LINES % 3 == 0],
    ids=["half of a stretch", "half of all", "two thirds of a stretch", "two thirds of all", "a third of all"],
)
def test_good_lines_between_lost_ones_are_kept(bits: int, noise: float, value: str, lost: Dn) -> None:
    """Lost lines are those that good ones were compared with: of the good ones up to all were lost too."""
    dn, chance = film(bits, noise)
    top, n = 2**bits - 1, int(lost.sum())
    dn[lost] = {
        "zero": 0,
        "grey": top // 3,
        "one each": chance.integers(0, top + 1, (n, 1)),
        "garbage": chance.integers(0, top + 1, (n, dn.shape[1])),
    }[value]
    found = find_dropouts(MemoryStrip(dn), (0, top)).mask(0, len(dn))
    assert found[lost].mean() >= 0.995
    assert found[~lost].mean() <= 0.002


def test_film_without_noise_is_of_one_value_in_many_lines() -> None:
    """Each line of an even wedge is, one value after the other: that is no loss, for its neighbours hardly vary."""
    levels = np.repeat(np.arange(60, 120, 5), 3)
    dn = np.repeat(levels[:, np.newaxis], 160, axis=1).astype(np.uint8)
    dn[::4, 80:] += 1
    assert not lines_lost(dn).any()


def test_a_clipped_patch_is_of_one_value() -> None:
    """It is higher than the few lines that count as lost."""
    dn = bright(np.random.default_rng(8), 50_000.0, 600.0)
    dn[100:108] = 65535
    assert not lines_lost(dn).any()


def test_noise_alone_is_no_garbage() -> None:
    """Its steps are a fifth of the strip's range too, but all lines are alike."""
    dn = np.rint(8 + 1.0 * np.random.default_rng(3).standard_normal((400, 160))).astype(np.uint8)
    assert not lines_lost(dn).any()


def test_a_line_that_is_garbage_in_part_is_left_to_the_search() -> None:
    """The good part of it is not to be lost."""
    dn, chance = film(16, 150.0)
    dn[250, :140] = chance.integers(0, 65536, 140)
    assert not lines_lost(dn).any()
    found = find_dropouts(MemoryStrip(dn), (0, 65535)).mask(250, 251)[0]
    assert found[:140].all()
    assert not found[142:].any()


@pytest.mark.parametrize("n_lines", [1, 2, 3])
@pytest.mark.parametrize("share", [0.06, 0.5, 0.7])
def test_lines_lost_beside_clipped_film_are_lost(n_lines: int, share: float) -> None:
    """Film that is clipped in much of a line is not clipped in all of it for two lines, and then as before."""
    dn = bright(np.random.default_rng(5), 40_000.0, 600.0)
    dn[:, : round(share * dn.shape[1])] = 65535
    dn[100 : 100 + n_lines] = 65535
    found = find_dropouts(MemoryStrip(dn), (0, 65535)).mask(0, 300)
    assert found[100 : 100 + n_lines].all()
    assert found.sum() == n_lines * dn.shape[1]


def test_where_the_film_is_clipped_altogether_nothing_is_lost() -> None:
    """A burnt-out slope that reaches an edge: its border runs over many lines."""
    line, sample = np.mgrid[:300, :150].astype(float)
    level = 85_000 - 500 * np.abs(line - 150) - 100 * sample
    dn = np.clip(level + 600 * np.random.default_rng(7).standard_normal(level.shape), 0, 65535).astype(np.uint16)
    assert (dn == 65535).all(axis=1).sum() > 10
    assert find_dropouts(MemoryStrip(dn), (0, 65535)).mask(0, 300).mean() <= 0.0005
