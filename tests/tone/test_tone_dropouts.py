"""Dropouts: all of what the tape lost, next to none of what it did not."""

import numpy as np
import pytest
from dropout_pictures import bright, picture
from memory_strip import MemoryStrip
from scipy.ndimage import gaussian_filter

from calib.tone import dropout_kernels as kernels
from calib.tone.dropout_blocks import mark_clipped_blocks
from calib.tone.dropout_search import _levels, find_dropouts
from calib.tone.dropouts import Dropouts


def spoilt(dn: np.ndarray, chance: np.random.Generator, top: int) -> tuple[np.ndarray, np.ndarray]:
    """A strip of DN up to `top` with whole lines, part lines and a block lost, and the mask of what was lost."""
    lost = np.zeros(dn.shape, dtype=bool)
    runs = [(77, 0, 200, 0), (120, 0, 200, top), (121, 0, 200, top), (150, 30, 190, top // 3), (260, 50, 120, -1)]
    runs += [(300, 0, 200, -1), (333, 100, 200, top // 2), (334, 100, 200, top // 2)]
    runs += [(line, 0, 200, -1) for line in range(400, 424)]
    for line, first, stop, value in runs:
        dn[line, first:stop] = chance.integers(0, top + 1, stop - first) if value < 0 else value
        lost[line, first:stop] = True
    return dn, lost


@pytest.mark.parametrize(
    ("bits", "noise", "falling"),
    [(8, 1.5, False), (8, 5.0, True), (12, 40.0, True), (12, 60.0, False), (16, 150.0, True), (16, 900.0, False)],
)
def test_lost_samples_are_flagged_and_good_ones_are_not(bits: int, noise: float, falling: bool) -> None:
    """99.5 % of the lost samples flagged, 0.05 % of the good ones: the goals, on sharp scenery of both polarities."""
    chance = np.random.default_rng(bits + int(noise))
    scene = picture(chance)
    top = 2**bits - 1
    level = (1 - scene if falling else scene) * 0.9 * top
    dn = np.clip(np.rint(level + noise * chance.standard_normal(scene.shape)), 0, top)
    dn, lost = spoilt(dn.astype(np.uint8 if bits == 8 else np.uint16), chance, top)
    found = find_dropouts(MemoryStrip(dn), (0, top)).mask(0, len(dn))
    assert found[lost].mean() >= 0.995
    assert found[~lost].mean() <= 0.0005


def edges(chance: np.random.Generator, bits: int, over: float) -> np.ndarray:
    """Film that is bright in 20 of every 40 lines, (400, 240): it begins within one line, which passes it by a part
    `over` of the edge's height, as cubic resampling makes it, and ends in one halfway."""
    line = np.arange(400) % 40
    level = np.where((line >= 10) & (line < 30), 0.80, 0.20)
    level[line == 10] += 0.6 * over
    level[line == 9] -= 0.6 * over
    level[line == 30] = 0.5
    scene = level[:, np.newaxis] + 0.01 * chance.standard_normal((400, 240))
    return np.rint(scene * (2**bits - 1)).astype(np.uint8 if bits == 8 else np.uint16)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("over", [0.0, 0.02, 0.04])
def test_an_edge_across_the_strip_is_no_dropout(bits: int, over: float) -> None:
    """A format's edge within one line, or one that a resampled strip passes, though it is all the strip's range."""
    dn = edges(np.random.default_rng(bits), bits, over)
    assert find_dropouts(MemoryStrip(dn), (0, 2**bits - 1)).n_lost == 0


def test_quiet_film_of_few_dn_is_equal_along_a_line_beside_edges_without_being_lost() -> None:
    """Of even film whose noise rounding to 8 bits hides, 8 to 32 samples beside an edge were equal, and taken for a
    constant (a bug): 0.4 DN of noise, edges of 10 DN as a spot blurs them and a strip that lies a little askew."""
    chance = np.random.default_rng(4)
    line, sample = np.mgrid[:400, :240].astype(float)
    place = line + 0.01 * (sample - 120)
    edge = 20 + 32.37 * np.arange(12)
    level = 60 + 10 * np.sum([(-1) ** k / (1 + np.exp(1.7 * (at - place))) for k, at in enumerate(edge)], axis=0)
    dn = np.rint(level + 0.4 * chance.standard_normal(level.shape)).astype(np.uint8)
    assert find_dropouts(MemoryStrip(dn), (0, 255)).n_lost <= 0.0005 * dn.size
    dn[150, 40:90] = dn[220, 200:] = 90
    found = find_dropouts(MemoryStrip(dn), (0, 255)).mask(0, 400)
    assert found[150, 40:90].mean() > 0.95
    assert found[220, 200:].all()


@pytest.mark.parametrize("bits", [8, 16])
def test_what_is_lost_at_an_edge_is_found(bits: int) -> None:
    """Garbage and constants in the lines on either side of an edge, one of them or both."""
    chance = np.random.default_rng(bits)
    dn, top = edges(chance, bits, 0.02), 2**bits - 1
    lost = np.zeros(dn.shape, dtype=bool)
    for first, stop in ((9, 10), (50, 51), (89, 91), (129, 130), (170, 172)):
        lost[first:stop] = True
        dn[first:stop] = chance.integers(0, top + 1, (stop - first, 240))
    for line, value in ((209, top), (250, 0), (289, top // 2), (330, top // 3)):
        lost[line, 60:200] = True
        dn[line, 60:200] = value
    found = find_dropouts(MemoryStrip(dn), (0, top)).mask(0, len(dn))
    assert found[lost].mean() >= 0.995
    assert found[~lost].mean() <= 0.0005


def test_a_shadow_clipped_to_black_is_no_dropout() -> None:
    """Deep shadow and burnt-out slopes are constant too; they have ragged edges and no rectangle's corners."""
    chance = np.random.default_rng(3)
    line, sample = np.mgrid[:400, :200].astype(float)
    level = 60 + 90 * np.sin(line / 30 + np.sin(sample / 20)) + 60 * np.cos(sample / 33)
    dn = np.clip(np.rint(level + 1.0 * chance.standard_normal(level.shape)), 0, 255).astype(np.uint8)
    assert (dn == 0).mean() > 0.1
    assert find_dropouts(MemoryStrip(dn), (0, 255)).mask(0, 400).mean() <= 0.0005


def rough(chance: np.random.Generator) -> np.ndarray:
    """Film under a low Sun, (400, 300) of 14 bits: rough from line to line, and nowhere near an end."""
    light = gaussian_filter(chance.standard_normal((400, 300)), 1.0)
    return np.rint(500.0 + 14000.0 / (1.0 + np.exp(-1.5 * light / light.std()))).astype(np.uint16)


@pytest.mark.parametrize("value", [0, 16383])
def test_part_lines_of_an_end_that_no_film_comes_near_are_lost_however_rough_the_film(value: int) -> None:
    """The film beside them did not stand out from its own roughness: they passed for clipped film, and about them the
    map was up to three hundred times too bright without a bit (a bug)."""
    dn = rough(np.random.default_rng(4))
    lost = np.zeros(dn.shape, dtype=bool)
    lost[90:92, :260] = lost[200:204, 40:215] = lost[333:336, 225:] = True
    dn[lost] = value
    found = find_dropouts(MemoryStrip(dn), (0, 16383)).mask(0, len(dn))
    assert found[lost].mean() > 0.99
    assert found[~lost].mean() < 0.001


@pytest.mark.parametrize("is_upward", [True, False])
def test_film_that_is_clipped_amid_rough_film_is_not_lost(is_upward: bool) -> None:
    """It comes back from the end: what lies beside it is nearer to the end than most film of the strip."""
    line, sample = np.mgrid[:400, :300]
    hill = 40000.0 * np.exp(-((line - 200) ** 2 + (sample - 150) ** 2) / (2 * 28**2))
    dn = np.minimum(rough(np.random.default_rng(5)) + hill, 16383).astype(np.uint16)
    dn = dn if is_upward else 16383 - dn
    assert np.mean(dn == (16383 if is_upward else 0)) > 0.05
    assert find_dropouts(MemoryStrip(dn), (0, 16383)).n_lost < 0.001 * dn.size


def test_noise_at_the_end_of_the_scale_is_no_dropout() -> None:
    """Where half of all samples are clipped, long runs of them are chance: one stands for all that lies beyond it."""
    dn = bright(np.random.default_rng(4), 65200.0, 900.0)
    assert 0.2 < (dn == 65535).mean() < 0.6
    assert find_dropouts(MemoryStrip(dn), (0, 65535)).mask(0, 300).mean() <= 0.0005


@pytest.mark.parametrize(("far", "near"), [(90, 90), (216, 216), (230, 246)])
@pytest.mark.parametrize("is_upward", [True, False])
def test_a_clipped_sample_is_as_likely_as_all_that_lies_beyond_the_end(far: int, near: int, is_upward: bool) -> None:
    """By the law of good samples between and beyond what the lines above and below span, summed up."""
    column, scale, span = np.array([far, near, 250, near, far]), 8.0, (float(near), float(2 * near - far))
    dn = (column if is_upward else 500 - column).astype(np.uint16)[:, np.newaxis]
    clip = (0, 250) if is_upward else (250, 1000)
    beyond, step = np.linspace(250.0, 4250.0, 40_001, retstep=True)
    density = [kernels._density_of_good(*span, scale, value) for value in beyond.tolist()]
    found = np.empty(1)
    kernels._log_good(dn, np.zeros(dn.shape, np.bool_), 2, np.array([scale]), clip, kernels.neighbours(1), found)
    assert found[0] == pytest.approx(np.log(max(np.trapezoid(density, dx=step), density[0])), abs=1e-3)


def test_lines_lost_at_a_clipped_value_are_found_beside_noise_that_nearly_reaches_it() -> None:
    """Film cannot be clipped from edge to edge in two lines, and in next to none of the samples beside them."""
    dn = bright(np.random.default_rng(6), 63000.0, 1000.0)
    dn[100:102] = 65535
    lost = find_dropouts(MemoryStrip(dn), (0, 65535)).mask(0, 300)
    assert lost[100:102].all()
    assert lost.sum() == 2 * 150


def test_a_clipped_patch_is_no_lost_line() -> None:
    """A patch of a wedge that fills the strip's width has sharp ends too, but many lines."""
    dn = bright(np.random.default_rng(8), 63500.0, 600.0)
    dn[100:108] = 65535
    assert not find_dropouts(MemoryStrip(dn), (0, 65535)).mask(100, 108).any()


@pytest.mark.parametrize("is_start", [True, False])
def test_unexposed_film_clipped_up_to_the_strip_s_end_is_no_dropout(is_start: bool) -> None:
    """Nothing lies beyond it that could speak for it. Of film beside the format 15,000 samples were called lost."""
    dn = bright(np.random.default_rng(9), 30000.0, 300.0)
    film = slice(0, 40) if is_start else slice(260, 300)
    dn[film] = 50000
    assert not find_dropouts(MemoryStrip(dn), (3000, 50000)).mask(0, 300).any()
    dn[film] = 0  # what no film reads as is lost all the same
    assert find_dropouts(MemoryStrip(dn), (3000, 50000)).mask(0, 300)[film].all()


def test_a_strip_of_one_value_is_lost_altogether() -> None:
    """A constant strip must be survived: all of it is a dropout."""
    found = find_dropouts(MemoryStrip(np.full((50, 40), 7, dtype=np.uint8)), None)
    assert found.mask(0, 50).all()
    assert found.n_lost == 2000


@pytest.mark.parametrize(("others", "all_lost"), [(30, True), (60, False)])
def test_a_strip_of_nearly_one_value_is_lost_wherever_the_others_stand(others: int, all_lost: bool) -> None:
    """A thousandth may differ, even where a sparse look sees all of them and nine times their share."""
    dn = np.full((200, 200), 7, dtype=np.uint8)
    dn[:: 3 * 4, ::9].flat[:others] = 9
    assert (find_dropouts(MemoryStrip(dn), None).n_lost == dn.size) == all_lost


def test_turning_the_video_over_finds_the_same_dropouts() -> None:
    """What is lost does not depend on the polarity of the video."""
    chance = np.random.default_rng(5)
    level = picture(chance) * 200
    dn, _ = spoilt(
        np.clip(np.rint(level + 3 * chance.standard_normal(level.shape)), 0, 255).astype(np.uint8), chance, 255
    )
    upright, over = find_dropouts(MemoryStrip(dn), (0, 255)), find_dropouts(MemoryStrip(255 - dn), (0, 255))
    assert np.mean(upright.mask(0, 500) != over.mask(0, 500)) < 2e-4


def test_mask_of_a_window_is_the_window_of_the_mask() -> None:
    """Blocks of lines must not change what is flagged."""
    runs = np.array([[2, 0, 5], [2, 8, 10], [6, 1, 2]], dtype=np.int32)
    lost = Dropouts(runs, 10, 10)
    whole = lost.mask(0, 10)
    np.testing.assert_array_equal(lost.mask(2, 7), whole[2:7])
    assert whole.sum() == lost.n_lost == 8


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("shape", [(5, 1), (7, 5), (90, 400)])
def test_levels_are_the_percentiles_of_every_third_sample(kind: type, shape: tuple[int, int]) -> None:
    """numpy.percentile, by counting."""
    dn = np.random.default_rng(8).integers(3, 250, shape).astype(kind)
    np.testing.assert_allclose(
        _levels(np.bincount(dn[::3, ::3].ravel())), np.percentile(dn[::3, ::3], (0.1, 50.0, 99.9)), rtol=1e-12
    )


def test_a_block_of_dark_film_is_found_beside_a_tile_that_other_lost_lines_roughen() -> None:
    """Film 20 DN above the block stands out from it by the scatter of the tile beyond, which no lost line touches."""
    dn = np.round(20 + np.random.default_rng(9).standard_normal((64, 96))).astype(np.uint8)
    dn[20:22], dn[23:42] = 255, 0
    scale, lost = np.full((4, 6), 1.5), np.zeros(dn.shape, np.bool_)
    scale[1] = 5.0
    assert mark_clipped_blocks(dn, scale, (0, 255), lost)
    assert lost.all(axis=1).nonzero()[0].tolist() == [20, 21, *range(23, 42)]
