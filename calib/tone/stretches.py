"""Stretches of a strip's lines, in which its neighbours' overlaps tell what is wrong with it."""

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

Said = TypeVar("Said")
Values = TypeVar("Values", NDArray[np.bool_], Array)


def said_by_neighbours(
    overlaps: Sequence[OverlapCells | None],
    residuals: ToneResiduals,
    n_lines: Sequence[int],
    say: Callable[[OverlapCells, Array, Array, NDArray[np.int64]], Said],
) -> tuple[list[Said | None], list[Said | None]]:
    """What each strip's overlap with the strip before it says of the strip, and what the one with the strip after it
    says, (n_strips,) each; None where they were not compared.

    The overlaps follow each strip. `say` is given an overlap's cells (N,), by how much the strip is too dense in each
    for its neighbour, with the 1-sigma of that, and in which of the strip's stretches each lies.
    """
    before, after = list[Said | None]([None] * len(n_lines)), list[Said | None]([None] * len(n_lines))
    of_any = np.flatnonzero(residuals.kind == OVERLAP_KIND)
    by_strip = of_any[np.argsort(residuals.strip[of_any], kind="stable")]
    ends = np.searchsorted(residuals.strip[by_strip], np.arange(len(overlaps) + 1))
    for strip, cells in enumerate(overlaps):
        if cells is not None:
            rows = by_strip[ends[strip] : ends[strip + 1]]
            residual, sigma = residuals.residual_density[rows], residuals.sigma_density[rows]
            after[strip] = say(cells, residual, sigma, _stretch(cells.line, n_lines[strip]))
            before[strip + 1] = say(cells, -residual, sigma, _stretch(cells.next_line, n_lines[strip + 1]))
    return before, after


def mostly(which: NDArray[np.bool_], stretch: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Stretches of which most cells are among some; of each cell (N,) its stretch is given."""
    return np.bincount(stretch, which, STRETCHES) > 0.5 * np.bincount(stretch, minlength=STRETCHES)


def wider(values: Values) -> Values:
    """Of each stretch the largest value of it and of the two beside it: what begins or ends in one may reach there."""
    beside = np.pad(values, 1)
    return np.maximum(values, np.maximum(beside[:-2], beside[2:]))


def _stretch(line: Array, n_lines: int) -> NDArray[np.int64]:
    """The stretches in which lines lie."""
    return np.clip(np.floor(line / n_lines * STRETCHES), 0, STRETCHES - 1).astype(np.int64)
