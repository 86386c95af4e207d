"""Finds dropouts of the tape before anything is fitted: whole or partial lines that are constant or garbage.

Each line is modelled as a chain of samples in one of three states (good, garbage, constant), and the most probable
chain is taken (Viterbi, IEEE Trans. Inf. Theory 13:260, 1967). A good sample lies in or near the interval spanned by
its neighbours above and below and their extrapolations; garbage may have any value; a constant repeats its neighbour in
the line. Clipped samples, at the end of the scale, may repeat legitimately. So a block of constant lines there counts
as a dropout only if no film of the strip is clipped at that end, or if it is a sharp-edged rectangle in film that
continues smoothly above and below it.

Whole lines that are certainly lost are removed first (`dropout_lines`), so that the rest are compared only with each
other. Copies of the line before (`dropout_copies`) and single outliers (`dropout_points`) are lost as well, and lines
whose picture has slipped sideways (`dropout_slips`). A fast test (`dropout_sieve`) proves most lines whole beforehand,
so that only the remaining ones need the full search.
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
COUNTED = 3  # every third line and sample is used for the histogram of DN
ROUGHEST = 6.0  # upper limit of a tile's scatter: this multiple of the noise at its level, or ...
ROUGHEST_PART = 1.0 / 40.0  # ... this part of the strip's range of DN; garbage is rougher than either
COARSE_NOISE = 1.0  # DN: if good tiles scatter less than this, a tile can have one value by rounding alone
ALL_ONE_VALUE = 0.999  # fraction of samples with the same value from which a strip carries no picture


def find_dropouts(raster: StripRaster, saturation: tuple[int, int] | None) -> Dropouts:
    """All dropouts of one strip; `saturation` are the DN at and beyond which there is no tone, as the format states."""
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
    # lines not in `again` have no lost samples
    found = Dropouts(kernels.runs_of(lost, again), len(dn), dn.shape[1], clip)
    slips = slipped_lines(dn, lost)
    return with_blocks(found, [LostBlock(Reason.SLIPPED, range(*run), range(dn.shape[1]), by) for *run, by in slips])


def _rows_among(gone: NDArray[np.bool_]) -> NDArray[np.intp]:
    """For each row of tiles of the whole strip, the row at its middle when tiles are made without the lines `gone`."""
    left = np.cumsum(~gone)
    middle = np.minimum(np.arange(0, gone.size, TILE) + TILE // 2, gone.size - 1)
    return np.maximum(left[middle] - 1, 0) // TILE


def clip_of(raster: StripRaster, saturation: tuple[int, int] | None) -> tuple[int, int]:
    """DN at and beyond which a sample carries no tone: those stated, at most the ends of the raster's data type."""
    top = int(np.iinfo(raster.dtype).max)
    return (0, top) if saturation is None else (max(saturation[0], 0), min(saturation[1], top))


def _levels(count: NDArray[np.int64]) -> tuple[float, float, float]:
    """The 0.1 %, 50 % and 99.9 % quantiles of a strip's DN, from the histogram `count`."""
    up_to = np.cumsum(count)
    place = np.array([0.001, 0.5, 0.999]) * (up_to[-1] - 1)
    first = np.floor(place)
    under, over = (np.searchsorted(up_to, np.minimum(each, up_to[-1] - 1), side="right") for each in (first, first + 1))
    low, middle, high = (under + (over - under) * (place - first)).tolist()
    return low, middle, high


def _is_one_value(dn: NDArray, value: float, count: NDArray[np.int64]) -> bool:
    """Whether nearly all samples have the same `value`, the median of the ninth of samples in the histogram `count`.

    If all but a thousandth of the samples have it, then all but nine thousandths of any ninth do: a cheap first test.
    """
    if count[int(value)] < (10 * ALL_ONE_VALUE - 9) * count.sum():
        return False
    return bool(np.count_nonzero(dn == value) >= ALL_ONE_VALUE * dn.size)


def _garbage_chance(reach: tuple[float, float], scale: tuple[int, int], top: int) -> NDArray[np.float64]:
    """Log probability of each DN (0 to `top`) in garbage.

    Garbage lies within the strip's own range `reach`, anywhere on the video's `scale` (inclusive; it may be 12 bits in
    a 16-bit type), rarely elsewhere in the data type, or at the two ends of the type.
    """
    value = np.arange(top + 1)
    chance = np.full(top + 1, 0.05 / (top + 1))
    for (low, high), share in ((scale, 0.40), (reach, 0.45)):
        inside = (value >= low) & (value <= high)
        chance[inside] += share / max(int(inside.sum()), 1)
    chance[[0, top]] += 0.05
    return np.log(chance)


def _scatter_of_tiles(dn: NDArray, reach: tuple[float, float], clip: tuple[int, int]) -> NDArray[np.float64]:
    """Scatter in DN of good samples about their vertical neighbours, for each tile (rows, columns of tiles).

    A tile that is rough everywhere may be garbage, one that is flat may be a constant dropout. So a tile's own scatter
    is limited to between the noise of other tiles of its level and a multiple of that. If it is small by chance, good
    samples would look like outliers; so the mean with the tiles to its left and right is a lower limit too.
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
