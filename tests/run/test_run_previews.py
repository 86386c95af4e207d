"""Small pictures of big rasters and the raw mosaic: the same whatever blocks they came in, right to the last pixel."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.film.assemble import FilmGrid
from calib.quality import BITS, DROPOUT, MARK
from calib.run import previews
from calib.run.previews import Preview
from calib.run.raw_mosaic import raw_mosaic


def test_a_picture_small_enough_is_kept_as_it_is() -> None:
    values = np.array([[1.0, np.nan], [3.0, 4.0]], np.float32)
    preview = Preview.of(2, 2)
    preview.add(preview.part_of(0, 0, values))
    assert np.array_equal(preview.mean(), values, equal_nan=True)


@given(st.integers(1, 60), st.integers(1, 60), st.integers(1, 60), st.integers(1, 60), st.integers(0, 99))
def test_blocks_of_any_size_give_the_means_and_counts_of_the_whole(
    rows: int, columns: int, down: int, right: int, seed: int
) -> None:
    chance = np.random.default_rng(seed)
    values = np.where(chance.random((rows, columns)) < 0.2, np.nan, chance.normal(size=(rows, columns)))
    bits = chance.integers(0, 512, (rows, columns)).astype(np.uint16)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(previews, "LONGEST", 20)
        preview = Preview.of(rows, columns)
    for row in range(0, rows, down):
        for column in range(0, columns, right):
            part = np.s_[row : row + down, column : column + right]
            preview.add(preview.part_of(row, column, values[part]))
            preview.add(preview.part_of(row, column, bits[part]))
    f = preview.factor
    assert np.array_equal(preview.nearest, bits[::f, ::f])
    for i, j in np.ndindex(preview.total.shape):
        cell = values[i * f : (i + 1) * f, j * f : (j + 1) * f]
        known = cell[np.isfinite(cell)]
        assert np.isnan(preview.mean()[i, j]) if known.size == 0 else np.isclose(preview.mean()[i, j], known.mean())
    assert preview.shares()[DROPOUT] == np.mean((bits & DROPOUT) != 0)
    assert preview.shares()[MARK] == np.mean((bits & MARK) != 0)
    assert set(preview.shares()) == {bit.value for bit in BITS}


def test_parts_of_blocks_may_all_be_worked_out_before_any_is_added() -> None:
    """As threads do; each must know by itself where it goes, and which of its small pixels others share."""
    values = np.random.default_rng(2).normal(size=(3300, 40)).astype(np.float32)
    preview, whole = Preview.of(*values.shape), Preview.of(*values.shape)
    parts = [preview.part_of(row, 0, values[row : row + 500]) for row in range(0, 3300, 500)]
    assert not preview.count.any()
    for part in reversed(parts):
        preview.add(part)
    whole.add(whole.part_of(0, 0, values))
    assert (preview.factor, preview.count.max()) == (3, 9)
    assert np.array_equal(preview.count, whole.count)
    assert np.allclose(preview.mean(), whole.mean(), rtol=0, atol=1e-6)


class Ramp:
    """A raster whose DN tell where they stand: 1000 times the strip, 10 times the line, and the sample."""

    def __init__(self, index: int, n_lines: int, n_samples: int, is_reversed: bool) -> None:
        self.index, self.n_lines, self.n_samples, self.is_reversed = index, n_lines, n_samples, is_reversed

    def read(self, first: int, stop: int) -> np.ndarray:
        line, sample = np.mgrid[first:stop, : self.n_samples]
        return (1000 * (self.index + 1) + 10 * line + sample).astype(np.uint16)


@pytest.mark.parametrize("reverse", [False, True])
def test_the_raw_mosaic_has_each_strip_at_its_nominal_place(calibrated, reverse: bool) -> None:  # type: ignore[no-untyped-def]
    """Two strips of 8 samples, 2 of them shared, on pixels of 1 mm: the cut runs through the middle of the overlap."""
    frame = calibrated.result.fits.frame
    told = {"sample_mm": 1.0, "line_mm": 1.0, "pitch_mm": 6.0, "first_center_mm": 4.0, "first_line_mm": 0.5}
    strips = (Ramp(0, 5, 8, is_reversed=False), Ramp(1, 4, 8, is_reversed=reverse))
    tiny = replace(frame, strips=strips, scan=frame.scan.model_copy(update=told))
    grid = FilmGrid(pixel_mm=1.0, first_column=-1, first_row=0, rows=5, columns=16)
    made = raw_mosaic(tiny, [(), ()], grid)
    assert np.isnan(made[:, 0]).all()
    assert np.isnan(made[:, 15]).all()
    assert np.array_equal(made[:, 1:8], np.float32(strips[0].read(0, 5)[:, :7]))
    right = strips[1].read(0, 4)[:, 1:]
    assert np.array_equal(made[:4, 8:15], np.float32(right[::-1] if reverse else right))
    assert np.isnan(made[4, 8:15]).all()
    damaged = raw_mosaic(tiny, [(3,), range(4)], grid)
    assert np.flatnonzero(np.isnan(damaged[:, 1])).tolist() == [3]
    assert np.isnan(damaged[:, 8:]).all()
