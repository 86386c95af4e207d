"""Compares two neighbouring strips on the film they share: the difference of their densities, column by column."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from calib.coordinates import Array, FilmPoints, ScanPoints
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.tone.overlap_kernels import interpolated, overlap_cells

MOST_POINTS = 48_000  # of one overlap that are compared: enough for its columns, whatever the strip's length
BLOCK_POINTS = 24  # lines compared per cell
NODES = 4  # samples from node to node of an overlap's places
STRAIGHT = 0.005  # samples: a sweep that bends less between nodes is straight
PLACED = 1.5  # samples: strips placed less surely relative to each other are not compared
COLUMN_FLOOR = 3e-4  # density: what interpolation and placing leave in all cells of a column alike
BENT = 0.03  # per density: half the bend that strips' curves may differ by (found on frames of ours)


@dataclass(frozen=True, slots=True, eq=False)
class OverlapCells:
    """Differences of a strip and the next over cells of film, flat (N,).

    `density`, `next_density` mean first-order densities, `sigma` the 1-sigma of their difference, `own_share` the part
    of its variance that the strip's own samples make (those of the next are interpolated, hence less noisy); `sample`
    of the strip, fractional `next_sample` of the next, and the mean lines in both. `scatter` is that of a single
    difference, `mixed` the 1-sigma, alike in all cells of some lines, of what bends of the curves make of a cell that
    holds unlike densities: it is placed by their mean.
    """

    sample: NDArray[np.int64]
    next_sample: Array
    line: Array
    next_line: Array
    density: Array
    next_density: Array
    sigma: Array
    own_share: Array
    scatter: Array
    mixed: Array


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """The columns of a strip near one border, from sample `first` on, as first-order density; NaN where there is none.

    `span`: densities between which the strip's curve is known. It is applied to means, not to samples: leaving out the
    samples that noise moved beyond it would bias the mean of the rest.
    """

    first: int
    density: NDArray[np.float32]
    span: tuple[float, float] = (-np.inf, np.inf)

    def holds(self, density: Array) -> NDArray[np.bool_]:
        """Mask of the densities within the span."""
        return np.asarray((density >= self.span[0]) & (density <= self.span[1]))


def shared_samples(sweep: StripSweep, following: StripSweep) -> tuple[slice, slice]:
    """Samples of a strip that the next one covers, and samples of the next that it covers; they may be none."""
    reach = 2 * float(np.median(np.diff(sweep.x_sample_mm)))
    left = following.x_sample_mm[0] + following.x_line_mm.max() + reach
    right = sweep.x_sample_mm[-1] + sweep.x_line_mm.min() - reach
    own = int(np.searchsorted(sweep.x_sample_mm + sweep.x_line_mm.min(), left))
    other = int(np.searchsorted(following.x_sample_mm + following.x_line_mm.max(), right)) + 3
    return slice(own, sweep.n_samples), slice(0, min(max(other, 0), following.n_samples))


def compare(sweep: StripSweep, following: StripSweep, right: Edge, left: Edge) -> OverlapCells | None:
    """Compare the right edge of a strip with the left edge of the next; None if they share too little film."""
    found = _meet(sweep, following, right, left)
    if found is None:
        return None
    lines, place, other, kept = found
    samples = np.arange(right.first, right.first + right.density.shape[1])
    table = _cells(lines, samples, right.density[lines].astype(np.float64), other, place, kept)
    density, next_density = table[4:6]
    table = table[:, right.holds(density) & left.holds(next_density)]
    return OverlapCells(table[0].astype(np.int64), *table[1:]) if table.size else None


def matched(sweep: StripSweep, following: StripSweep, right: Edge, left: Edge) -> tuple[Array, Array] | None:
    """Values of both edges at the same film places, flat, NaN beyond their spans; None as in `compare`."""
    found = _meet(sweep, following, right, left)
    if found is None:
        return None
    lines, _, other, _ = found
    own = right.density[lines].astype(np.float64)
    return np.where(right.holds(own), own, np.nan).ravel(), np.where(left.holds(other), other, np.nan).ravel()


def _meet(
    sweep: StripSweep, following: StripSweep, right: Edge, left: Edge
) -> tuple[NDArray[np.int64], ScanPoints, Array, Array] | None:
    """Lines of a strip that are compared, where their samples lie in the next strip, its values there, and the share
    of a sample's variance that these keep.
    """
    n_columns = right.density.shape[1]
    if n_columns < 2 or left.density.shape[1] < 4 or not _placed(sweep, following):
        return None
    step = max(1, sweep.n_lines * n_columns // MOST_POINTS)
    lines = np.arange(step // 2, sweep.n_lines, step)
    samples = np.arange(right.first, right.first + n_columns)
    place = _places(sweep, following, lines, samples)
    return lines, place, *interpolated(left.density, place.line, place.sample - left.first)


def _places(
    sweep: StripSweep, following: StripSweep, lines: NDArray[np.int64], samples: NDArray[np.int64]
) -> ScanPoints:
    """Where samples of some lines of a strip lie in the next one, (lines, samples).

    They are worked out at nodes, straight between them where the sweeps of both are that straight along the samples.
    """
    apart = NODES if _is_straight(sweep) and _is_straight(following) else 1
    nodes = samples[0] + apart * np.arange(-(-(samples.size - 1) // apart) + 1)
    film = to_film(sweep, ScanPoints(line=lines[:, None].astype(np.float64), sample=nodes[None, :].astype(np.float64)))
    place = to_scan(following, FilmPoints(x_mm=film.x_mm, y_mm=film.y_mm))
    if apart == 1:
        return place
    low = np.minimum((samples - samples[0]) // apart, nodes.size - 2)
    share = (samples - samples[0]) / apart - low
    line, sample = (each[:, low] * (1.0 - share) + each[:, low + 1] * share for each in (place.line, place.sample))
    return ScanPoints(line=line, sample=sample)


def _is_straight(sweep: StripSweep) -> bool:
    """Whether a sweep is straight from node to node along its samples, wherever the nodes lie."""
    if sweep.n_samples <= NODES:
        return False
    stretch = sliding_window_view(np.stack([sweep.x_sample_mm, sweep.y_sample_mm]), NODES + 1, axis=1)
    chord = stretch[..., :1] + (stretch[..., -1:] - stretch[..., :1]) * (np.arange(NODES + 1) / NODES)
    return bool(np.abs(stretch - chord).max() < STRAIGHT * float(np.median(np.diff(sweep.x_sample_mm))))


def _placed(sweep: StripSweep, following: StripSweep) -> bool:
    limit = PLACED * float(np.median(np.diff(sweep.x_sample_mm)))
    return all(np.median(each) < limit for each in (sweep.sigma_y_mm, following.sigma_y_mm, sweep.sigma_x_mm))


def _cells(lines: NDArray, samples: NDArray, own: Array, other: Array, place: ScanPoints, kept: Array) -> Array:
    """The fields of `OverlapCells` as rows of a table."""
    n_blocks = max(len(lines) // BLOCK_POINTS, 1)
    edges = np.array([part[0] for part in np.array_split(np.arange(len(lines)), n_blocks)] + [len(lines)])
    fields = np.stack([place.sample, place.line, own, other, kept])
    *means, sigma, kept, scatter, variance = overlap_cells(own - other, fields, lines, samples, edges)
    sigma = np.hypot(sigma, COLUMN_FLOOR * np.sqrt(n_blocks))
    return np.stack([*means, sigma, 1.0 / (1.0 + kept), scatter, BENT * variance])
