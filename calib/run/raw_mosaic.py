"""The frame as it came: raw strips side by side at their nominal places, small, for the report's before-picture."""

import numpy as np
from numpy.typing import NDArray

from calib.film.assemble import FilmGrid
from calib.frame.frame import Frame, StripRaster
from calib.run.previews import Preview

ROWS = 1024  # of the film grid, worked on at a time


def raw_mosaic(frame: Frame, grid: FilmGrid) -> NDArray[np.float32]:
    """DN on the preview of `grid`, each strip cut at the middle of its overlaps; NaN where nothing was scanned."""
    preview = Preview.of(grid.rows, grid.columns)
    for strip in frame.strips:
        columns, samples = _own_columns(frame, strip, grid)
        rows, lines = _own_rows(frame, strip, grid)
        for first in range(0, rows.size if columns.size else 0, ROWS):
            part = lines[first : first + ROWS]
            block = strip.read(int(part.min()), int(part.max()) + 1)[part - part.min()][:, samples]
            preview.add_mean(int(rows[first]), int(columns[0]), block.astype(np.float32))
    return preview.mean()


def _own_columns(frame: Frame, strip: StripRaster, grid: FilmGrid) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Columns of the grid nearer to this strip's centre line than to a neighbour's, and the nearest sample of each."""
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
