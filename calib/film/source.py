"""One strip as calibrated density with its noise, its systematic error and its quality, block of lines by block."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from calib.film.fill import bridge
from calib.film.spans import Spans, clipped, everything, widened
from calib.film.strokes import StripMarks, marked_runs
from calib.frame.frame import StripRaster
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK
from calib.sweep.model import StripSweep
from calib.tone.apply import CalibratedLines, calibrate_lines, flag_runs
from calib.tone.dropouts import Dropouts
from calib.tone.model import StripTone

SHORTEST_FILL = 8  # samples: a dropout up to this wide is bridged, as is a stroke of any width (common practice)


@dataclass(frozen=True, slots=True, eq=False)
class StripSource:
    """Everything that is known of one strip: its raster, where it lies, its tone, its dropouts, the marks on it."""

    raster: StripRaster
    sweep: StripSweep
    tone: StripTone
    dropouts: Dropouts
    marks: StripMarks

    @property
    def reach(self) -> int:
        """Samples over which a gap is bridged."""
        return max(SHORTEST_FILL, self.marks.stroke_samples)


@dataclass(frozen=True, slots=True, eq=False)
class StripWindow:
    """A block of one strip, from line `first` and sample `first_sample` on; all arrays (lines, samples).

    `value` is density, or what a converter made of it; `noise` the 1-sigma of one sample, independent from sample to
    sample; `systematic` the 1-sigma of curve, banding and drift, shared by neighbouring samples. NaN where unknown.
    What lies outside `spans` was not asked for and holds anything.
    """

    first: int
    value: NDArray[np.float32]
    noise: NDArray[np.float32]
    systematic: NDArray[np.float32]
    quality: NDArray[np.uint16]
    first_sample: int
    spans: Spans

    def ends(self) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """The first and the last column of each line that were asked for."""
        return self.spans.low - np.int32(self.first_sample), self.spans.high - np.int32(self.first_sample)


def read_window(source: StripSource, first: int, stop: int, *, fill_marks: bool) -> StripWindow:
    """Calibrated lines `first`..`stop` - 1, cut to the strip; the same values whatever block they are read in.

    Samples of dropouts short enough to bridge are filled and carry ``DROPOUT | FILLED``, longer ones are NaN. Marks
    keep their density, or with `fill_marks` are bridged too (``MARK | FILLED``), the wedge being too wide for that.
    """
    lines = max(first, 0), min(stop, source.raster.n_lines)
    return read_spans(source, everything(*lines, source.raster.n_samples), fill_marks=fill_marks)


def read_spans(source: StripSource, spans: Spans, *, fill_marks: bool) -> StripWindow:
    """The same for the samples of `spans`, which lie on the strip."""
    n_lines, n_samples = source.raster.n_lines, source.raster.n_samples
    reach = source.reach + 1
    wide = clipped(widened(spans, reach, reach, reach, reach), n_lines, n_samples)
    (left, right), first = wide.samples, wide.first
    made = CalibratedLines.empty((wide.stop - first, right - left))
    dn = source.raster.read(first, wide.stop)
    calibrate_lines(dn, source.tone, first, left, wide.low, wide.high, made)
    for runs, bit in ((source.dropouts.runs, DROPOUT), (marked_runs(source.marks, source.sweep), MARK)):
        flag_runs(made.quality, runs, first, left, wide.low, wide.high, bit)
    inner = slice(spans.first - first, spans.stop - first)
    window = StripWindow(
        spans.first,
        made.density[inner],
        made.noise[inner],
        made.systematic[inner],
        made.quality[inner],
        left,
        spans,
    )
    _fill(made, window, inner.start, source.reach, DROPOUT | MARK if fill_marks else DROPOUT)
    return window


def flag_beyond(window: StripWindow, low: float, high: float) -> None:
    """Set the bits of what lies at or beyond the lowest and the highest density of a characteristic curve, in place."""
    _flag_beyond(window.value, window.quality, *window.ends(), low, high)


@numba.njit(cache=True, nogil=True)
def _flag_beyond(value, quality, first, last, low, high):  # type: ignore[no-untyped-def]  # pragma: no cover
    for i in range(value.shape[0]):
        for j in range(first[i], last[i] + 1):
            if value[i, j] <= low:
                quality[i, j] |= np.uint16(LOW_DENSITY)
            elif value[i, j] >= high:
                quality[i, j] |= np.uint16(HIGH_DENSITY)


def _fill(made: CalibratedLines, window: StripWindow, above: int, reach: int, bits: int) -> None:
    """Bridge the samples of a window that carry one of `bits`, in place."""
    rows, columns = _carrying(window.quality, *window.ends(), np.uint16(bits))
    if rows.size == 0:
        return
    bad = (made.quality & np.uint16(bits)) != 0
    filled = bridge(made.density, made.noise, bad, rows + above, columns, reach)
    at = rows[filled], columns[filled]
    of_what = window.quality[at] & np.uint16(DROPOUT | MARK)  # the other bits went with what was bridged
    window.quality[at] = of_what | np.uint16(FILLED)


@numba.njit(cache=True, nogil=True)
def _carrying(quality, low, high, bits):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Rows and columns of the samples inside the spans that carry one of some bits."""
    count = 0
    for i in range(quality.shape[0]):
        for j in range(low[i], high[i] + 1):
            if quality[i, j] & bits:
                count += 1
    rows, columns = np.empty(count, np.intp), np.empty(count, np.intp)
    count = 0
    for i in range(quality.shape[0] if rows.size else 0):
        for j in range(low[i], high[i] + 1):
            if quality[i, j] & bits:
                rows[count], columns[count] = i, j
                count += 1
    return rows, columns
