"""Finds the samples of a strip that lie on a reseau mark or on the step wedge."""

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.frame.frame import Frame
from calib.remembered import once
from calib.sweep.model import StripSweep

CROSSING = 1.5  # widths of a stroke: distance along a diagonal out of a cross, beside its crossing
BLUR_SAMPLES = 2.5  # distance over which the light of a clear stroke or patch spreads into dense film (tested)


@dataclass(frozen=True, slots=True, eq=False)
class StripMarks:
    """Film places of marks and wedges: mark centres (M,) in mm, size of their strokes, wedge boxes (P, 4) in mm.

    A box is (x low, x high, y low, y high), including the blur; boxes of the neighbours' wedges are included.
    """

    x_mm: NDArray[np.float64]
    y_mm: NDArray[np.float64]
    arm_mm: float
    half_width_mm: float
    blur_mm: float
    boxes_mm: NDArray[np.float64]
    stroke_samples: int

    def rectangles_mm(self) -> NDArray[np.float64]:
        """Wedge boxes and strokes as rectangles (N, 4) like the boxes; two for each mark, with the blur."""
        x, y = self.x_mm, self.y_mm
        long, short = self.arm_mm + self.blur_mm, self.half_width_mm + self.blur_mm
        strokes = [(x - a, x + a, y - b, y + b) for a, b in ((long, short), (short, long))]
        return np.concatenate([self.boxes_mm, *(np.stack(stroke, axis=1) for stroke in strokes)])


@once
def strip_marks(frame: Frame) -> StripMarks:
    """The marks and wedge boxes of a frame, which are the same for all its strips."""
    reseau, scan = frame.film.reseau, frame.scan
    sample = min(scan.sample_mm, scan.line_mm)
    blur_mm = BLUR_SAMPLES * max(scan.sample_mm, scan.line_mm)
    centres = scan.first_center_mm + scan.pitch_mm * np.arange(len(frame.strips))
    boxes = [
        (centre + left - blur_mm, centre + right + blur_mm, top - blur_mm, bottom + blur_mm)
        for centre in centres
        for (left, right), (top, bottom) in ((patch.across_mm, patch.y_mm) for patch in frame.film.wedge.patches)
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


@once
def marked_runs(sweep: StripSweep, marks: StripMarks) -> NDArray[np.int32]:
    """Samples of a strip on a mark or the wedge, as sorted, disjoint runs: rows of (line, first sample, stop sample).

    Cached by the identity of `sweep` and `marks`.
    """
    sign = 1.0 if sweep.y_line_mm[0] < sweep.y_line_mm[-1] else -1.0
    boxes, y_line, tilt = marks.rectangles_mm(), sign * sweep.y_line_mm, sign * sweep.y_sample_mm
    y = np.sort(sign * boxes[:, 2:], axis=1)
    first = np.searchsorted(y_line, y[:, 0] - tilt.max(), side="left")
    stop = np.searchsorted(y_line, y[:, 1] - tilt.min(), side="right")
    left, right = sweep.x_sample_mm[0] + sweep.x_line_mm.min(), sweep.x_sample_mm[-1] + sweep.x_line_mm.max()
    found = [np.zeros((0, 3), np.int32)]
    for box in np.flatnonzero((boxes[:, 1] >= left) & (boxes[:, 0] <= right) & (first < stop)).tolist():
        lines = slice(int(first[box]), int(stop[box]))
        start = np.searchsorted(sweep.x_sample_mm, boxes[box, 0] - sweep.x_line_mm[lines], side="left")
        end = np.searchsorted(sweep.x_sample_mm, boxes[box, 1] - sweep.x_line_mm[lines], side="right")
        told = (y[box, 0], y[box, 1], y_line, tilt, lines.start, start, end)
        found.append(np.empty((_runs_of(*told, found[0]), 3), np.int32))
        _runs_of(*told, found[-1])
    runs = np.concatenate(found)
    runs = runs[np.lexsort((runs[:, 1], runs[:, 0]))]
    return runs[: _join(runs)].copy()


@njit(cache=True, nogil=True)
def _runs_of(low, high, y_line, tilt, first, start, end, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Runs of samples between the film coordinates `low` and `high`, among samples `start` to `end` - 1 of each line
    from `first` on. Writes as many as fit into `out`; returns their number.
    """
    count = 0
    for row in range(start.size):
        begun = -1
        for sample in range(start[row], end[row] + 1):
            inside = sample < end[row] and low <= y_line[first + row] + tilt[sample] <= high
            if inside and begun < 0:
                begun = sample
            elif begun >= 0 and not inside:
                if count < out.shape[0]:
                    out[count, 0], out[count, 1], out[count, 2] = first + row, begun, sample
                count, begun = count + 1, -1
    return count


@njit(cache=True, nogil=True)
def _join(runs):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Merge sorted runs that overlap or touch, in place; returns the number that is left."""
    count = 0
    for n in range(runs.shape[0]):
        line, start, stop = runs[n, 0], runs[n, 1], runs[n, 2]
        if count and line == runs[count - 1, 0] and start <= runs[count - 1, 2]:
            runs[count - 1, 2] = max(stop, runs[count - 1, 2])
        else:
            runs[count, 0], runs[count, 1], runs[count, 2] = line, start, stop
            count += 1
    return count
