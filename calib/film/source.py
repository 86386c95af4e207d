"""A strip as calibrated density with noise, systematic error and quality bits, read by blocks of lines."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.film.fill import bridge
from calib.film.spans import everything
from calib.film.strokes import StripMarks, marked_runs
from calib.film.tables import DENSITY, read_lines
from calib.frame.frame import StripRaster
from calib.quality import DROPOUT, FILLED, MARK
from calib.sweep.model import StripSweep
from calib.tone.apply import CalibratedLines, calibrate_lines, flag_runs
from calib.tone.dropouts import Dropouts
from calib.tone.model import StripTone

SHORTEST_FILL = 8  # samples: a dropout up to this wide is bridged, as is a stroke of any width (common practice)


@dataclass(frozen=True, slots=True, eq=False)
class StripSource:
    """A strip with everything needed to sample it: raster, sweep, tone, dropouts and marks.

    With `noise_alone` the uncertainty of its values is only the noise of the samples, without that of tone and place.
    """

    raster: StripRaster
    sweep: StripSweep
    tone: StripTone
    dropouts: Dropouts
    marks: StripMarks
    noise_alone: bool = False

    @property
    def reach(self) -> int:
        """Samples over which a gap is bridged."""
        return max(SHORTEST_FILL, self.marks.stroke_samples)


@dataclass(frozen=True, slots=True, eq=False)
class StripWindow:
    """A block of lines of one strip; all arrays (lines, samples).

    `value` is density; `noise` the 1-sigma of one sample, independent from sample to sample; `systematic` the 1-sigma
    of curve, banding and drift, shared by neighbouring samples. NaN where unknown.
    """

    first: int
    value: NDArray[np.float32]
    noise: NDArray[np.float32]
    systematic: NDArray[np.float32]
    quality: NDArray[np.uint16]


def read_window(source: StripSource, first: int, stop: int, *, fill_marks: bool) -> StripWindow:
    """Calibrated lines `first`..`stop` - 1, cut to the strip; the same values whatever block they are read in.

    Samples of dropouts short enough to bridge are filled and carry ``DROPOUT | FILLED``, longer ones are NaN. Marks
    keep their density, or with `fill_marks` are bridged too (``MARK | FILLED``), the wedge being too wide for that.
    """
    n_lines, n_samples = source.raster.n_lines, source.raster.n_samples
    halo = source.reach + 1
    low, high = max(0, first - halo), min(n_lines, stop + halo)
    read = read_lines(source.raster, source.tone, DENSITY, low, high)
    made, spans = CalibratedLines.empty((high - low, n_samples)), everything(low, high, n_samples)
    calibrate_lines(read.dn, source.tone, low, 0, spans.low, spans.high, made)
    for runs, bit in ((source.dropouts.runs, DROPOUT), (marked_runs(source.sweep, source.marks), MARK)):
        flag_runs(made.quality, runs, low, 0, spans.low, spans.high, bit)
    bad = (made.quality & np.uint16(DROPOUT | MARK if fill_marks else DROPOUT)) != 0
    rows, columns = at = np.nonzero(bad)
    made.density[at], made.noise[at], filled = bridge(read, bad, rows, columns, source.reach)
    of_what = made.quality[at] & np.uint16(DROPOUT | MARK)  # the other bits went with what was bridged
    made.quality[at] = np.where(filled, of_what | np.uint16(FILLED), made.quality[at])
    inner = slice(max(first, 0) - low, min(stop, n_lines) - low)
    return StripWindow(
        max(first, 0), made.density[inner], made.noise[inner], made.systematic[inner], made.quality[inner]
    )
