"""The seam check: do neighbouring strips agree on the density of the film that both show?

At every seam both strips are sampled at the same film places in their overlap. The mean difference over a block of rows
is the jump that a viewer would see; the noise of N samples alone would make it sigma / sqrt(N). Of a long seam only
some stretches are sampled.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.film.interpolate import KernelScale, Sampled, sample_strips
from calib.film.raster import Raster, upright
from calib.film.source import StripSource
from calib.frame.frame import Frame
from calib.frame.words import listed
from calib.ordered import in_order
from calib.quality import OUTSIDE
from calib.run.fitting.fit import FrameFits

JUMPS = 4.0  # times the noise: a viewer would see such a jump
FEWEST_BLOCKS = 5  # of a seam from which `shows_other_film` can be judged
# Changes from block to block of the difference of two strips, as a share of the strips' own changes: 1 if they have
# nothing in common. Above this they show different film.
UNLIKE = 0.7
MOST_SAID = 12  # seams that get a warning each
FEWEST_OF_MOST = 3  # seams for a general warning: a single wrong strip explains two
BLOCK_ROWS = 64
AT_ONCE = 512  # rows sampled together: a whole number of blocks
MOST_ROWS = 2048  # rows of a seam that are sampled: on a longer one, stretches spread evenly over it
LEAST_SEEN = 16  # places of a block
STEP_SAMPLES = 2  # distance of places: two samples apart they share few raw samples, so noise counts as independent


@dataclass(frozen=True, slots=True, eq=False)
class SeamCheck:
    """Comparison of neighbouring strips, one row per block of a seam: index of the left strip, film y in mm, mean
    density in the left and in the right strip, and the 1-sigma noise of their difference, `floor`."""

    strip: NDArray[np.int64]
    y_mm: NDArray[np.float64]
    left: NDArray[np.float64]
    right: NDArray[np.float64]
    floor: NDArray[np.float64]

    @property
    def jump(self) -> Array:
        """Difference in density, left minus right."""
        return self.left - self.right

    def ratio(self) -> float:
        """Root mean square of jump over floor; 1 if only noise is left."""
        return float(np.sqrt(np.mean((self.jump / self.floor) ** 2))) if self.jump.size else float("nan")

    def of(self, strip: int) -> "SeamCheck":
        """The rows of the seam right of a strip."""
        mine = self.strip == strip
        return SeamCheck(self.strip[mine], self.y_mm[mine], self.left[mine], self.right[mine], self.floor[mine])

    def times_noise(self, strip: int) -> float:
        """The `ratio` of the seam right of a strip; NaN if it has no rows."""
        return self.of(strip).ratio()

    def stands_out(self, strip: int) -> bool:
        """Whether the seam right of a strip jumps far beyond its noise."""
        return self.times_noise(strip) > JUMPS

    def shows_other_film(self, strip: int) -> bool:
        """Whether the two strips of a seam change along it independently of each other, far beyond their noise.

        An error of one strip's tone does not look like that: a jump of its gain changes few of the differences from
        block to block, and drift changes them little.
        """
        mine = self.of(strip)
        if mine.strip.size < FEWEST_BLOCKS:
            return False
        left, right, apart = (float(np.median(np.abs(np.diff(each)))) for each in (mine.left, mine.right, mine.jump))
        return apart > max(UNLIKE * float(np.hypot(left, right)), JUMPS * float(np.median(mine.floor)))


def seam_warnings(seams: SeamCheck) -> tuple[str, ...]:
    """Warnings about seams that jump far beyond their noise, each or many in one sentence; one if most seams do, which
    no single strip's tone explains; and one about seams whose strips show different film."""
    compared = np.unique(seams.strip).tolist()
    far = [strip for strip in compared if seams.stands_out(strip)]
    said = [
        f"seam between strips {strip} and {strip + 1}: density jumps by {seams.times_noise(strip):.1f} times its noise"
        for strip in far
    ]
    if len(far) > MOST_SAID:
        most = max(seams.times_noise(strip) for strip in far)
        said = [f"seams right of strips {listed(far)}: density jumps by up to {most:.1f} times its noise"]
    if len(far) >= FEWEST_OF_MOST and 2 * len(far) > len(compared):
        doubt = (
            "the strips' order, their direction (scan.reversed) or the wedge may not be as stated; the map is doubtful"
        )
        said.insert(0, f"density jumps at {len(far)} of {len(compared)} seams: {doubt}")
    other = [strip for strip in compared if seams.shows_other_film(strip)]
    if other:
        where = f"right of strip{'s' * (len(other) > 1)} {listed(other)}"
        said.insert(
            0,
            f"two strips show different film where they should overlap, {where}: one of them is misplaced or belongs "
            "to another frame; the map is wrong there",
        )
    return tuple(said)


