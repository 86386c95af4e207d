"""The frame as it came: raw strips side by side at their nominal places, small, for the report's before-picture."""

import numpy as np
from numpy.typing import NDArray

from calib.film.assemble import FilmGrid
from calib.frame.frame import Frame, StripRaster
from calib.run.previews import Preview
from calib.sweep.model import StripSweep, nominal_sweep

LINES = 1024  # read at a time


def raw_mosaic(frame: Frame, grid: FilmGrid) -> NDArray[np.float32]:
    """Mean DN on the preview of `grid`, each strip cut at the middle of its overlaps; NaN where nothing was scanned."""
    preview = Preview.of(grid.rows, grid.columns)
    pixel_mm = grid.pixel_mm * preview.factor
    for strip in frame.strips:
        sweep = nominal_sweep(frame.scan, strip)
        columns = np.floor(sweep.x_sample_mm / pixel_mm - grid.first_column / preview.factor).astype(np.int64)
        rows = np.floor(sweep.y_line_mm / pixel_mm - grid.first_row / preview.factor).astype(np.int64)
        own = _own_samples(frame, strip, sweep) & (columns >= 0) & (columns < preview.total.shape[1])
        for first in range(0, strip.n_lines, LINES):
            stop = min(first + LINES, strip.n_lines)
            inside = (rows[first:stop] >= 0) & (rows[first:stop] < preview.total.shape[0])
            values = strip.read(first, stop)[inside][:, own].astype(np.float64)
            at = rows[first:stop][inside][:, np.newaxis] * preview.total.shape[1] + columns[own]
            size = preview.total.size
            preview.total.ravel()[:] += np.bincount(at.ravel(), values.ravel(), size)
            preview.count.ravel()[:] += np.bincount(at.ravel(), minlength=size)
    return preview.mean()


def _own_samples(frame: Frame, strip: StripRaster, sweep: StripSweep) -> NDArray[np.bool_]:
    """Samples nearer to this strip's centre line than to a neighbour's."""
    center_mm = frame.scan.first_center_mm + strip.index * frame.scan.pitch_mm
    half_mm = frame.scan.pitch_mm / 2
    first, last = strip.index == 0, strip.index == len(frame.strips) - 1
    left = (sweep.x_sample_mm >= center_mm - half_mm) | first
    right = (sweep.x_sample_mm < center_mm + half_mm) | last
    own: NDArray[np.bool_] = left & right
    return own
