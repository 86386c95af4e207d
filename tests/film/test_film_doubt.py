"""Uncertainty of cells of samples: their noise, and the uncertainty of place times the slope of the picture."""

from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.film.doubt import cell_spans, cells_of_strip, cells_of_window, place_sigma, raise_cells
from calib.film.kernels import CELL
from calib.film.packed import Packed
from calib.film.spans import EMPTY, Spans
from calib.film.tables import DENSITY, StripLines, StripTables, ValueTable, strip_tables
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK
from calib.sweep.model import StripSweep
from calib.tone.model import StripTone

SHAPE = (12, 14)
ALL = Spans(0, np.zeros(6, np.int32), np.full(6, 6, np.int32))
DN = np.arange(256)


def strip_of(
    noise: np.ndarray, curve: float = 0.0, spread: np.ndarray | None = None, banding: np.ndarray | None = None
) -> StripTables:
    """A strip whose density is a hundredth of its DN, less `banding`; a hundred rows of `spread` to one."""
    tone = StripTone(
        density_of_dn=(DN / 100).astype(np.float32),
        dn_span=(0, 255),
        rising=True,
        column_density=np.zeros(SHAPE[1]) if banding is None else banding,
        line_density=np.zeros(SHAPE[0]),
        noise_density=np.broadcast_to(noise, 256).astype(np.float32),
        curve_sigma=np.full(256, curve, np.float32),
        column_sigma=np.zeros(SHAPE[1]),
        line_sigma=np.zeros(SHAPE[0]),
    )
    if spread is None:
        return strip_tables(tone, DENSITY)
    values = ValueTable(np.arange(len(spread), dtype=np.float32), spread.astype(np.float32), 0.0, 100.0, (-inf, inf))
    return strip_tables(tone, values)


def cells(
    known: StripTables,
    place: tuple[float, float],
    *,
    value: np.ndarray | None = None,
    dn: np.ndarray | None = None,
    quality: np.ndarray | None = None,
) -> np.ndarray:
    """Variance and systematic error of all cells of a whole strip."""
    size = SHAPE if dn is None else dn.shape
    raw = np.full(size, 50, np.uint8) if dn is None else dn
    seen = np.zeros(size, np.float32) if value is None else value.astype(np.float32)
    bits = np.zeros(size, np.uint16) if quality is None else quality
    return cells_of(known, raw, place, ALL, samples_of(seen, bits, (8, 9), 0))[:6, :7]


def samples_of(value: np.ndarray, quality: np.ndarray, cells: tuple[int, int], corner: int) -> Packed:
    """Samples from line and sample `corner` on, with empty arrays for their cells."""
    return Packed(value, quality, np.full((*cells, 2), np.nan, np.float32), np.zeros(cells, np.uint8), corner, corner)


def cells_of(
    known: StripTables,
    dn: np.ndarray,
    place: tuple[float, float],
    wanted: Spans,
    made: Packed,
) -> np.ndarray:
    """Some cells of a strip without drift, every line of which is known to `place`."""
    none = np.zeros(len(dn), np.float32)
    rows = np.tile(np.array(place, np.float32), (len(dn), 1))
    cells_of_strip(StripLines(dn, 0, known, none, none), rows, wanted, made)
    return made.doubts


def test_doubt_of_place_is_the_slope_times_its_sigma() -> None:
    """0.1 samples across a slope of 0.5 a sample, 0.2 lines along one of 0.3 a line, beside a systematic 0.04."""
    line, sample = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    found = cells(strip_of(np.zeros(1), 0.04), (0.2, 0.1), value=0.3 * line + 0.5 * sample)
    assert found[1:-1, 1:-1, 1] == pytest.approx(np.sqrt(0.06**2 + 0.05**2 + 0.04**2), rel=1e-4)


@pytest.mark.parametrize("edge", [6, 7])
def test_an_edge_counts_whether_it_lies_in_a_cell_or_between_two(edge: int) -> None:
    """A step of 1 is a slope of a half over two samples, in half of those that a cell looks at or in all of them."""
    value = np.where(np.arange(SHAPE[1]) < edge, 0.0, 1.0) * np.ones(SHAPE)
    found = cells(strip_of(np.zeros(1)), (0.0, 1.0), value=value)[2, :, 1]
    touched = [3] if edge == 7 else [2, 3]
    assert found[touched] == pytest.approx(0.5 if edge == 7 else np.sqrt(0.5) * 0.5)
    assert not np.delete(found, touched).any()


