"""Uses reseau strokes of stated density as tone control: the samples in the middle of each stroke.

The readout's blur mixes light from beside a stroke into it. The share follows from a sample's distance to the stroke's
edges and from the blur; it is subtracted in light, to which the strip's first curve converts DN. The uncertainty of the
blur remains as an error that neighbouring strokes share. A narrow stroke that is darker than its surroundings may hold
more of their light than of its own, and then tells little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints
from calib.median import TO_SIGMA, medians_by
from calib.sweep.model import StripSweep, to_scan
from calib.tone.cells import Cells, select
from calib.tone.known_film import KnownFilm
from calib.tone.stroke_kernels import CLEAR, EXPECTED, stroke_cells
from calib.tone.transfer import LN_10, FirstCurve, power_of_ten

STROKE = 20002  # label of a stroke's cells
NARROWEST = 0.55  # samples from the axis that are used at least
LEAST_SIGMA = 0.002  # density: of a stroke that nothing leaks into (no source)
NO_GAUSSIAN = 0.1  # of the density taken off: 1-sigma of what a spot of another shape leaks (no source)
PLACED = 0.8  # samples: a stroke placed less surely is not used
MEASURED = 0.1  # 1-sigma of the logarithm of a blur that the marks tell (no source: a scene's relief misleads them)
BLUR_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0  # of a spot's blurs, which stand for all (Gauss and Hermite)


@dataclass(frozen=True, slots=True)
class Spot:
    """The readout's blur and the sample together: a Gaussian's 1-sigma across (samples) and along (lines), and the
    1-sigma of their logarithm."""

    blur_px: tuple[float, float]
    log_sigma: float = MEASURED

    def blurs(self) -> Array:
        """Blurs (3, 2) in samples and lines that with `BLUR_WEIGHTS` stand for all."""
        apart = np.exp(self.log_sigma * np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0]))
        return np.asarray(apart[:, np.newaxis] * self.blur_px)


ASSUMED = Spot((0.78, 0.78), 0.25)  # where no mark has told it (common practice, no source)


def spot_told(blur_px: tuple[float, float] | None) -> Spot:
    """The spot by the blur measured at the marks, in samples and lines; the usual one if no mark was measured."""
    return ASSUMED if blur_px is None else Spot(blur_px)


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """What a strip reads on its reseau strokes, a row (N,) for each mark and sample: raw `cells`, the number of their
    mark, the DN beside it, and the share of light from there (N, B) for all blurs of the
    `spot`."""

    cells: Cells
    mark: NDArray[np.int64]
    ground_dn: Array
    leak: Array
    spot: Spot

    def cleared(self, curve: FirstCurve | None) -> Array:
        """DN (N, B) without the stray light, for all blurs; without a curve, DN are taken to be proportional to
        light."""
        dn, ground_dn = self.cells.dn[:, None], self.ground_dn[:, None]
        if curve is None:
            return (dn - self.leak * ground_dn) / (1.0 - self.leak)
        light, ground = (power_of_ten(-curve.density_of(each)) for each in (dn, ground_dn))
        own = (light - self.leak * ground) / (1.0 - self.leak)
        return dn + _dn_of_light(curve, own) - _dn_of_light(curve, light)


def _dn_of_light(curve: FirstCurve, light: Array) -> Array:
    """DN of light; beyond the curve's deepest density by the tangent there."""
    bright = np.maximum(light, power_of_ten(np.array(-curve.deepest)))
    density = -np.log10(bright)
    return curve.dn_of(density) - curve.slope(density) / (LN_10 * bright) * (light - bright)


def _reach(known: KnownFilm, sample_mm: float) -> float:
    """Samples on each side of a stroke's axis that are used."""
    return max(known.stroke_mm / 2 / sample_mm - CLEAR, NARROWEST)


