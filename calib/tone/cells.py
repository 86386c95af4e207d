"""Gathers a strip's samples of known density into cells: one column of a wedge patch or of a block of unexposed film.

DN are averaged, not densities: then noise and rounding of the video leave no bias, only grain does (see
`noise.grain_bias`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.median import medians_by
from calib.sweep.model import StripSweep
from calib.tone import cell_kernels
from calib.tone.cell_kernels import NOTHING
from calib.tone.known_film import KnownFilm
from calib.tone.noise import LEAST_SCATTER_DN
from calib.tone.noise_correlation import correlations, pooled_correlations
from calib.tone.wedge import WedgePlace
from calib.tone.wedge_match import margin_lines

FOG_BLOCK = 48  # lines of unexposed film averaged together
OUTLIER = 5.0  # samples further from their cell's mean, in its scatter, are left out
CLEAR_SAMPLES = 3.0  # kept clear of edges for the readout's blur
MOVED = 0.5  # samples and lines beyond their doubt that cells may lie off: they were kept clear of edges by more
MOST_DOUBT = 1.0  # samples and lines kept clear for doubt: cells that had to do with fewer samples are gathered again
MOST_OF_PATCH = 0.6  # of a patch's height, and of its width, may be kept clear at most, for blur and doubt together
FEWEST = 3  # samples of a cell
MOST_CLIPPED = 0.02  # of a patch's samples: what is left of more has a mean that is off by a part of the scatter
NEAR_END = 4.0  # scatter of a patch that is clipped by its noise, not by a scratch, between its mean and the end
AT_END = "at the end of the video's range"
NEAR_WEDGE_MM = 0.6  # how far past its end a wedge's own place is believed


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Cells of one strip, flat arrays (N,): patch number or FOG, sample, mean line, count, mean DN.

    `doubt_dn` is the 1-sigma of errors that do not average down, such as stray light from beside.
    """

    label: NDArray[np.int64]
    sample: NDArray[np.int64]
    line: Array
    count: Array
    dn: Array
    doubt_dn: Array


@dataclass(frozen=True, slots=True, eq=False)
class PatchMeans:
    """Per patch of one strip (P,): mean DN over its columns (NaN where not seen), scatter, samples and lines.

    `correlation` (P, 4): correlation of noise one and two lines on, one and two samples on; NaN where too little tells
    it.
    """

    dn: Array
    scatter_dn: Array
    count: NDArray[np.int64]
    first_line: NDArray[np.int64]
    stop_line: NDArray[np.int64]
    reason: tuple[str, ...]
    correlation: Array


def select(cells: Cells, keep: NDArray[np.bool_]) -> Cells:
    """The cells where `keep` is true."""
    return Cells(*(getattr(cells, field.name)[keep] for field in fields(cells)))


def joined(parts: Sequence[Cells]) -> Cells:
    """The cells of all parts, one after the other."""
    return Cells(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(Cells)))


def lines_of_known_film(
    known: KnownFilm, sweep: StripSweep, strip: int, places: Sequence[WedgePlace]
) -> NDArray[np.int64]:
    """The lines of a strip that may hold samples of patches or of unexposed film."""
    shift, skew, _ = _wedge_motion(known, sweep, places)
    y = sweep.y_line_mm + shift
    wander = np.abs(sweep.x_line_mm).max()
    wide = np.abs(sweep.x_sample_mm - known.center_mm[strip]).max() + wander
    reach = np.abs(sweep.y_sample_mm).max() + np.abs(skew) * wide
    near = np.abs(y) + reach > known.half_format_mm[1]
    near |= np.abs(sweep.x_sample_mm).max() + np.abs(sweep.x_line_mm) > known.half_format_mm[0]
    for top, bottom in known.patch_y_mm:
        near |= (y + reach > top) & (y - reach < bottom)
    return np.flatnonzero(near)


def label_samples(
    known: KnownFilm, sweep: StripSweep, strip: int, places: Sequence[WedgePlace], lines: NDArray[np.int64]
) -> NDArray[np.int16]:
    """Label of the known film under each sample of some lines of a strip, with the wedge at the place found."""
    shift, skew, sigma = _wedge_motion(known, sweep, places)
    in_view = (strip - 1, strip, strip + 1)
    sample_mm = float(np.median(np.diff(sweep.x_sample_mm)))
    line_mm = float(np.median(np.abs(np.diff(sweep.y_line_mm))))
    blur_mm = CLEAR_SAMPLES * sample_mm
    margin_mm = blur_mm + min(2.0 * float(np.median(sweep.sigma_x_mm)), known.tolerance_mm)
    clear_x = _as_far_as_room(np.ptp(known.patch_across_mm, axis=1), blur_mm, np.array(margin_mm))
    boxes, labels = [], []
    for patch in range(known.n_patches):
        if not places[known.group[patch]].found:
            continue
        for other in in_view:
            left, right = known.center_mm[0] + other * known.pitch_mm + known.patch_across_mm[patch]
            boxes.append((left, right, *known.patch_y_mm[patch], clear_x[patch]))
            labels.append(patch if 0 <= other < known.center_mm.size else NOTHING)
    x_mm = sweep.x_sample_mm, sweep.x_line_mm[lines]
    y_mm = sweep.y_sample_mm, (sweep.y_line_mm + shift)[lines], skew[lines]
    margins = margin_mm, _clear_of_edges(known, sigma, line_mm)[lines]
    patches = np.array(boxes, dtype=np.float64).reshape(-1, 5), np.array(labels, dtype=np.int16)
    return cell_kernels.label_strip(
        x_mm, y_mm, known.center_mm[strip], patches, np.array(known.half_format_mm), margins
    )