def test_noise_alone_adds_next_to_nothing() -> None:
    """Differences of noise are not slopes: with places known to 0.1 they add less than a tenth of the noise."""
    chance = np.random.default_rng(1)
    noise = strip_of(np.full(256, 0.05))
    spread = [cells(noise, (0.1, 0.1), value=0.05 * chance.standard_normal(SHAPE))[..., 1] for _ in range(40)]
    assert np.sqrt(np.mean(np.square(spread))) < 0.1 * 0.05


def test_a_cell_s_noise_is_the_mean_of_that_of_its_own_samples() -> None:
    dn = np.full(SHAPE, 50, np.uint8)
    dn[4:6, 8:10] = [[10, 20], [30, 42]]
    dn[0:2, 0:2] = [[10, 20], [30, 250]]
    dn[2:4, 2:4] = 200
    quality = np.zeros(SHAPE, np.uint16)
    quality[1, 1] = DROPOUT | FILLED
    quality[2:4, 2:4] = DROPOUT
    quality[8, 8] = MARK
    found = cells(strip_of(DN / 1000), (0.0, 0.0), dn=dn, quality=quality)[..., 0]
    assert found[2, 4] == pytest.approx(0.0255**2)
    assert found[0, 0] == pytest.approx(0.020**2)
    assert found[1, 1] == pytest.approx(0.200**2)  # none is itself: better theirs than nothing
    assert found[4, 4] == pytest.approx(0.050**2)


def test_a_table_scales_noise_and_error_and_adds_what_the_curve_s_end_does() -> None:
    spread = np.tile([3.0, 2.0, 0.1], (200, 1))
    found = cells(strip_of(np.full(256, 0.02), 0.05, spread), (0.0, 0.0))
    assert found[..., 0] == pytest.approx(0.06**2)
    assert found[..., 1] == pytest.approx(np.hypot(0.1, 0.1))


def test_a_cell_whose_banding_takes_it_below_the_table_reads_the_end_that_it_is_at() -> None:
    """Two neighbours of rows 3 and 11 of a table from row 0 on, which differ in banding by 12 rows."""
    dn, banding = np.full(SHAPE, 50, np.uint8), np.zeros(SHAPE[1])
    dn[:, 4], dn[:, 5] = 2, 22
    banding[4:6] = -0.01, 0.11
    spread = np.tile([1.0, 1.0, 0.0], (200, 1))
    spread[100:, 0] = 9.0
    found = cells(strip_of(np.full(256, 0.01), 0.0, spread, banding), (0.0, 0.0), dn=dn)
    assert found[..., 0] == pytest.approx(0.01**2)


def test_cells_beyond_the_ends_of_the_curve_are_computed_like_all_others() -> None:
    """A picture of the Moon's edge holds little else than film without light: none of its cells takes the slow path."""
    dn = np.random.default_rng(4).integers(5, 200, SHAPE).astype(np.uint8)
    bits = np.where(dn < 60, LOW_DENSITY, np.where(dn > 150, HIGH_DENSITY, 0)).astype(np.uint16)
    strip = strip_of(DN / 1000, 0.01, np.linspace([1.0, 1.0, 0.0], [3.0, 2.0, 0.1], 256), 0.02 * np.arange(SHAPE[1]))
    plain, flagged = (cells(strip, (0.1, 0.2), value=dn / 100, dn=dn, quality=q) for q in (None, bits))
    np.testing.assert_array_equal(plain, flagged)


def test_a_cell_cut_by_the_edge_of_the_strip_uses_the_samples_inside() -> None:
    dn = np.full((11, 13), 50, np.uint8)
    dn[10, :], dn[:, 12] = 90, 120
    found = cells(strip_of(DN / 1000), (0.0, 0.0), dn=dn)[..., 0]
    assert found[5, 0] == pytest.approx(0.09**2)
    assert found[0, 6] == pytest.approx(0.12**2)


