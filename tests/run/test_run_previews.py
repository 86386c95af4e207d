"""What is seen of big rasters: how often each bit stands, and the strips as they came."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.film.assemble import FilmGrid
from calib.quality import BITS, DROPOUT
from calib.run.rasters.previews import bits_counted, shares_of
from calib.run.report.raw_mosaic import raw_mosaic


@given(st.integers(1, 60), st.integers(1, 60), st.integers(1, 60), st.integers(1, 60), st.integers(0, 99))
def test_the_bits_of_blocks_of_any_size_are_those_of_the_whole(
    rows: int, columns: int, down: int, right: int, seed: int
) -> None:
    chance = np.random.default_rng(seed)
    bits = chance.integers(0, 512, (rows, columns)).astype(np.uint16)
    bits[chance.random(rows) < 0.3] = DROPOUT  # as in most rows, all pixels carry the same
    blocks = [
        bits[row : row + down, column : column + right]
        for row in range(0, rows, down)
        for column in range(0, columns, right)
    ]
    assert shares_of([bits_counted(block) for block in blocks]) == {
        bit.value: np.mean((bits & bit.value) != 0) for bit in BITS
    }


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
