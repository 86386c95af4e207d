"""Dropouts of the tape: whole or part lines that are constant or garbage, found before anything is fitted.

Every line is read as a chain of samples in one of three states - good, garbage, constant - and the most probable
chain is taken (Viterbi, IEEE Trans. Inf. Theory 13:260, 1967). A good sample lies in or near the interval that its
neighbours above and below, and their extrapolations, span; garbage may lie anywhere; a constant repeats its neighbour
in the line. A clipped sample, at the end of the scale, may repeat of right. So a block of constant lines there counts
as a dropout only where no film of the strip is clipped at that end, or where it is a sharp-edged rectangle in film that
goes on smoothly above and below it.
Whole lines that are lost beyond doubt are told first (`dropout_lines`): the others are compared with each other only.
What repeats the line before is lost as well (`dropout_copies`), and single samples that stand out from all about them
(`dropout_points`). Lines whose picture has slipped along them are no use either (`dropout_slips`).
A quick look (`dropout_sieve`) proves most lines whole beforehand, so that only the others are read as chains.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.tone import dropout_kernels as kernels
from calib.tone.dropout_blocks import mark_clipped_blocks
from calib.tone.dropout_copies import mark_copies
from calib.tone.dropout_lines import counted, lines_lost
from calib.tone.dropout_points import mark_points
from calib.tone.dropout_sieve import lines_to_search
from calib.tone.dropout_slips import slipped_lines
from calib.tone.dropout_tiles import TILE, tile_statistics
from calib.tone.dropouts import Dropouts, LostBlock, Reason, all_lost, with_blocks
from calib.tone.pile_up import clipped_by_film, clipped_within

if TYPE_CHECKING:
    from calib.frame.frame import StripRaster

LEVEL_BINS = 48
COUNTED = 3  # every so manieth line and sample tells how often each DN is
ROUGHEST = 6.0  # texture of a tile counts up to this multiple of the noise at its level, or up to ...
ROUGHEST_PART = 1.0 / 40.0  # ... this part of the strip's range of DN: garbage is rougher than either
COARSE_NOISE = 1.0  # DN: where good tiles scatter less, a tile can be of one value by rounding alone
ALL_ONE_VALUE = 0.999  # a strip of which this part is one value carries nothing


def find_dropouts(raster: StripRaster, saturation: tuple[int, int] | None) -> Dropouts:
    """All dropouts of one strip; `saturation` bounds the DN at and beyond which the contract says there is no tone."""
    dn = np.ascontiguousarray(raster.read(0, raster.n_lines))
    top = int(np.iinfo(raster.dtype).max)
    if dn.shape[0] < 5:
        return all_lost(*dn.shape)
    gone = lines_lost(dn)
    left = dn[~gone] if gone.any() else dn
    if len(left) < 5:
        return all_lost(*dn.shape)
    count = counted(left, COUNTED)[: top + 1]
    clip = clipped_within(left, count, clip_of(raster, saturation))
    low, middle, high = _levels(count)
    if _is_one_value(left, middle, count):
        return all_lost(*dn.shape)
    scale = _scatter_of_tiles(left, (low, high), clip)[_rows_among(gone)]
    chance = _garbage_chance((low, high), clip, top)
    lost = np.zeros(dn.shape, dtype=np.bool_)
    lost[gone] = True
    near = np.zeros(dn.shape[0], dtype=np.bool_)
    if mark_clipped_blocks(dn, scale, clip, lost) or gone.any():
        near = kernels.lines_near(lost, np.ones(len(dn), dtype=np.bool_))
    ends = clipped_by_film(left, count, clip)
    search = lines_to_search(dn, scale, chance, ends, near)
    kernels.mark_lines(dn, scale, chance, ends, lost, search & ~gone)
    again = kernels.lines_near(lost, search)
    kernels.mark_lines(dn, scale, chance, ends, lost, again & ~gone)
    mark_copies(dn, lost, clip, again)
    mark_points(dn, scale, clip, lost, again)
    # other lines had nothing lost, and were not looked at again
    found = Dropouts(kernels.runs_of(lost, again), len(dn), dn.shape[1], clip)
    slips = slipped_lines(dn, lost)
    return with_blocks(found, [LostBlock(Reason.SLIPPED, range(*run), range(dn.shape[1]), by) for *run, by in slips])


def _rows_among(gone: NDArray[np.bool_]) -> NDArray[np.intp]:
    """For each row of a strip's tiles the one at its middle where tiles are made of the lines that are not `gone`."""
    left = np.cumsum(~gone)
    middle = np.minimum(np.arange(0, gone.size, TILE) + TILE // 2, gone.size - 1)
    return np.maximum(left[middle] - 1, 0) // TILE


def clip_of(raster: StripRaster, saturation: tuple[int, int] | None) -> tuple[int, int]:
    """DN at and beyond which a sample carries no tone, as stated; the ends of the raster's type always do not."""
    top = int(np.iinfo(raster.dtype).max)
    return (0, top) if saturation is None else (max(saturation[0], 0), min(saturation[1], top))


def _levels(count: NDArray[np.int64]) -> tuple[float, float, float]:
    """The DN that all but a thousandth of a strip's samples lie above, in the middle, and below, by each DN's count."""
    up_to = np.cumsum(count)
    place = np.array([0.001, 0.5, 0.999]) * (up_to[-1] - 1)
    first = np.floor(place)
    under, over = (np.searchsorted(up_to, np.minimum(each, up_to[-1] - 1), side="right") for each in (first, first + 1))
    low, middle, high = (under + (over - under) * (place - first)).tolist()
    return low, middle, high


def _is_one_value(dn: NDArray, value: float, count: NDArray[np.int64]) -> bool:
    """Whether nearly all samples share a value, the median of every ninth, whose DN are counted: where all but a
    thousandth do, all but nine thousandths of any ninth do."""
    if count[int(value)] < (10 * ALL_ONE_VALUE - 9) * count.sum():
        return False
    return bool(np.count_nonzero(dn == value) >= ALL_ONE_VALUE * dn.size)


def _garbage_chance(reach: tuple[float, float], scale: tuple[int, int], top: int) -> NDArray[np.float64]:
    """Log probability of each DN in garbage: in the strip's own `reach`, anywhere on the video's `scale` (inclusive;
    12 bits may stand in a type of 16), rarely on the type's, or at the type's two ends."""
    value = np.arange(top + 1)
    chance = np.full(top + 1, 0.05 / (top + 1))
    for (low, high), share in ((scale, 0.40), (reach, 0.45)):
        inside = (value >= low) & (value <= high)
        chance[inside] += share / max(int(inside.sum()), 1)
    chance[[0, top]] += 0.05
    return np.log(chance)


def _scatter_of_tiles(dn: NDArray, reach: tuple[float, float], clip: tuple[int, int]) -> NDArray[np.float64]:
    """Scatter of good samples about their vertical neighbours for each tile, in DN: texture within sane bounds.

    A tile that is rough from top to bottom may be garbage, one that is dead flat may be a constant dropout; so a
    tile's own scatter counts only between the noise that other tiles of its level have and a multiple of it. Where it
    is small by chance, good samples would stand out: then those of the tiles to its left and right count with it.
    """
    level, own = tile_statistics(dn)
    beside = np.pad(own, ((0, 0), (1, 1)), mode="edge")
    scatter = np.maximum(own, (beside[:, :-2] + own + beside[:, 2:]) / 3)
    low, high = reach
    edges = np.linspace(low, high + 1e-6, LEVEL_BINS + 1)
    usable = (level > clip[0]) & (level < clip[1]) & (scatter > 0)
    rising = np.argsort(scatter[usable])
    which = np.clip(np.digitize(level[usable], edges) - 1, 0, LEVEL_BINS - 1).astype(np.int8)[rising]
    by_level = scatter[usable][rising[np.argsort(which, kind="stable")]]
    count = np.bincount(which, minlength=LEVEL_BINS)
    some = np.flatnonzero(count >= 4)
    if some.size == 0:
        return np.maximum(scatter, kernels.QUANTUM)
    at, part = np.divmod(0.25 * (count[some] - 1), 1.0)
    at = (np.cumsum(count) - count)[some] + at.astype(np.int64)
    noise = by_level[at] + part * (by_level[at + 1] - by_level[at])
    floor = np.maximum(np.interp(level, (edges[some] + edges[some + 1]) / 2, noise), kernels.QUANTUM)
    floor = np.where((scatter == 0) & (floor < COARSE_NOISE), kernels.QUANTUM, floor)
    roughest = np.maximum(ROUGHEST * floor, ROUGHEST_PART * (high - low))
    return np.clip(scatter, floor, roughest)
