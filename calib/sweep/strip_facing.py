"""Edge textures of the film that neighbours share by their marks.

It may differ from the described overlap, because strips are displaced sideways and wander.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.frame.frame import Frame
from calib.sweep.model import StripSweep
from calib.sweep.strip_edges import LEAST_SAMPLES, Bools, Cut, EdgeTexture, lines_of_marks_and_wedge, texture

Ints = NDArray[np.int64]


def facing_samples(left: StripSweep, right: StripSweep) -> tuple[Ints, Ints]:
    """The shared samples of two neighbours: on each line of the left strip (n_lines,) the first sample that the right
    strip shows too, and on each line of the right strip the number of its first samples that the left strip shows."""
    begins_mm = right.x_sample_mm[0] + _along(right, left.y_line_mm) - left.x_line_mm
    ends_mm = left.x_sample_mm[-1] + _along(left, right.y_line_mm) - right.x_line_mm
    order = np.arange(left.n_samples), np.arange(right.n_samples)
    first = np.ceil(np.interp(begins_mm, left.x_sample_mm, order[0], right=left.n_samples))
    count = np.floor(np.interp(ends_mm, right.x_sample_mm, order[1], left=-1.0)) + 1
    return first.astype(np.int64), count.astype(np.int64)


def _along(sweep: StripSweep, y_mm: Array) -> Array:
    """Sideways displacement of a strip in mm at places along the film."""
    order = slice(None, None, 1 if sweep.y_line_mm[-1] > sweep.y_line_mm[0] else -1)
    return np.interp(y_mm, sweep.y_line_mm[order], sweep.x_line_mm[order])


def facing_textures(
    frame: Frame,
    seam: int,
    whole: Sequence[tuple[NDArray, Bools]],
    noise_dn: Sequence[float],
    sweeps: Sequence[StripSweep],
    cut: Cut,
) -> tuple[EdgeTexture, EdgeTexture]:
    """Textures of the shared film of two neighbours, left and right.

    `whole`: samples and lost mask (n_lines, n_samples) of each; `noise_dn`: 1-sigma of a sample; `sweeps` by the marks.
    """
    first, count = facing_samples(*sweeps)
    ranges = ((first, np.full(first.size, sweeps[0].n_samples)), (np.zeros(count.size, np.int64), count))
    left, right = (
        _texture(frame, seam + side, 1 - side, (*whole[side], *ranges[side]), noise_dn[side], sweeps[side], cut)
        for side in range(2)
    )
    return left, right


def _texture(
    frame: Frame, strip: int, side: int, seen: tuple[NDArray, Bools, Ints, Ints], noise_dn: float, sweep: StripSweep,
    cut: Cut,
) -> EdgeTexture:  # fmt: skip
    """The texture of one side of a strip; `seen`: samples, lost mask, and the first and stop sample of each line."""
    dn, lost, first, stop = seen
    part = slice(int(first.min()), int(stop.max()))
    sample = np.arange(part.start, part.stop)
    inside = (sample >= first[:, None]) & (sample < stop[:, None])
    count = np.count_nonzero(inside, axis=1)
    value = (dn[:, part] * inside).sum(axis=1, dtype=np.float64) / np.maximum(count, 1)
    missing = (lost[:, part] & inside).any(axis=1) | (count < LEAST_SAMPLES)
    order = slice(None, None, -1 if frame.strips[strip].is_reversed else 1)
    missing = missing[order] | lines_of_marks_and_wedge(frame, sweep, strip, max(part.stop - part.start, 1))[side]
    noise_of_mean = noise_dn / np.sqrt(max(float(np.median(count)), 1.0))
    return texture(value[order].astype(np.float32), missing, float(noise_of_mean), cut)
