"""One strip as calibrated density with its noise, its systematic error and its quality, block of lines by block."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.film.fill import fill_from_neighbours
from calib.film.strokes import StripMarks, marked
from calib.frame.frame import StripRaster
from calib.quality import DROPOUT, FILLED, MARK
from calib.sweep.model import StripSweep
from calib.tone.apply import density_window
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
    """A block of lines of one strip; all arrays (lines, samples).

    `value` is density, or what a converter made of it; `noise` the 1-sigma of one sample, independent from sample to
    sample; `systematic` the 1-sigma of curve, banding and drift, shared by neighbouring samples. NaN where unknown.
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
    n_lines = source.raster.n_lines
    halo = source.reach + 1
    low, high = max(0, first - halo), min(n_lines, stop + halo)
    calibrated = density_window(source.raster, source.tone, source.dropouts, low, high)
    quality = calibrated.quality.copy()
    marks = marked(source.marks, source.sweep, low, high)
    quality[marks] |= np.uint16(MARK)
    bad = (quality & DROPOUT) != 0
    if fill_marks:
        bad |= marks
    density, noise, filled = fill_from_neighbours(calibrated.density, calibrated.sigma, bad, source.reach)
    quality[filled] = (quality[filled] & np.uint16(DROPOUT | MARK)) | np.uint16(FILLED)  # what was bridged is gone
    inner = slice(max(first, 0) - low, min(stop, n_lines) - low)
    lines = slice(max(first, 0), min(stop, n_lines))
    return StripWindow(
        first=lines.start,
        value=density[inner],
        noise=noise[inner],
        systematic=_systematic(source, lines),
        quality=quality[inner],
    )


def _systematic(source: StripSource, lines: slice) -> NDArray[np.float32]:
    """1-sigma in density that neighbouring samples share: curve, banding and drift."""
    tone = source.tone
    curve = tone.curve_sigma[source.raster.read(lines.start, lines.stop)].astype(np.float32)
    slow = tone.column_sigma[np.newaxis, :] ** 2 + tone.line_sigma[lines, np.newaxis] ** 2
    return np.sqrt(curve**2 + slow.astype(np.float32))
