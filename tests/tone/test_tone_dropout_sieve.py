"""The quick look that spares the search most lines, and the quick medians: exactly what the slow ways say."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.tone import dropout_kernels as kernels
from calib.tone.dropout_blocks import mark_clipped_blocks
from calib.tone.dropout_sieve import lines_to_search
from calib.tone.dropout_tiles import THIRD_TO_SIGMA, TILE, tile_statistics


@st.composite
def strips(draw: st.DrawFn) -> np.ndarray:
    """Strips of either type: smooth film with noise, edges and clipped parts, on which runs of all sorts were lost."""
    chance = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    kind = np.uint8 if draw(st.booleans()) else np.uint16
    top = np.iinfo(kind).max
    lines, samples = draw(st.integers(9, 60)), draw(st.integers(3, 90))
    line, sample = np.mgrid[:lines, :samples].astype(float)
    level = draw(st.floats(0.0, 1.0)) + draw(st.floats(0.0, 0.5)) * np.sin(line / 7 + sample / 11)
    level[:, samples // 2 :] += draw(st.sampled_from([0.0, 0.0, 0.3, -0.8]))
    noise = draw(st.sampled_from([0.0, 0.3 / 255, 0.01, 0.05])) * chance.standard_t(
        draw(st.sampled_from([3, 50])), level.shape
    )
    dn = np.clip(np.rint((level + noise) * top), 0, top).astype(kind)
    for _ in range(draw(st.integers(0, 4))):
        row, first = chance.integers(0, lines), chance.integers(0, samples)
        stop = first + chance.integers(1, samples + 1)
        value = [0, top, int(chance.integers(0, top + 1)), -1][chance.integers(0, 4)]
        run = dn[row : row + chance.integers(1, 4), first:stop]
        run[:] = chance.integers(0, top + 1, run.shape) if value < 0 else value
    return dn


@given(
    dn=strips(),
    scatter=st.sampled_from([0.29, 1.0, 40.0, 900.0]),
    all_values=st.booleans(),
    ends=st.sampled_from([(0.0, 1.0), (0.08, 0.9)]),
)
def test_lines_that_are_passed_over_are_whole(
    dn: np.ndarray, scatter: float, all_values: bool, ends: tuple[float, float]
) -> None:
    """Searching the lines that the quick look leaves finds, to the bit, what searching all lines does."""
    top = int(np.iinfo(dn.dtype).max)
    scale = np.full(((len(dn) + TILE - 1) // TILE, (dn.shape[1] + TILE - 1) // TILE), scatter)
    scale[::2] *= 1.7
    value = np.arange(top + 1)
    likely = np.ones(top + 1, dtype=bool) if all_values else (value > 0.2 * top) & (value < 0.6 * top)
    chance = np.log(0.45 / (top + 1) + 0.45 * likely / likely.sum() + 0.05 * ((value == 0) | (value == top)))
    clip = (int(ends[0] * top), int(ends[1] * top))
    lost = np.zeros(dn.shape, dtype=bool)
    mark_clipped_blocks(dn, scale, clip, lost)
    some, every, all_lines = lost, lost.copy(), np.ones(len(dn), dtype=bool)
    search = lines_to_search(dn, scale, chance, clip, kernels.lines_near(lost, all_lines))
    kernels.mark_lines(dn, scale, chance, clip, some, search)
    kernels.mark_lines(dn, scale, chance, clip, every, all_lines)
    np.testing.assert_array_equal(some, every)


def test_no_line_is_judged_by_what_is_found_beside_it_in_the_same_search() -> None:
    """All lines at once are each by itself: which is looked at first does not matter."""
    chance = np.random.default_rng(0)
    dn = np.clip(np.rint(120 + 4 * chance.standard_normal((64, 80))), 0, 255).astype(np.uint8)
    for line in chance.choice(64, 30, replace=False):
        first = chance.integers(0, 60)
        dn[line, first : first + 20] = chance.integers(90, 180)
    scale, garbage = np.full((4, 5), 4.0), np.full(256, np.log(1 / 256))
    whole, each_line = np.zeros((2, *dn.shape), dtype=bool), np.eye(64, dtype=bool)
    kernels.mark_lines(dn, scale, garbage, (0, 255), whole[0], each_line.any(axis=0))
    for line in each_line:
        alone = np.zeros(dn.shape, dtype=bool)
        kernels.mark_lines(dn, scale, garbage, (0, 255), alone, line)
        whole[1] |= alone
    assert whole[0].any()
    np.testing.assert_array_equal(*whole)


def test_most_lines_of_a_good_strip_are_passed_over() -> None:
    """Otherwise the quick look would be of no use: noise with long tails, 1 % of the lines lost."""
    chance = np.random.default_rng(8)
    dn = np.rint(30000 + 500 * chance.standard_t(8, (600, 440))).astype(np.uint16)
    dn[::100] = chance.integers(0, 65536, (6, 440))
    scale = np.full((38, 28), 500.0)
    garbage = np.full(65536, np.log(0.9 / 65536))
    search = lines_to_search(dn, scale, garbage, (0, 65535), np.zeros(600, dtype=bool))
    assert search[::100].all()
    assert search.sum() < 45  # six lost, up to four beside each, and the ends


@pytest.mark.parametrize(("kind", "shape"), [(np.uint8, (50, 37)), (np.uint16, (33, 64)), (np.uint16, (17, 5))])
def test_level_and_scatter_are_medians_of_medians(kind: type, shape: tuple[int, int]) -> None:
    """The compared lines' medians are numpy's, also of tiles that are cut off at the strip's ends."""
    chance = np.random.default_rng(shape[0])
    dn = chance.integers(0, np.iinfo(kind).max // 3, shape).astype(kind)
    level, scatter = tile_statistics(dn)
    values = dn.astype(int)
    twice = np.abs(2 * values[1:-1] - values[:-2] - values[2:])
    for row, column in np.ndindex(level.shape):
        line = row * TILE + np.arange(1, 14, 2)
        n = min(TILE, shape[1] - column * TILE)
        pair = column * TILE + np.arange(1, 15).reshape(7, 2) % n
        if line[-1] < shape[0] - 1:
            of_lines = np.median(values[line], axis=0)
            assert level[row, column] == np.median(of_lines[pair].sum(axis=1) // 2)
            beside = np.median(np.sort(twice[line - 1], axis=0)[2][pair].mean(axis=1)) / 2
            assert scatter[row, column] == pytest.approx(THIRD_TO_SIGMA * beside / np.sqrt(1.5), rel=1e-14)
    if shape[0] % TILE == 1:  # no line of the last tiles has one below
        assert not scatter[-1].any()


def test_the_scatter_of_noise_is_told_whatever_five_lines_in_a_tile_and_a_scratch_hold() -> None:
    """Within 2 % on the average, to some 18 % in each tile; within a factor of four whatever those hold."""
    chance = np.random.default_rng(3)
    dn = np.rint(30000 + 300 * chance.standard_normal((640, 640))).astype(np.uint16)
    scatter = tile_statistics(dn)[1]
    assert scatter.mean() == pytest.approx(300, rel=0.02)
    assert scatter.std() < 0.18 * 300
    for line in range(5, 10):
        dn[line::TILE] = chance.integers(0, 65536, (40, 640))
    dn[:, 5::TILE] = chance.integers(0, 65536, (640, 40))
    assert tile_statistics(dn)[1].max() < 4 * 300