def check_seams(fits: FrameFits, threads: int = 1) -> SeamCheck:
    """Measure every seam of a frame inside the exposed format; strips that do not overlap have no rows."""
    sources = [replace(source, noise_alone=True) for source in fits.sources()]
    found = list(in_order(lambda pair: _seam(fits.frame, *pair), pairwise(sources), threads))
    strip = np.concatenate([np.full(len(rows), k) for k, rows in enumerate(found)]) if found else np.zeros(0)
    rows = np.array([row for rows in found for row in rows], dtype=float).reshape(-1, 4)
    return SeamCheck(strip.astype(np.int64), *rows.T)


def _seam(frame: Frame, left: StripSource, right: StripSource) -> list[tuple[float, float, float, float]]:
    sample_mm, line_mm = frame.scan.sample_mm, frame.scan.line_mm
    half_y = frame.camera.format_mm[1] / 2
    x_low = right.sweep.x_sample_mm[0] + float(np.median(right.sweep.x_line_mm))
    x_high = left.sweep.x_sample_mm[-1] + float(np.median(left.sweep.x_line_mm))
    n_columns = ceil((x_high - x_low - 4 * sample_mm) / (STEP_SAMPLES * sample_mm))
    n_rows = ceil(2 * half_y / (STEP_SAMPLES * line_mm))

    def x_mm(column: Array) -> Array:
        return x_low + (2 + STEP_SAMPLES * column) * sample_mm

    def y_mm(row: Array) -> Array:
        return STEP_SAMPLES * row * line_mm - half_y

    found: list[tuple[float, float, float, float]] = []
    for first in _stretches(n_rows) if n_columns > 0 else ():
        rows = slice(first, min(first + AT_ONCE, n_rows))
        found += _blocks(
            left,
            right,
            upright(x_mm, y_mm, rows, slice(0, n_columns)),
            y_mm(np.arange(rows.start, rows.stop, dtype=float)),
        )
    return found


def _stretches(n_rows: int) -> range:
    """First rows of the stretches of a seam that are sampled."""
    return range(0, n_rows, AT_ONCE * -(-n_rows // MOST_ROWS))


def _blocks(
    left: StripSource, right: StripSource, places: Raster, y: NDArray[np.float64]
) -> list[tuple[float, float, float, float]]:
    """The rows (y, left, right, floor) of `SeamCheck` for the blocks of a stretch that both strips show enough of.

    `y` is the film y of each row of `places`.
    """
    seen = [_alone(source, places) for source in (left, right)]
    good = (seen[0].quality == 0) & (seen[1].quality == 0)
    firsts = np.arange(0, y.size, BLOCK_ROWS // STEP_SAMPLES)

    def total(values: NDArray[np.floating]) -> Array:
        by_row = np.where(good, values, 0.0).reshape(places.shape).sum(axis=1, dtype=float)
        return np.asarray(np.add.reduceat(by_row, firsts))

    count = total(np.ones(good.shape))
    variance = total(seen[0].sigma.astype(float) ** 2 + seen[1].sigma.astype(float) ** 2)
    middle = np.add.reduceat(y, firsts) / np.diff(np.append(firsts, y.size))
    enough = count >= LEAST_SEEN
    n = count[enough]
    columns = (middle[enough], *(total(each.value)[enough] / n for each in seen), np.sqrt(variance[enough]) / n)
    return list(zip(*(column.tolist() for column in columns), strict=True))


def _alone(source: StripSource, places: Raster) -> Sampled:
    """Samples of one strip alone; the OUTSIDE bit is set where it was not scanned."""
    sampled = sample_strips([source], places, scale=KernelScale(), fill=False)
    sampled.quality[~np.isfinite(sampled.value)] |= np.uint16(OUTSIDE)
    return sampled
