"""Reseau strokes of stated density as a tone control: the samples in the middle of each stroke.

The readout's blur mixes the light of the ground beside a stroke into it. How much follows from a sample's distance to
the stroke's edges; it is taken off to first order, in DN; half of it stays as doubt, since the blur is not measured.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calib.coordinates import FilmPoints
from calib.median import TO_SIGMA, medians_by
from calib.sweep.model import StripSweep, to_scan
from calib.tone.cells import Cells, select
from calib.tone.known_film import KnownFilm
from calib.tone.stroke_kernels import BLUR, CLEAR, stroke_cells
from calib.tone.transfer import FirstCurve

STROKE = 20002  # label of a stroke's cells
NARROWEST = 0.55  # samples from the axis that are used at least
CONTRAST = 0.9  # light around a stroke relative to the stroke's: how much leaks in at worst
PLACED = 0.8  # samples: a stroke placed less surely is not used


def stroke_sigma(known: KnownFilm, sample_mm: float) -> float:
    """1-sigma of a stroke's density as it is read: what its surroundings leak into its middle, in density."""
    half = known.stroke_mm / 2 / sample_mm
    leak = 2 * ndtr(-(half - _reach(known, sample_mm) / 2) / BLUR)
    return float(np.hypot(0.002, 0.434 * CONTRAST * leak))


def _reach(known: KnownFilm, sample_mm: float) -> float:
    """Samples on each side of a stroke's axis that are used."""
    return max(known.stroke_mm / 2 / sample_mm - CLEAR, NARROWEST)


def gather_strokes(
    dn: NDArray, lost: NDArray[np.bool_], sweep: StripSweep, known: KnownFilm, clip: tuple[int, int]
) -> tuple[Cells, NDArray[np.int64]]:
    """Cells of a strip's strokes, one per mark and sample, and the number of the mark that each belongs to."""
    sample_mm = float(np.median(np.diff(sweep.x_sample_mm)))
    line_mm = float(np.median(np.abs(np.diff(sweep.y_line_mm))))
    place = to_scan(sweep, FilmPoints(x_mm=known.mark_x_mm, y_mm=known.mark_y_mm))
    line = np.clip(np.round(np.nan_to_num(place.line)), 0, dn.shape[0] - 1).astype(np.int64)
    sure = (sweep.sigma_x_mm[line] <= PLACED * sample_mm) & (sweep.sigma_y_mm[line] <= PLACED * line_mm)
    chosen = np.flatnonzero(_in_view(place.line, place.sample, dn.shape) & sure)
    rows = (chosen, known.mark_x_mm[chosen], known.mark_y_mm[chosen], line[chosen], np.round(place.sample[chosen]))
    step = sample_mm, line_mm
    table = stroke_cells(
        dn,
        lost,
        (sweep.x_sample_mm, sweep.x_line_mm),
        (sweep.y_sample_mm, sweep.y_line_mm),
        np.stack(rows, axis=1),
        step,
        tuple(known.arm_mm / each for each in step),
        tuple(known.stroke_mm / 2 / each for each in step),
        tuple(_reach(known, each) for each in step),
        clip,
    )
    label = np.full(len(table), STROKE)
    cells = Cells(label, table[:, 1].astype(np.int64), *table[:, 2:].T)
    return cells, table[:, 0].astype(np.int64)


def _in_view(line: NDArray, sample: NDArray, shape: tuple[int, int]) -> NDArray[np.bool_]:
    return (line > 0) & (line < shape[0] - 1) & (sample > 0) & (sample < shape[1] - 1)


def whole_strokes(curve: FirstCurve, cells: Cells, mark: NDArray[np.int64]) -> Cells:
    """The cells of marks that read about what most marks of the strip read: missing and scratched ones do not."""
    if cells.dn.size == 0:
        return cells
    density = curve.density_of(cells.dn)
    marks, which = np.unique(mark, return_inverse=True)
    each = medians_by(density, which, marks.size)
    centre = np.median(each)
    limit = 0.02 + 4 * TO_SIGMA * float(np.median(np.abs(each - centre)))
    return select(cells, (np.abs(each - centre) < limit)[which])