def gather_strokes(
    dn: NDArray, lost: NDArray[np.bool_], sweep: StripSweep, known: KnownFilm, clip: tuple[int, int], spot: Spot
) -> Strokes:
    """Read a strip's strokes, without any correction."""
    sample_mm = float(np.median(np.diff(sweep.x_sample_mm)))
    line_mm = float(np.median(np.abs(np.diff(sweep.y_line_mm))))
    place = to_scan(sweep, FilmPoints(x_mm=known.mark_x_mm, y_mm=known.mark_y_mm))
    line = np.clip(np.round(np.nan_to_num(place.line)), 0, dn.shape[0] - 1).astype(np.int64)
    sure = (sweep.sigma_x_mm[line] <= PLACED * sample_mm) & (sweep.sigma_y_mm[line] <= PLACED * line_mm)
    chosen = np.flatnonzero(_in_view(place.line, place.sample, dn.shape) & sure)
    rows = (chosen, known.mark_x_mm[chosen], known.mark_y_mm[chosen], line[chosen], np.round(place.sample[chosen]))
    step = sample_mm, line_mm
    cross = (
        step,
        tuple(known.arm_mm / each for each in step),
        tuple(known.stroke_mm / 2 / each for each in step),
        tuple(_reach(known, each) for each in step),
    )
    places = (sweep.x_sample_mm, sweep.x_line_mm), (sweep.y_sample_mm, sweep.y_line_mm)
    table = stroke_cells((dn, lost, clip), places, np.stack(rows, axis=1), cross, spot.blurs())
    mark, sample = table[:, :2].astype(np.int64).T
    line, count, read_dn, ground_dn = table[:, 2:6].T
    cells = Cells(np.full(len(table), STROKE), sample, line, count, read_dn, np.zeros(len(table)))
    return Strokes(cells, mark, ground_dn, table[:, 6:], spot)


def clear_strokes(strips: Sequence[Strokes], cleared: Sequence[Array]) -> tuple[Cells, ...]:
    """Cells of each strip's strokes, `cleared` of stray light for the common blur.

    The error due to the blur has a part that all strokes share (`stroke_sigma`), one that those of a strip share, and
    one of each mark. The fit treats the errors of cells as independent, so theirs are increased by the number of cells
    that share one.
    """
    off = [dn - dn[:, EXPECTED, None] for dn in cleared]
    middle = [np.median(some, axis=0) if len(some) else np.zeros(BLUR_WEIGHTS.size) for some in off]
    alike = np.median(np.concatenate(off), axis=0) if sum(map(len, off)) else np.zeros(BLUR_WEIGHTS.size)
    made = []
    for strokes, dn, some, own in zip(strips, cleared, off, middle, strict=True):
        shared = ((own - alike) ** 2 @ BLUR_WEIGHTS) * len(some)
        beside = ((some - own) ** 2 @ BLUR_WEIGHTS) * len(some) / max(np.unique(strokes.mark).size, 1)
        made.append(replace(strokes.cells, dn=dn[:, EXPECTED], doubt_dn=np.sqrt(shared + beside)))
    return tuple(made)


def stroke_sigma(strips: Sequence[Strokes], curves: Sequence[FirstCurve], cleared: Sequence[Array]) -> float:
    """1-sigma of the density error that all strokes share: that due to the blur's uncertainty, and a share of the whole
    correction, since no spot is exactly a Gaussian."""
    taken = [
        curve.density_of(dn) - curve.density_of(strokes.cells.dn)[:, None]
        for strokes, curve, dn in zip(strips, curves, cleared, strict=True)
    ]
    if not sum(map(len, taken)):
        return LEAST_SIGMA
    alike = np.median(np.concatenate(taken), axis=0)
    left_open = (alike - alike[EXPECTED]) ** 2 @ BLUR_WEIGHTS
    return float(np.sqrt(LEAST_SIGMA**2 + (NO_GAUSSIAN * alike[EXPECTED]) ** 2 + left_open))


def _in_view(line: NDArray, sample: NDArray, shape: tuple[int, int]) -> NDArray[np.bool_]:
    return (line > 0) & (line < shape[0] - 1) & (sample > 0) & (sample < shape[1] - 1)


def whole_strokes(curve: FirstCurve, cells: Cells, mark: NDArray[np.int64]) -> Cells:
    """The cells of marks that read about the same as most marks of the strip; missing and scratched ones are left
    out."""
    if cells.dn.size == 0:
        return cells
    density = curve.density_of(cells.dn)
    marks, which = np.unique(mark, return_inverse=True)
    each = medians_by(density, which, marks.size)
    centre = np.median(each)
    limit = 0.02 + 4 * TO_SIGMA * float(np.median(np.abs(each - centre)))
    return select(cells, (np.abs(each - centre) < limit)[which])
