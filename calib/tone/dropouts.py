"""The lost samples of a strip: dropouts of the tape, and blocks that are left out for other reasons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto

import numpy as np
from numpy.typing import NDArray

from calib.tone.dropout_kernels import fill_runs, runs_of


class Reason(Enum):
    """Why a block of samples that is no dropout counts as lost."""

    UNREAD = auto()  # the file is damaged there, or has no such lines
    SLIPPED = auto()  # the picture is shifted along the lines
    STRANGE = auto()  # the picture shows different film from the neighbouring strips
    STILL = auto()  # the samples have the same value in all lines


@dataclass(frozen=True, slots=True)
class LostBlock:
    """A block of samples that is lost for a `reason`: whole `lines`, or the same `samples` of all lines.

    `slip` is the number of samples by which a slipped picture is shifted to the right.
    """

    reason: Reason
    lines: range
    samples: range
    slip: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Dropouts:
    """The lost samples of a strip: `runs`, int32 (n, 3), rows of (line, first_sample, stop_sample).

    `blocks` are those of them that are no dropouts. `clip` (low, high) are the DN at and beyond which samples have no
    tone; None if the strip was not examined.
    """

    runs: NDArray[np.int32]
    n_lines: int
    n_samples: int
    clip: tuple[int, int] | None = None
    blocks: tuple[LostBlock, ...] = ()

    def mask(self, first: int, stop: int) -> NDArray[np.bool_]:
        """True where a sample of lines `first` to `stop` (exclusive) is lost; shape (stop - first, n_samples)."""
        lost = np.zeros((stop - first, self.n_samples), dtype=np.bool_)
        low, high = np.searchsorted(self.runs[:, 0], (first, stop))
        fill_runs(self.runs[low:high], first, lost)
        return lost

    def whole_lines(self) -> NDArray[np.bool_]:
        """Which lines are lost from edge to edge, (n_lines,)."""
        whole = np.zeros(self.n_lines, np.bool_)
        whole[self.runs[self.runs[:, 2] - self.runs[:, 1] == self.n_samples, 0]] = True
        return whole

    def unread(self) -> list[int]:
        """The lines that could not be read."""
        return [line for block in self.blocks if block.reason is Reason.UNREAD for line in block.lines]

    @property
    def n_lost(self) -> int:
        """Number of samples lost."""
        return int((self.runs[:, 2] - self.runs[:, 1]).sum())

    @property
    def n_dropped(self) -> int:
        """Number of dropouts: lost samples that lie in none of the blocks."""
        if not self.blocks:
            return self.n_lost
        lost = self.mask(0, self.n_lines)
        _set(lost, self.blocks, value=False)
        return int(np.count_nonzero(lost))


def all_lost(n_lines: int, n_samples: int) -> Dropouts:
    """Dropouts of a strip that is lost as a whole."""
    line = np.arange(n_lines, dtype=np.int32)
    return Dropouts(np.stack([line, np.zeros_like(line), np.full_like(line, n_samples)], axis=1), n_lines, n_samples)


def with_blocks(found: Dropouts, blocks: Sequence[LostBlock]) -> Dropouts:
    """The lost samples `found` so far, with further `blocks` added."""
    if not blocks:
        return found
    lost = found.mask(0, found.n_lines)
    _set(lost, blocks, value=True)
    runs = runs_of(lost, np.ones(found.n_lines, np.bool_))
    return replace(found, runs=runs, blocks=(*found.blocks, *blocks))


def with_unread(found: Dropouts, unread: NDArray[np.bool_]) -> Dropouts:
    """Lost samples of a whole strip, from those `found` among its readable lines and the mask `unread` (n_lines,)."""
    number, runs, all_samples = np.flatnonzero(~unread), found.runs.copy(), range(found.n_samples)
    runs[:, 0] = number[found.runs[:, 0]]
    blocks = tuple(
        replace(block, lines=range(int(number[block.lines[0]]), int(number[block.lines[-1]]) + 1))
        for block in found.blocks
    )
    ends = np.flatnonzero(np.diff(unread.astype(np.int8), prepend=0, append=0)).tolist()
    gone = [LostBlock(Reason.UNREAD, range(*ends[k : k + 2]), all_samples) for k in range(0, len(ends), 2)]
    return with_blocks(replace(found, runs=runs, n_lines=unread.size, blocks=blocks), gone)


def _set(lost: NDArray[np.bool_], blocks: Sequence[LostBlock], *, value: bool) -> None:
    """Set the samples of some blocks to `value` in a mask (n_lines, n_samples), in place."""
    for block in blocks:
        lost[block.lines.start : block.lines.stop, block.samples.start : block.samples.stop] = value