def still_clear(
    known: KnownFilm, strip: int, places: Sequence[WedgePlace], cells: Cells, before: StripSweep, after: StripSweep
) -> bool:
    """Whether cells gathered by one sweep are still clear of all edges by a better one, so that they can be kept."""
    shift, skew, sigma = _wedge_motion(known, before, places)
    line, sample = np.round(cells.line).astype(np.int64), cells.sample
    across = before.x_sample_mm[sample] + before.x_line_mm[line] - known.center_mm[strip]
    x = (after.x_line_mm - before.x_line_mm)[line] + (after.x_sample_mm - before.x_sample_mm)[sample]
    y = (after.y_line_mm - before.y_line_mm - shift)[line] + (after.y_sample_mm - before.y_sample_mm)[sample]
    doubt_x, doubt_y = 2.0 * float(np.median(before.sigma_x_mm)), 3.0 * sigma[line]
    sample_mm = float(np.median(np.diff(before.x_sample_mm)))
    line_mm = float(np.median(np.abs(np.diff(before.y_line_mm))))
    off = np.maximum((np.abs(x) - doubt_x) / sample_mm, (np.abs(y - skew[line] * across) - doubt_y) / line_mm)
    doubt = max(doubt_x / sample_mm, float(np.median(doubt_y)) / line_mm)
    return doubt <= MOST_DOUBT and bool(off.max(initial=0.0) <= MOVED)


def _clear_of_edges(known: KnownFilm, sigma_mm: Array, line_mm: float) -> Array:
    """Distance in y that is kept clear of edges on each line, in mm: blur and three sigma, as far as patches have
    room."""
    height = float(np.ptp(known.patch_y_mm, axis=1).min())
    blur = min(margin_lines(known, group, line_mm) for group in range(int(known.group.max()) + 1)) * line_mm
    return _as_far_as_room(np.array(height), blur, blur + 3.0 * sigma_mm)


def _as_far_as_room(size_mm: Array, blur_mm: float, wanted_mm: Array) -> Array:
    """Distance kept clear of the edges of patches of a given size: the wanted one, limited by the size."""
    near = wanted_mm < 0.5 * size_mm + blur_mm  # elsewhere the strip's place is too doubtful for patches anyway
    return np.where(near, np.minimum(wanted_mm, MOST_OF_PATCH / 2 * size_mm), wanted_mm)


def _wedge_motion(known: KnownFilm, sweep: StripSweep, places: Sequence[WedgePlace]) -> tuple[Array, Array, Array]:
    """Corrections to the sweep near the found wedges, line by line: shift in y, skew, and their remaining 1-sigma."""
    shift, skew, sigma = np.zeros(sweep.n_lines), np.zeros(sweep.n_lines), sweep.sigma_y_mm.copy()
    for group, place in enumerate(places):
        if not place.found:
            continue
        top, bottom = known.group_span_mm(group)
        half = known.half_format_mm[1]
        first = -np.inf if top < -half else top - NEAR_WEDGE_MM
        last = np.inf if bottom > half else bottom + NEAR_WEDGE_MM
        y = place.corrected(np.full(sweep.n_lines, place.center_mm), sweep.y_line_mm)
        near = (y > first) & (y < last)
        held = np.clip(sweep.y_line_mm, top - NEAR_WEDGE_MM, bottom + NEAR_WEDGE_MM)
        shift[near] = (place.shift_mm + place.slope * (held - place.middle_mm))[near]
        skew[near] = place.skew
        sigma[near] = place.sigma_mm
    return shift, skew, sigma


