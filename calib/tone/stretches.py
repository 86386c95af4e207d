"""Divides a strip's lines into stretches in which its overlaps with the neighbours are judged."""

from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.tone.drift import BEYOND, DRIFT_MODES
from calib.tone.evidence import OVERLAP_KIND
from calib.tone.model import ToneResiduals
from calib.tone.overlap import OverlapCells

STRETCHES = round(2 * DRIFT_MODES / (1 + 2 * BEYOND))  # of a strip's lines: two to the shortest half wave of a drift

Judgement = TypeVar("Judgement")
Values = TypeVar("Values", NDArray[np.bool_], Array)


def judged_by_neighbours(
    overlaps: Sequence[OverlapCells | None],
    residuals: ToneResiduals,
    n_lines: Sequence[int],
    judge: Callable[[OverlapCells, Array, Array, NDArray[np.int64]], Judgement],
) -> tuple[list[Judgement | None], list[Judgement | None]]:
    """Judge each strip by its overlap with the strip before and by that with the strip after it, (n_strips,) each.

    `overlaps[k]` is of strips k and k + 1; the judgement is None where they were not compared. `judge` is called with
    an overlap's cells (N,), how much denser the strip is than its neighbour in each, the 1-sigma of that, and the
    number of the strip's stretch in which each cell lies.
    """
    before, after = list[Judgement | None]([None] * len(n_lines)), list[Judgement | None]([None] * len(n_lines))
    of_any = np.flatnonzero(residuals.kind == OVERLAP_KIND)
    by_strip = of_any[np.argsort(residuals.strip[of_any], kind="stable")]
    ends = np.searchsorted(residuals.strip[by_strip], np.arange(len(overlaps) + 1))
    for strip, cells in enumerate(overlaps):
        if cells is not None:
            rows = by_strip[ends[strip] : ends[strip + 1]]
            residual, sigma = residuals.residual_density[rows], residuals.sigma_density[rows]
            after[strip] = judge(cells, residual, sigma, _stretch(cells.line, n_lines[strip]))
            before[strip + 1] = judge(cells, -residual, sigma, _stretch(cells.next_line, n_lines[strip + 1]))
    return before, after


def mostly(which: NDArray[np.bool_], stretch: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Mask of the stretches of which most cells are in the mask `which` (N,); `stretch` (N,) is that of each cell."""
    return np.bincount(stretch, which, STRETCHES) > 0.5 * np.bincount(stretch, minlength=STRETCHES)


def wider(values: Values) -> Values:
    """The largest value of each stretch and its two neighbours, into which a fault that begins in one may reach."""
    beside = np.pad(values, 1)
    return np.maximum(values, np.maximum(beside[:-2], beside[2:]))


def _stretch(line: Array, n_lines: int) -> NDArray[np.int64]:
    """The number of the stretch in which each line lies."""
    return np.clip(np.floor(line / n_lines * STRETCHES), 0, STRETCHES - 1).astype(np.int64)
