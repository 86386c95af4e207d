"""Samples prepared for the inner loop, with a coarse mask of the places whose taps are not all sound.

By the mask the inner loop can skip testing single samples.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.film.kernels import CELL, Axes
from calib.film.spans import Spans
from calib.quality import MARK

SOUND, MARKED, UNSOUND = 0, 1, 2


class Packed(NamedTuple):
    """Samples for the inner loop, (rows, columns); row 0 is line `top` and column 0 is sample `left`, both even.

    Cells of CELL lines and samples hold what varies slowly. `doubts` (cells down, cells across, 2) are variance and
    systematic error. `unsound` (cells down, cells across) tells of the taps of places whose first tap lies in the cell:
    SOUND, MARKED (some are marks, nothing else) or UNSOUND. Compiled code reads and fills the arrays.
    """

    value: NDArray[np.float32]
    quality: NDArray[np.uint16]
    doubts: NDArray[np.float32]
    unsound: NDArray[np.uint8]
    top: int
    left: int

    @classmethod
    def empty(cls, need: Spans) -> "Packed":
        """Arrays for the samples `need`, all zero: padding is multiplied by 0, and must be finite."""
        left, right = need.samples
        top, left = need.first // CELL * CELL, left // CELL * CELL
        size = (need.stop - top, right - left)
        cells = (size[0] // CELL + 4, size[1] // CELL + 4)  # the taps of the last places read a few more
        return cls(
            np.zeros(size, np.float32), np.zeros(size, np.uint16), np.zeros((*cells, 2), np.float32),
            np.zeros(cells, np.uint8), top, left,
        )  # fmt: skip


class Samples(NamedTuple):
    """Packed samples as the inner loops read them, with what else these need of the strip.

    `unsound` (cells,) is indexed by number of the cell. The first tap of a place is at row ``line - first_line`` and
    column ``sample - first_sample``, where (line, sample) is the sample at or before it. `n_samples` is that of the
    strip. With `fill`, bridged dropouts are used. `correlation`: of its noise with that of earlier strips.
    """

    value: NDArray[np.float32]
    quality: NDArray[np.uint16]
    doubts: NDArray[np.float32]
    unsound: NDArray[np.uint8]
    first_line: int
    first_sample: int
    n_samples: int
    fill: bool
    correlation: np.float32

    @classmethod
    def of(cls, packed: Packed, axes: Axes, n_samples: int, *, fill: bool, correlation: float) -> "Samples":
        """Packed samples of a strip, with origins that turn a place's sample into the place of its first tap."""
        first = packed.top + axes.along.before, packed.left + axes.across.before
        of_cells = packed.doubts, packed.unsound.ravel()
        return cls(packed.value, packed.quality, *of_cells, *first, n_samples, fill, np.float32(correlation))


@njit(cache=True, nogil=True, inline="always")
def mark_cells(i, j, last, tall, wide, how, unsound):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mark the cells of all places whose `tall` by `wide` taps reach columns `j` to `last` of row `i`."""
    for cell_i in range(max(i - tall + 1, 0) // CELL, i // CELL + 1):
        for cell_j in range(max(j - wide + 1, 0) // CELL, last // CELL + 1):
            unsound[cell_i, cell_j] = max(unsound[cell_i, cell_j], how)


@njit(cache=True, nogil=True, inline="always")
def _state_of(value, bits, taps):  # type: ignore[no-untyped-def]  # pragma: no cover
    """How a sample affects the places near it, and over how many samples: a NaN also spoils sums in which it has weight
    0."""
    if not np.isfinite(value):
        return UNSOUND, taps.lanes
    if bits == 0:
        return SOUND, taps.samples
    return (MARKED if bits == MARK else UNSOUND), taps.samples


@njit(cache=True, nogil=True)
def mark_row(i, j, stop, taps, made):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mark the cells around the samples of a row from column `j` to `stop` - 1; runs of equal samples are marked at
    once."""
    value, quality = made.value, made.quality
    while j < stop:
        how, reach = _state_of(value[i, j], quality[i, j], taps)
        behind = j + 1
        while behind < stop and _state_of(value[i, behind], quality[i, behind], taps) == (how, reach):
            behind += 1
        if how != SOUND:
            mark_cells(i, j, behind - 1, taps.lines, reach, np.uint8(how), made.unsound)
        j = behind
