"""The overlap of two neighbouring strips: what both see of the film, brought to the left strip's samples.

Both pictures are smoothed alike before the right one is interpolated, so that neither the noise nor its interpolation
draws the match towards whole or half pixels.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, spline_filter

from calib.coordinates import Array, ScanPoints
from calib.sweep.model import StripSweep, to_film, to_scan
from calib.sweep.tables import ReadWindow

WINDOW_LINES = 48
BLOCK_WINDOWS = 32
LEAST_WIDTH = 6  # samples of overlap below which nothing is compared
Window = tuple[slice, slice]  # lines and samples of a block
GUARD = 6  # samples read beyond the overlap, so that a shifted window still finds its picture


@dataclass(frozen=True, slots=True, eq=False)
class SmoothPicture:
    """A piece of one strip, smoothed: `values`, its spline `coefficients`, the share of `signal` (0 .. 1) behind each
    sample, and the noise variance `noise2` before smoothing (0 without signal)."""

    values: Array
    coefficients: Array
    signal: Array
    noise2: Array


@dataclass(frozen=True, slots=True, eq=False)
class SeamBlock:
    """Some windows of an overlap. Lines and samples are the left strip's; `there` the right strip's (2, n_l, n_s)
    places of the same film, relative to the right piece's corner at `corner`; `step` (2, 2) is d(there)/d(here)."""

    lines: NDArray[np.int64]
    samples: NDArray[np.int64]
    left: SmoothPicture
    right: SmoothPicture
    there: Array
    corner: tuple[int, int]


def overlap_samples(left: StripSweep, right: StripSweep) -> tuple[int, int]:
    """First and stop sample of the left strip whose film the right strip sees too, at the middle of the lines."""
    x_first = right.x_sample_mm[0] + np.median(right.x_line_mm)
    x_left = left.x_sample_mm + np.median(left.x_line_mm)
    return int(np.searchsorted(x_left, x_first)) + 1, left.n_samples - 1


def seam_blocks(
    read_left: ReadWindow, read_right: ReadWindow, left: StripSweep, right: StripSweep, blur_px: float
) -> Iterator[SeamBlock]:
    """The overlap block by block of `BLOCK_WINDOWS` windows; lines that only one strip has are left out."""
    first_s, stop_s = overlap_samples(left, right)
    if stop_s - first_s < LEAST_WIDTH:
        return
    samples = np.arange(first_s, stop_s)
    for first in range(0, left.n_lines - WINDOW_LINES + 1, BLOCK_WINDOWS * WINDOW_LINES):
        count = min(BLOCK_WINDOWS, (left.n_lines - first) // WINDOW_LINES)
        lines = np.arange(first, first + count * WINDOW_LINES)
        film = to_film(left, ScanPoints(lines[:, None].astype(float), samples[None, :].astype(float)))
        there = to_scan(right, film)
        low = max(int(np.floor(there.line.min())) - GUARD, 0)
        high = min(int(np.ceil(there.line.max())) + GUARD + 1, right.n_lines)
        far = min(int(np.ceil(there.sample.max())) + GUARD + 1, right.n_samples)
        if high - low < WINDOW_LINES or far < LEAST_WIDTH:
            continue
        near = max(first_s - GUARD, 0)
        values, sigma = read_left(int(lines[0]), int(lines[-1]) + 1)
        picture = smooth(values[:, near:], sigma[:, near:], blur_px)
        inside = slice(first_s - near, stop_s - near)
        here = SmoothPicture(*(part[:, inside] for part in (
            picture.values, picture.coefficients, picture.signal, picture.noise2)))  # fmt: skip
        values, sigma = read_right(low, high)
        other = smooth(values[:, :far], sigma[:, :far], blur_px)
        yield SeamBlock(lines, samples, here, other, np.stack([there.line - low, there.sample]), (low, 0))


def smooth(values: NDArray[np.float32], sigma: NDArray[np.float32], blur_px: float) -> SmoothPicture:
    """Gaussian smoothing that leaves out samples without signal."""
    good = np.isfinite(sigma) & np.isfinite(values)
    weight = gaussian_filter(good.astype(np.float64), blur_px, mode="nearest")
    level = float(np.median(values[good])) if good.any() else 0.0
    filled = np.where(good, values - level, 0.0).astype(np.float64)
    smoothed = gaussian_filter(filled, blur_px, mode="nearest") / np.maximum(weight, 1e-6)
    # Where nothing is near, the level; there the share of signal says not to look.
    smoothed = np.where(weight > 1e-3, smoothed, 0.0) + level
    noise2 = np.where(good, np.where(good, sigma, 0.0).astype(np.float64) ** 2, 0.0)
    return SmoothPicture(smoothed, spline_filter(smoothed, order=3, mode="nearest"), weight, noise2)


def local_step(there: Array) -> Array:
    """Right-strip (line, sample) px per left-strip (line, sample) px over a window (2, n_l, n_s)."""
    n_l, n_s = there.shape[1] - 1, there.shape[2] - 1
    along = (there[:, -1].mean(axis=1) - there[:, 0].mean(axis=1)) / n_l
    across = (there[:, :, -1].mean(axis=1) - there[:, :, 0].mean(axis=1)) / n_s
    return np.column_stack([along, across])
