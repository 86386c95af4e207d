"""Masks the border of the exposed format in the overlap of two strips where it is sharper than a line.

The border is the sharpest edge on the film. A spot narrower than a line resolves it only to a line: in either strip it
seems to lie exactly on one of its lines, along all samples. Matching the strips by it gives a formal error of a
hundredth of a px where the true error may be half a px, and nothing else in the window outweighs it. A border that the
spot spreads over several lines is kept: it locates strips better than the picture beside it.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.coordinates import Array
from calib.sweep.model import StripSweep
from calib.sweep.seam import Overlap, Side
from calib.sweep.smoothing import Picture

REACH_PX = 3.0  # distance from the border within which samples may show it, ...
SIGMAS = 3.0  # ... plus so many sigma of the sweep's place
MOST_SIGMA_PX = 2.0  # a place less certain than this does not locate the border, which is then kept
# Share of the largest step between lines in the sum of it and the steps before and after. It is 0.5 to 0.8 for a
# Gaussian spot of 0.38 px, by which an edge's place is wrong by 0.01 px; a larger share is a border sharper than that.
SHARP = 0.8
TOGETHER = 8  # samples along the border that are averaged, against noise and the picture's detail


def without_border(overlap: Overlap, format_mm: Sequence[float], px_mm: Array) -> Overlap:
    """The overlap without signal on lines and samples that may show a sharp border of the format [width, height]."""
    left = _masked(overlap.left_side, overlap.left, overlap.left_corner, format_mm, px_mm)
    right = _masked(overlap.right_side, overlap.right, overlap.right_corner, format_mm, px_mm)
    return replace(overlap, left_side=left, right_side=right)


def _masked(side: Side, sweep: StripSweep, corner: tuple[int, int], format_mm: Sequence[float], px_mm: Array) -> Side:
    """One side of an overlap, whose first (line, sample) is `corner`, with signal removed around a sharp border."""
    lines, samples = (slice(first, first + n) for first, n in zip(corner, side.sigma.shape, strict=True))
    x_mm = sweep.x_sample_mm[samples] + np.median(sweep.x_line_mm)
    y_mm = sweep.y_line_mm[lines] + np.median(sweep.y_sample_mm)
    reach_x_mm = _reach_mm(float(sweep.sigma_x_mm.max()), np.ptp(sweep.x_line_mm), px_mm[0])
    reach_y_mm = _reach_mm(sweep.sigma_y_mm[lines], np.ptp(sweep.y_sample_mm), px_mm[1])
    sigma = side.sigma.copy()
    for end in (-0.5, 0.5):
        lost_y = np.abs(y_mm - end * format_mm[1]) < reach_y_mm
        lost_x = np.abs(x_mm - end * format_mm[0]) < reach_x_mm
        if _shows_sharp(side.values[lost_y], side.sigma[lost_y]):
            sigma[lost_y] = np.inf
        if _shows_sharp(side.values[:, lost_x].T, side.sigma[:, lost_x].T):
            sigma[:, lost_x] = np.inf
    return Side(side.values, sigma)


def _reach_mm(sigma_mm: Array | float, bend_mm: float, px_mm: float) -> Array:
    """Distance, mm, from its place by the sweep within which the border may show; 0 where that place is too uncertain.

    `bend_mm` is the range of the other axis' contribution to the film place.
    """
    return np.where(sigma_mm < MOST_SIGMA_PX * px_mm, REACH_PX * px_mm + SIGMAS * sigma_mm + bend_mm, 0.0)


def _shows_sharp(values: Picture, sigma: Picture) -> bool:
    """Whether lines (n, m) that may show the border show it as a single step from one line to the next."""
    n, groups = len(values), values.shape[1] // TOGETHER
    if n < 4 or not groups:
        return False
    parts = n, groups, TOGETHER
    every = slice(0, groups * TOGETHER)
    seen = np.isfinite(sigma[:, every].reshape(parts).max(axis=2))
    step = np.abs(np.diff(values[:, every].reshape(parts).mean(axis=2), axis=0))
    step = np.where(seen[:-1] & seen[1:], step, 0.0)
    largest = step[1:-1].argmax(axis=0)[None] + 1
    before, there, after = (np.take_along_axis(step, largest + k, axis=0)[0] for k in (-1, 0, 1))
    total = before + there + after
    some = total > 0
    return bool(some.any() and np.median(there[some] / total[some]) > SHARP)
