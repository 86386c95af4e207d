"""Which samples of a strip lie on a reseau mark or on the step wedge."""

from dataclasses import dataclass
from functools import lru_cache
from math import ceil

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import FilmPoints, ScanPoints
from calib.frame.frame import Frame
from calib.sweep.model import StripSweep, to_film, to_scan

CROSSING = 1.5  # strokes: the way out beside the crossing, along a diagonal, in widths of a stroke
BLUR_SAMPLES = 2.5  # a clear stroke's light spreads over dense film: nearer than this it still shows (tested)
LINES = 4096  # worked on at once


@dataclass(frozen=True, slots=True, eq=False)
class StripMarks:
    """Film places of what is not Moon: mark centres (M,) in mm, their strokes' size, wedge boxes (P, 4) in mm.

    A box is (x low, x high, y low, y high); the boxes of the neighbours' wedges are among them.
    """

    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]
    arm_mm: float
    half_width_mm: float
    blur_mm: float
    boxes_mm: NDArray[np.float64]
    stroke_samples: int

    def strokes(self, sweep: StripSweep, first: int, stop: int) -> NDArray[np.bool_]:
        """Which samples of lines `first`..`stop` - 1 a stroke covers, blur included."""
        mask = np.zeros((stop - first, sweep.x_sample_mm.size), dtype=bool)
        centres = to_scan(sweep, FilmPoints(self.x_mm, self.y_mm))
        line_mm = abs(float(np.median(np.diff(sweep.y_line_mm))))
        sample_mm = abs(float(np.median(np.diff(sweep.x_sample_mm))))
        half_lines = ceil((self.arm_mm + self.blur_mm) / line_mm) + 4
        half_samples = ceil((self.arm_mm + self.blur_mm) / sample_mm) + 4
        within_lines = (centres.line > first - half_lines - 1) & (centres.line < stop + half_lines + 1)
        within_samples = (centres.sample > -half_samples - 1) & (centres.sample < mask.shape[1] + half_samples + 1)
        for mark in np.flatnonzero(within_lines & within_samples).tolist():
            line, sample = round(float(centres.line[mark])), round(float(centres.sample[mark]))
            rows = slice(max(line - half_lines, first), min(line + half_lines + 1, stop))
            columns = slice(max(sample - half_samples, 0), min(sample + half_samples + 1, mask.shape[1]))
            if rows.start < rows.stop and columns.start < columns.stop:
                block = mask[rows.start - first : rows.stop - first, columns]
                block |= self._on_stroke(sweep, mark, rows, columns)
        return mask

    def _on_stroke(self, sweep: StripSweep, mark: int, rows: slice, columns: slice) -> NDArray[np.bool_]:
        place = _film_of_block(sweep, rows, columns)
        dx, dy = abs(place.x_mm - self.x_mm[mark]), abs(place.y_mm - self.y_mm[mark])
        long, short = self.arm_mm + self.blur_mm, self.half_width_mm + self.blur_mm
        result: NDArray[np.bool_] = ((dx <= long) & (dy <= short)) | ((dx <= short) & (dy <= long))
        return result


@lru_cache(maxsize=8)
def strip_marks(frame: Frame) -> StripMarks:
    """The marks and wedge boxes of a frame, the same for every strip of it."""
    reseau, scan = frame.film.reseau, frame.scan
    sample = min(scan.sample_mm, scan.line_mm)
    blur_mm = BLUR_SAMPLES * max(scan.sample_mm, scan.line_mm)
    centres = scan.first_center_mm + scan.pitch_mm * np.arange(len(frame.strips))
    boxes = [
        (centre + patch.across_mm[0], centre + patch.across_mm[1], *patch.y_mm)
        for centre in centres
        for patch in frame.film.wedge.patches
    ]
    return StripMarks(
        x_mm=frame.marks.x_mm,
        y_mm=frame.marks.y_mm,
        arm_mm=reseau.arm_mm,
        half_width_mm=reseau.width_mm / 2,
        blur_mm=blur_mm,
        boxes_mm=np.array(boxes, dtype=float),
        stroke_samples=ceil(CROSSING * (reseau.width_mm + 2 * blur_mm) / sample) + 2,
    )


def marked(marks: StripMarks, sweep: StripSweep, first: int, stop: int) -> NDArray[np.bool_]:
    """Which samples of lines `first`..`stop` - 1 carry a mark or the wedge, shape (stop - first, samples)."""
    mask = marks.strokes(sweep, first, stop)
    x, y, tilt = sweep.x_sample_mm, sweep.y_line_mm[first:stop], sweep.y_sample_mm
    in_reach = (marks.boxes_mm[:, 1] >= x[0] + sweep.x_line_mm.min()) & (
        marks.boxes_mm[:, 0] <= x[-1] + sweep.x_line_mm.max()
    )
    for x_low, x_high, low, high in marks.boxes_mm[in_reach]:
        lines = np.flatnonzero((y + tilt.max() >= low) & (y + tilt.min() <= high))
        if lines.size == 0:
            continue
        rows = slice(int(lines[0]), int(lines[-1]) + 1)
        place = _film_of_block(sweep, slice(first + rows.start, first + rows.stop), slice(0, x.size))
        mask[rows] |= (place.x_mm >= x_low) & (place.x_mm <= x_high) & (place.y_mm >= low) & (place.y_mm <= high)
    return mask


@lru_cache(maxsize=512)
def marked_runs(marks: StripMarks, sweep: StripSweep) -> NDArray[np.int32]:
    """The same for a whole strip as runs, rows of (line, first sample, stop sample) in the order of the lines.

    Worked out once a strip: marks and sweep are the same only if they are the same objects.
    """
    found = [np.zeros((0, 3), np.int64)]
    for first in range(0, sweep.n_lines, LINES):
        mask = marked(marks, sweep, first, min(first + LINES, sweep.n_lines))
        rows = np.flatnonzero(mask.any(axis=1))
        edges = np.diff(np.pad(mask[rows], ((0, 0), (1, 1))).astype(np.int8), axis=1)
        row, start = np.nonzero(edges == 1)
        found.append(np.stack([first + rows[row], start, np.nonzero(edges == -1)[1]], axis=1))
    return np.concatenate(found).astype(np.int32)


def _film_of_block(sweep: StripSweep, rows: slice, columns: slice) -> FilmPoints:
    line = np.arange(rows.start, rows.stop, dtype=float)[:, np.newaxis]
    sample = np.arange(columns.start, columns.stop, dtype=float)[np.newaxis, :]
    return to_film(sweep, ScanPoints(line, sample))
