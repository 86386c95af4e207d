"""Reseau strokes of stated density as a tone control: the samples in the middle of each stroke.

The readout's blur mixes the light of the ground beside a stroke into it. How much follows from a sample's distance to
the stroke's edges; it is taken off to first order, in DN; half of it stays as doubt, since the blur is not measured.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calib.coordinates import Array, FilmPoints
from calib.sweep.model import StripSweep, to_scan
from calib.tone.cells import FEWEST, Cells, select
from calib.tone.known_film import KnownFilm
from calib.tone.transfer import FirstCurve

STROKE = 20002  # label of a stroke's cells
CLEAR = 1.7  # samples kept clear of a stroke's edges, where it is wide enough
NARROWEST = 0.55  # samples from the axis that are used at least
BESIDE = (2.5, 5.0)  # samples from a stroke's edge at which the ground beside it is read
LEAK_DOUBT = 0.5  # of the light that is taken off
BLUR = 0.78  # samples, 1-sigma: the readout's blur and the sample together (common practice, no source)
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
    found = [np.zeros((0, 6))]
    for mark in np.flatnonzero(_in_view(place.line, place.sample, dn.shape)).tolist():
        line = int(np.clip(round(float(place.line[mark])), 0, dn.shape[0] - 1))
        if sweep.sigma_x_mm[line] > PLACED * sample_mm or sweep.sigma_y_mm[line] > PLACED * line_mm:
            continue
        found.append(_cells_of_mark(dn, lost, sweep, known, mark, (line, float(place.sample[mark])), clip))
    table = np.concatenate(found)
    label = np.full(len(table), STROKE)
    cells = Cells(label, table[:, 1].astype(np.int64), *table[:, 2:].T)
    return cells, table[:, 0].astype(np.int64)


def _in_view(line: NDArray, sample: NDArray, shape: tuple[int, int]) -> NDArray[np.bool_]:
    return (line > 0) & (line < shape[0] - 1) & (sample > 0) & (sample < shape[1] - 1)


def _cells_of_mark(
    dn: NDArray,
    lost: NDArray[np.bool_],
    sweep: StripSweep,
    known: KnownFilm,
    mark: int,
    place: tuple[int, float],
    clip: tuple[int, int],
) -> Array:
    """Rows (mark, sample, mean line, count, mean DN, its doubt) of one cross, its samples averaged column by column."""
    step_x = float(np.median(np.diff(sweep.x_sample_mm)))
    step_y = float(np.median(np.abs(np.diff(sweep.y_line_mm))))
    tall, wide = (int(known.arm_mm / step + BESIDE[1]) + 2 for step in (step_y, step_x))
    rows = slice(max(place[0] - tall, 0), min(place[0] + tall + 1, dn.shape[0]))
    centre = round(place[1])
    part = slice(max(centre - wide, 0), min(centre + wide + 1, dn.shape[1]))
    x = sweep.x_sample_mm[part][None, :] + sweep.x_line_mm[rows, None] - known.mark_x_mm[mark]
    y = sweep.y_line_mm[rows, None] + sweep.y_sample_mm[part][None, :] - known.mark_y_mm[mark]
    cross = _Cross(np.abs(x) / step_x, np.abs(y) / step_y, known, step_x, step_y)
    window = dn[rows, part].astype(np.float64)
    sound = ~lost[rows, part] & (window > clip[0]) & (window < clip[1])
    use, beside = cross.inner & sound, cross.beside & sound
    if use.sum() < FEWEST or beside.sum() < FEWEST:
        return np.zeros((0, 6))
    leak = cross.leak
    off = float(np.median(window[beside])) - window
    window = window - leak / (1 - leak) * off
    use &= _ordinary(window, use)
    count = use.sum(axis=0)
    columns = np.flatnonzero(count)
    means = [(each * use).sum(axis=0)[columns] / count[columns] for each in (window, leak * off)]
    line = (np.arange(rows.start, rows.stop)[:, None] * use).sum(axis=0)[columns] / count[columns]
    doubt = LEAK_DOUBT * np.abs(means[1])
    return np.stack([np.full(columns.size, mark), part.start + columns, line, count[columns], means[0], doubt], axis=1)


class _Cross:
    """One cross in a window, in samples from its axes `x`, `y` (lines, samples), both positive."""

    def __init__(self, x: NDArray, y: NDArray, known: KnownFilm, step_x: float, step_y: float) -> None:
        arm_x, arm_y = known.arm_mm / step_x, known.arm_mm / step_y
        half_x, half_y = known.stroke_mm / 2 / step_x, known.stroke_mm / 2 / step_y
        upright = (x <= _reach(known, step_x)) & (y <= arm_y - CLEAR)
        level = (y <= _reach(known, step_y)) & (x <= arm_x - CLEAR)
        self.inner = upright | level
        near, far = BESIDE
        self.beside = (np.minimum(x - half_x, y - half_y) >= near) & (
            ((x <= half_x + far) & (y <= arm_y)) | ((y <= half_y + far) & (x <= arm_x))
        )
        self.leak = (
            np.minimum(np.where(upright, _leak(x, half_x), 1.0), np.where(level, _leak(y, half_y), 1.0)) * self.inner
        )


def _leak(off: NDArray, half: float) -> NDArray:
    """Share of a sample's light that comes from beyond a stroke's edges, at a distance from its axis in samples."""
    return np.asarray(ndtr((off - half) / BLUR) + ndtr((-off - half) / BLUR))


def _ordinary(window: NDArray, use: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which samples of a stroke are like the rest of it: damage and scratches are not."""
    values = window[use].astype(np.float64)
    centre = np.median(values)
    scatter = max(1.4826 * float(np.median(np.abs(values - centre))), 0.5)
    return np.asarray(np.abs(window - centre) < 4 * scatter)


def whole_strokes(curve: FirstCurve, cells: Cells, mark: NDArray[np.int64]) -> Cells:
    """The cells of marks that read about what most marks of the strip read: missing and scratched ones do not."""
    if cells.dn.size == 0:
        return cells
    density = curve.density_of(cells.dn)
    marks, which = np.unique(mark, return_inverse=True)
    each = np.array([np.median(density[which == index]) for index in range(marks.size)])
    centre = np.median(each)
    limit = 0.02 + 4 * 1.4826 * float(np.median(np.abs(each - centre)))
    return select(cells, (np.abs(each - centre) < limit)[which])
