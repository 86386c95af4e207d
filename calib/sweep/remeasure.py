"""Measures ties again with better sweeps, where that can change them.

A tie is a pair of places and remains valid when the sweeps improve. It is measured again if the sweeps were bent or
stretched against each other within its window, or if it was far off or contradicts the fit and the search for it now
starts elsewhere.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.ordered import shared_out
from calib.sweep.counterpart import counterparts
from calib.sweep.model import StripSweep
from calib.sweep.seam import WINDOW_LINES, overlap_rows, overlap_samples, row_step, whole_windows
from calib.sweep.tables import ReadWindow
from calib.sweep.ties import (
    MOST_PARTS,
    NO_TIES,
    UNBOUNDED,
    Ties,
    is_uncertain,
    join_ties,
    measure_ties,
    part_bounds,
    ties_of_rows,
)

FAR_PX = 0.8  # shift beyond which a tie was far off; also the least move of a window without a tie to be tried again
LEAST_WEIGHT = 0.4  # robust weight of a tie that agrees with the fit
MOVED_PX = 0.1  # least move of a window by better sweeps for a doubtful tie to be measured again
BENT_PX = 0.2  # difference of the moves at a window's corners beyond which its tie is measured again
FEW = 0.005  # share of a seam's rows: if no seam has more rows to measure again, the sweeps would not change
GAP_ROWS = 2  # greatest number of rows between two rows to be measured that are read with them


def measure_again(
    read: Sequence[ReadWindow], sweeps: Sequence[StripSweep], rough: Sequence[StripSweep], px_mm: Array, ties: Ties,
    weight: Array, threads: int = 1, format_mm: Sequence[float] = UNBOUNDED,
) -> Ties | None:  # fmt: skip
    """The ties with those measured again that may change from the `rough` sweeps to the better `sweeps`; None if hardly
    any may.

    `weight` (T,) is their robust weight in the latest fit. Seams whose strips' relative place was uncertain are
    measured again completely.
    """
    whole = [k for k in range(len(sweeps) - 1) if is_uncertain(rough[k], rough[k + 1], px_mm)]
    row = ties.row

    def unsettled(k: int) -> NDArray[np.bool_]:
        mine = ties.strip == k
        far = (np.abs(ties.shift[mine]).max(axis=1) > FAR_PX) | (weight[mine] < LEAST_WEIGHT)
        return _unsettled_rows(row[mine], far, (rough[k], rough[k + 1]), (sweeps[k], sweeps[k + 1]))

    seams = sorted(set(ties.profiles) - set(whole))
    rows = dict(zip(seams, shared_out(unsettled, seams, threads), strict=True))
    if not whole and all(unsettled.mean() <= FEW for unsettled in rows.values()):
        return None
    pieces = [(k, piece) for k, unsettled in rows.items() for piece in _pieces(unsettled)]

    def piece_ties(piece: tuple[int, range]) -> Ties:
        overlap = overlap_rows(read, sweeps, *piece)
        return NO_TIES if overlap is None else ties_of_rows(overlap, ties.profiles[piece[0]], px_mm, format_mm)

    keep = ~np.isin(ties.strip, whole)
    for k, piece in pieces:
        keep &= ~((ties.strip == k) & (row >= piece.start) & (row < piece.stop))
    again = shared_out(piece_ties, pieces, threads)
    return join_ties([ties.select(keep), measure_ties(read, sweeps, px_mm, whole, threads, format_mm), *again])


def _unsettled_rows(
    row: NDArray[np.int64], far: NDArray[np.bool_], before: tuple[StripSweep, StripSweep],
    after: tuple[StripSweep, StripSweep],
) -> NDArray[np.bool_]:  # fmt: skip
    """Mask of the rows of windows of a seam that are to be measured again; `before`, `after`: sweeps (left, right).

    `row` (T,): the rows of the seam's ties; `far` (T,): the mask of those that were far off or contradict the fit.
    """
    n_rows = whole_windows(before[0])
    moved, bent = _moves(before, after, n_rows)
    doubtful, empty = np.zeros((2, n_rows), bool)
    doubtful[row[far]] = True
    empty[:: row_step(n_rows)] = True
    empty[row] = False
    return np.asarray((bent > BENT_PX) | (doubtful & (moved > MOVED_PX)) | (empty & (moved > FAR_PX)))


def _moves(
    before: tuple[StripSweep, StripSweep], after: tuple[StripSweep, StripSweep], n_rows: int
) -> tuple[Array, Array]:
    """Greatest move of the counterparts of each row of windows (n_rows,) between two pairs of sweeps, px, and greatest
    difference of the moves at the corners of one window."""
    first, stop = overlap_samples(*before)
    lines = np.minimum(np.arange(n_rows + 1) * WINDOW_LINES, before[0].n_lines - 1)
    samples = np.minimum(first + part_bounds(stop - first, MOST_PARTS), stop - 1)
    move = counterparts(*after, lines, samples) - counterparts(*before, lines, samples)
    corners = np.stack([move[:, :-1, :-1], move[:, 1:, :-1], move[:, :-1, 1:], move[:, 1:, 1:]])
    return np.abs(corners).max(axis=(0, 1, 3)), np.ptp(corners, axis=0).max(axis=(0, 2))


def _pieces(rows: NDArray[np.bool_]) -> list[range]:
    """Runs of the rows to be measured again, joined if at most GAP_ROWS rows lie between them."""
    chosen = np.flatnonzero(rows)
    if not chosen.size:
        return []
    ends = np.flatnonzero(np.diff(chosen) > GAP_ROWS + 1)
    starts = chosen[np.append(0, ends + 1)].tolist()
    return [range(start, stop + 1) for start, stop in zip(starts, chosen[np.append(ends, -1)].tolist(), strict=True)]
