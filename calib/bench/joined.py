"""The strips joined to one picture with nothing but the banding left in: what a stripe filter is given."""

from dataclasses import dataclass

import numpy as np
from calib_demo.truth import Truth
from numpy.typing import NDArray

from calib.bench import perfect
from calib.film.source import StripSource
from calib.frame.frame import Frame
from calib.tone.apply import density_window

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """The scene, (lines, columns) from top to bottom: banded and clean density, `good` where no dropout, mark or
    clipped sample is, the noise's 1-sigma, and the strip (columns,) that each column was taken from.
    """

    banded: Floats
    clean: Floats
    good: Flags
    noise: Floats
    strip: NDArray[np.int64]


def join_strips(frame: Frame, truth: Truth) -> Joined:
    """Cut the middle pitch out of every strip, turn the reversed ones, and set them side by side at their true places.

    Places are true to a line: stripes stay along the columns. What is not good is bridged along its column.
    """
    width = min(round(frame.scan.pitch_mm / frame.scan.sample_mm), frame.strips[0].n_samples)
    first = (frame.strips[0].n_samples - width) // 2
    columns = slice(first, first + width)
    parts = [_one(frame, truth, k, source, columns) for k, source in enumerate(perfect.sources(frame, truth))]
    lines = min(part[0].shape[0] for part in parts)
    banded, clean, noise, good = (np.concatenate([part[n][:lines] for part in parts], axis=1) for n in range(4))
    filled, good = banded.copy(), good.astype(bool)
    for column in range(banded.shape[1]):
        sound = good[:, column]
        if sound.any():
            at = np.arange(lines, dtype=float)
            filled[~sound, column] = np.interp(at[~sound], at[sound], banded[sound, column])
    return Joined(filled, clean, good, noise, np.repeat(np.arange(len(parts)), width))


def _one(
    frame: Frame, truth: Truth, strip: int, source: StripSource, columns: slice
) -> tuple[Floats, Floats, Floats, Floats]:
    """Banded density, clean density, noise and soundness (1 or 0) of one strip over the format, top line first."""
    s = truth.strips[strip]
    half_x, half_y = (side / 2 for side in frame.camera.format_mm)
    window = density_window(source.raster, source.tone, source.dropouts, 0, source.raster.n_lines)
    clean = truth.clean_density(strip)
    x = s.x_line_mm[:, None] + s.x_sample_mm[None, :]
    y = s.y_line_mm[:, None] + s.y_sample_mm[None, :]
    good = (window.quality == 0) & (np.abs(x) < half_x) & (np.abs(y) < half_y) & ~_marked(frame, x, y)
    lines = np.flatnonzero(np.abs(s.y_line_mm) < half_y)[:: -1 if s.is_reversed else 1]
    banded, noise = window.density + s.column_density[None, :], truth.noise_at(strip, clean)
    cut = np.ix_(lines, np.arange(columns.start, columns.stop))
    return banded[cut].astype(float), clean[cut].astype(float), noise[cut], good[cut].astype(float)


def _marked(frame: Frame, x: Floats, y: Floats) -> Flags:
    """Samples that a mark may darken, by a square about each stated place."""
    reach = frame.film.reseau.arm_mm + 4 * frame.scan.sample_mm
    hit = np.zeros(x.shape, dtype=bool)
    middle_x, middle_y = x.mean(axis=0), y.mean(axis=1)
    for mark_x, mark_y in zip(frame.marks.x_mm, frame.marks.y_mm, strict=True):
        columns = np.flatnonzero(np.abs(middle_x - mark_x) < reach + np.ptp(x[:, 0]))
        lines = np.flatnonzero(np.abs(middle_y - mark_y) < reach + np.ptp(y[0]))
        if columns.size and lines.size:
            hit[lines[0] : lines[-1] + 1, columns[0] : columns[-1] + 1] = True
    return hit
