"""The report's picture of the raw frame: strips side by side at their nominal places."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.film.assemble import FilmGrid
from calib.frame.frame import Frame, StripRaster
from calib.ordered import in_order
from calib.products.pyramid import screen_reduction

LINES = 4  # at most, averaged for each row of the picture: enough that single lost lines hardly show


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """A strip's contribution to the picture: sums and counts at its rows `down` and columns `across`."""

    down: NDArray[np.intp]
    across: NDArray[np.intp]
    total: NDArray[np.float64]
    count: NDArray[np.int64]


def raw_mosaic(frame: Frame, unread: Sequence[Sequence[int]], grid: FilmGrid, threads: int = 1) -> NDArray[np.float32]:
    """DN at the preview size of `grid`, each strip cut at the middle of its overlaps.

    NaN where nothing was scanned, and in the lines of each strip that are `unread`.
    """
    factor = screen_reduction(grid.rows, grid.columns)
    total = np.zeros((-(-grid.rows // factor), -(-grid.columns // factor)))
    count = np.zeros(total.shape, np.int64)
    strips = list(zip(frame.strips, unread, strict=True))
    for part in in_order(lambda strip: _part(frame, *strip, grid, factor), strips, threads):
        total[np.ix_(part.down, part.across)] += part.total
        count[np.ix_(part.down, part.across)] += part.count
    with np.errstate(invalid="ignore"):
        return (total / count).astype(np.float32)


def _part(frame: Frame, strip: StripRaster, unread: Sequence[int], grid: FilmGrid, factor: int) -> _Part:
    columns, samples = _own_columns(frame, strip, grid)
    rows, lines = _own_rows(frame, strip, grid)
    shown = np.isin(rows % factor, np.linspace(0, factor - 1, LINES).round()) & ~np.isin(lines, unread)
    rows, lines = rows[shown], lines[shown]
    (down, top, height), (across, left, width) = (
        np.unique(places // factor, return_index=True, return_counts=True) for places in (rows, columns)
    )
    if not rows.size or not columns.size:
        return _Part(down[:0], across[:0], np.zeros((0, 0)), np.zeros((0, 0), np.int64))
    first = int(lines.min())
    block = strip.read(first, int(lines.max()) + 1)[lines - first][:, samples]
    total = np.add.reduceat(np.add.reduceat(block, top, axis=0, dtype=np.float64), left, axis=1)
    return _Part(down, across, total, np.outer(height, width))


def _own_columns(frame: Frame, strip: StripRaster, grid: FilmGrid) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Columns of the grid that are nearest to this strip's centre line, and the nearest sample of each."""
    scan = frame.scan
    offset_mm = grid.x_mm(np.arange(float(grid.columns))) - (scan.first_center_mm + strip.index * scan.pitch_mm)
    samples = np.rint(offset_mm / scan.sample_mm + (strip.n_samples - 1) / 2).astype(np.intp)
    left = (offset_mm >= -scan.pitch_mm / 2) | (strip.index == 0)
    right = (offset_mm < scan.pitch_mm / 2) | (strip.index == len(frame.strips) - 1)
    columns = np.flatnonzero(left & right & (samples >= 0) & (samples < strip.n_samples))
    return columns, samples[columns]


def _own_rows(frame: Frame, strip: StripRaster, grid: FilmGrid) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows of the grid that the strip covers nominally, and the nearest line of each."""
    scan = frame.scan
    along = np.rint((grid.y_mm(np.arange(float(grid.rows))) - scan.first_line_mm) / scan.line_mm).astype(np.intp)
    lines = strip.n_lines - 1 - along if strip.is_reversed else along
    rows = np.flatnonzero((lines >= 0) & (lines < strip.n_lines))
    return rows, lines[rows]