def blocks_of(lines: NDArray[np.int64]) -> NDArray[np.int64]:
    """The number of the block of lines to which each of some rising `lines` belongs; only blocks with lines are
    counted."""
    return np.unique(lines // FOG_BLOCK, return_inverse=True)[1]


def gather_cells(
    dn: NDArray,
    lines: NDArray[np.int64],
    label: NDArray[np.int16],
    known: KnownFilm,
    block: NDArray[np.int64],
    clipped: NDArray[np.int64],
) -> tuple[Cells, PatchMeans]:
    """Cells of one strip `dn`, robust against single bad samples, and what its patches come to.

    `lines` are those that may hold known film, `label` theirs, `block` the number of each one's block. Cells of which
    more than a sample in `MOST_CLIPPED` and one are `clipped` (cells, n_samples, 2) are left out: the mean of what is
    left of them is off by a part of the scatter.
    """
    n = known.n_patches
    shape = clipped.shape[:2]
    gone = clipped.sum(axis=2)
    centre, limit = np.zeros(shape), np.full(shape[0], np.inf)
    for _ in range(3):
        sums = cell_kernels.gather(dn, lines, label, n, block, centre, limit)
        count = np.maximum(sums[..., 0], 1.0)
        mean = centre + sums[..., 1] / count
        spread = sums[..., 2] / count - (sums[..., 1] / count) ** 2
        whole = (sums[..., 0] >= FEWEST) & (gone <= 1.0 + MOST_CLIPPED * (sums[..., 0] + gone))
        scatter = _scatter_of_rows(spread, count, whole)
        centre, limit = mean, OUTLIER * np.maximum(scatter, LEAST_SCATTER_DN)
    cell, sample = np.nonzero(whole)
    cells = Cells(
        label=np.where(cell < n, cell, cell_kernels.FOG),
        sample=sample,
        line=sums[cell, sample, 3] / sums[cell, sample, 0],
        count=sums[cell, sample, 0],
        dn=mean[cell, sample],
        doubt_dn=np.zeros(cell.size),
    )
    correlation = correlations(*cell_kernels.neighbours(dn, lines, label, mean[:n], limit[:n]))
    scatter[:n] = _scatter_of_rows(spread[:n], count[:n], whole[:n], pooled_correlations([correlation])[0])
    spans = _lines_of_patches(lines, label, n)
    return cells, _patch_means(mean[:n], whole[:n], sums[:n, :, 0], scatter[:n], spans, correlation)


def without_ends(
    cells: Cells, patches: PatchMeans, clipped: NDArray[np.int64], clip: tuple[int, int]
) -> tuple[Cells, PatchMeans]:
    """Cells and patches without those at an end of the video's range, whose unclipped samples have a biased mean.

    `clipped` (P, 2) are the numbers of samples of each patch that are clipped at the low and the high DN of `clip`.
    """
    share = clipped / np.maximum(clipped.sum(axis=1) + patches.count, 1)[:, np.newaxis]
    scatter = np.maximum(patches.scatter_dn, LEAST_SCATTER_DN)[:, np.newaxis]
    away = np.abs(patches.dn[:, np.newaxis] - np.array(clip)) / scatter
    at_end = ((share > MOST_CLIPPED) & ~((away > NEAR_END) & (share < 0.5))).any(axis=1)
    keep = ~np.append(at_end, False)[np.minimum(cells.label, at_end.size)]
    reason = tuple(AT_END if end else why for end, why in zip(at_end, patches.reason, strict=True))
    return select(cells, keep), replace(patches, dn=np.where(at_end, np.nan, patches.dn), reason=reason)


def _scatter_of_rows(
    spread: Array, count: Array, whole: NDArray[np.bool_], along: tuple[float, float] = (0.0, 0.0)
) -> Array:
    """1-sigma of a sample within each row of cells: the median over its columns of their mean squares about the mean.

    A mean takes more of noise that hangs together, by its correlation r_k `along` k = 1 and 2 samples on, and fewer
    samples are left to tell the variance: ``n - (1 + 2 sum (1 - k/n) r_k)`` over ``1 + 2 sum r_k^2`` (Bartlett 1946,
    Suppl. J. R. Stat. Soc. 8:27). The variance of few samples is skewed: its median is below its mean by (1 - 2 / 9n)^3
    for n degrees of freedom (Wilson and Hilferty 1931, Proc. Natl. Acad. Sci. 17:684).
    """
    correlation = np.array(along)
    apart = 1.0 - np.array([1.0, 2.0]) / np.maximum(count, 2.0)[..., np.newaxis]
    left = np.maximum(count - (1.0 + 2.0 * (apart @ correlation)), 1.0)
    freedom = np.maximum(left / (1.0 + 2.0 * np.square(correlation).sum()), 1.0)
    of_mean = (1.0 - 2.0 / (9.0 * freedom)) ** 3
    row = np.where(whole, np.arange(len(spread))[:, None], -1)
    middle = medians_by((spread * count / left / of_mean).ravel(), row.ravel(), len(spread))
    return np.sqrt(np.where(np.isnan(middle), 0.0, middle))


def _patch_means(
    mean: Array, whole: NDArray[np.bool_], count: Array, scatter: Array, spans: NDArray[np.int64], correlation: Array
) -> PatchMeans:
    n = len(mean)
    seen = np.asarray(whole.any(axis=1))
    first, stop = np.where(seen[:, np.newaxis], spans, 0).T
    row = np.where(whole, np.arange(n)[:, None], -1)
    reasons = tuple("" if each else "not seen" for each in seen)
    dn = medians_by(mean.ravel(), row.ravel(), n)
    return PatchMeans(dn, scatter, count.sum(axis=1).astype(np.int64), first, stop, reasons, correlation)


def _lines_of_patches(lines: NDArray[np.int64], label: NDArray[np.int16], n: int) -> NDArray[np.int64]:
    """First and stop line of each patch's samples, (n, 2); zeros where it has none."""
    spans = np.zeros((n, 2), dtype=np.int64)
    for patch in range(n):
        rows = np.flatnonzero((label == patch).any(axis=1))
        if rows.size:
            spans[patch] = lines[rows[0]], lines[rows[-1]] + 1
    return spans