def test_cells_beyond_the_strip_are_those_at_its_edge() -> None:
    """Above, below and beside it: only its outermost samples are used, whatever lies around them in memory."""
    dn = np.arange(SHAPE[0] * SHAPE[1], dtype=np.uint8).reshape(SHAPE)
    value, bits = np.zeros((SHAPE[0] + 4, SHAPE[1] + 4), np.float32), np.zeros((SHAPE[0] + 4, SHAPE[1] + 4), np.uint16)
    about = Spans(-1, np.full(8, -1, np.int32), np.full(8, 7, np.int32))
    out = cells_of(strip_of(DN / 1000), dn, (0.0, 0.0), about, samples_of(value, bits, (10, 11), -2))
    noise = dn / 1000
    assert out[0, 0, 0] == pytest.approx(noise[0, 0] ** 2, abs=1e-9)
    assert out[7, 8, 0] == pytest.approx(noise[-1, -1] ** 2)
    assert out[0, 3, 0] == pytest.approx(noise[0, 4:6].mean() ** 2)
    assert out[3, 0, 0] == pytest.approx(noise[4:6, 0].mean() ** 2)
    assert out[3, 8, 0] == pytest.approx(noise[4:6, -1].mean() ** 2)
    assert out[1:7, 1:8] == pytest.approx(cells(strip_of(DN / 1000), (0.0, 0.0), dn=dn))


def test_where_a_picture_is_unknown_it_has_no_slope() -> None:
    value = np.zeros(SHAPE)
    value[4:6, 6:8] = np.nan
    assert cells(strip_of(np.zeros(1), 0.02), (1.0, 1.0), value=value)[2, 3, 1] == np.float32(0.02)


def test_bridged_samples_raise_their_cells_and_never_lower_them() -> None:
    out = np.full((3, 3, 2), 0.5, np.float32)
    pairs = np.array([[0.7, 0.2], [0.9, 0.6], [0.1, 0.1]], np.float32)
    raise_cells(np.array([2, 3, 5]), np.array([4, 5, 0]), pairs, out)
    assert out[1, 2].tolist() == [np.float32(0.9), np.float32(0.6)]
    assert out[2, 0].tolist() == [0.5, 0.5]


def test_a_picture_s_cells_are_means_and_go_on_beyond_its_edge() -> None:
    noise, shared = np.arange(15, dtype=np.float32).reshape(3, 5), np.ones((3, 5), np.float32)
    made = samples_of(np.zeros((7, 9), np.float32), np.zeros((7, 9), np.uint16), (4, 5), -2)
    cells_of_window(noise, shared, Spans(-1, np.full(3, -1, np.int32), np.full(3, 2, np.int32)), made)
    out = made.doubts
    assert out[1, 1, 0] == pytest.approx(np.mean(noise[:2, :2] ** 2))
    assert out[0, 0, 0] == noise[0, 0] ** 2
    assert out[2, 3, 0] == noise[2, 4] ** 2
    assert out[1, 1, 1] == 1.0


@given(st.lists(st.tuples(st.integers(-4, 9), st.integers(-4, 9)), min_size=1, max_size=12))
@settings(max_examples=100, deadline=None)
def test_cell_spans_contain_the_cell_of_every_needed_sample(samples: list[tuple[int, int]]) -> None:
    lines = [line for line, _ in samples]
    first, n = min(lines), max(lines) - min(lines) + 1
    low, high = np.full(n, EMPTY, np.int32), np.full(n, -EMPTY, np.int32)
    for line, sample in samples:
        low[line - first], high[line - first] = min(low[line - first], sample), max(high[line - first], sample)
    wanted = cell_spans(Spans(first, low, high))
    for line, sample in samples:
        row = line // CELL - wanted.first
        assert wanted.low[row] <= sample // CELL <= wanted.high[row]


def test_the_sigma_of_place_of_a_line_is_converted_to_lines_and_samples() -> None:
    lines, step_mm = np.arange(6.0), (0.004, 0.008)
    sweep = StripSweep(
        np.arange(5) * step_mm[1], np.zeros(6), lines * step_mm[0], np.zeros(5), lines * 0.008, 0.004 * np.ones(6)
    )
    found = place_sigma(sweep)
    assert found[:, 0] == pytest.approx(np.ones(6))
    assert found[:, 1] == pytest.approx([0, 1, 2, 3, 4, 5])


@pytest.mark.parametrize("n_dn", [256, 65536])
def test_the_noise_of_a_dn_is_that_of_its_group(n_dn: int) -> None:
    """With 8 bits each DN has its own value; with 16 bits sixteen DN share that of their middle."""
    of_dn = np.arange(n_dn, dtype=np.float32)
    none = np.zeros(4)
    tone = StripTone(of_dn, (0, n_dn - 1), True, none, none, of_dn, of_dn, none, none)
    known = strip_tables(tone, DENSITY)
    told = known.groups[(np.arange(n_dn, dtype=np.uint64) >> np.uint64(known.shift)).astype(int)]
    off = np.abs(told[:, 1] - of_dn)
    assert off.max() == (0.0 if n_dn == 256 else 7.5)
