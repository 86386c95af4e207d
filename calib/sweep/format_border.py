"""Masks the border of the exposed format in an overlap where it is sharper than a line.

The border is the sharpest edge on the film. If the spot is narrower than a line, each strip shows it at a whole line,
along all samples. Matching would then claim an accuracy of a hundredth of a px where the error may be half a px, with
nothing in the window to contradict it. A border that the spot spreads over several lines is kept: it is better evidence
than the picture beside it.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calib.coordinates import Array
from calib.sweep.model import StripSweep
from calib.sweep.seam import Overlap, Side
from calib.sweep.smoothing import Picture

REACH_PX = 3.0  # on either side of the border, where a sharp one shows in single samples
SIGMAS = 3.0  # of the sweep's place, more
MOST_SIGMA_PX = 2.0  # of a place: where the border is not known it stays
# Of a step and those before and behind it, the step's share: that of a Gaussian spot of .38 px lies between .5 and .8,
# and the place of an edge that it shows is .01 px off.
SHARP = 0.8
TOGETHER = 8  # samples along the border whose mean is looked at: less noise and less of the picture


def without_border(overlap: Overlap, format_mm: Sequence[float], px_mm: Array) -> Overlap:
    """An overlap that has no signal on lines and samples which may show the border of the format [width, height]."""
    left = _beside(overlap.left_side, overlap.left, overlap.left_corner, format_mm, px_mm)
    right = _beside(overlap.right_side, overlap.right, overlap.right_corner, format_mm, px_mm)
    return replace(overlap, left_side=left, right_side=right)


def _beside(side: Side, sweep: StripSweep, corner: tuple[int, int], format_mm: Sequence[float], px_mm: Array) -> Side:
    """Some columns of a strip, from its (line, sample) `corner` on, that give no signal beside the border."""
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
    """How far from where a sweep puts it the border may show, along which the strip's axis bends by so much."""
    return np.where(sigma_mm < MOST_SIGMA_PX * px_mm, REACH_PX * px_mm + SIGMAS * sigma_mm + bend_mm, 0.0)


def _shows_sharp(values: Picture, sigma: Picture) -> bool:
    """Whether lines (n, m) that may show the border show it as one step from a line to the next."""
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
