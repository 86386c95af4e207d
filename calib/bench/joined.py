"""Joins the strips to one picture that contains only the banding: the input of the stripe filters."""

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
    """The scene, (lines, columns) from top to bottom: density with and without banding, `good` where there is no
    dropout, mark or clipped sample, the noise's 1-sigma, and the strip (columns,) of each column.
    """

    banded: Floats
    clean: Floats
    good: Flags
    noise: Floats
    strip: NDArray[np.int64]


def join_strips(frame: Frame, truth: Truth) -> Joined:
    """Cut the middle pitch out of every strip, turn the reversed ones, and join them at their true places.

    Places are true to one line, so that stripes stay along the columns. Bad samples are interpolated along the column.
    """
    width = min(round(frame.scan.pitch_mm / frame.scan.sample_mm), frame.strips[0].n_samples)
    first = (frame.strips[0].n_samples - width) // 2
    columns = slice(first, first + width)
    parts = [_strip_part(frame, truth, k, source, columns) for k, source in enumerate(perfect.sources(frame, truth))]
    lines = min(part[0].shape[0] for part in parts)
    banded, clean, noise, good = (np.concatenate([part[n][:lines] for part in parts], axis=1) for n in range(4))
    filled, good = banded.copy(), good.astype(bool)
    for column in range(banded.shape[1]):
        sound = good[:, column]
        if sound.any():
            at = np.arange(lines, dtype=float)
            filled[~sound, column] = np.interp(at[~sound], at[sound], banded[sound, column])
    return Joined(filled, clean, good, noise, np.repeat(np.arange(len(parts)), width))


def _strip_part(
    frame: Frame, truth: Truth, strip: int, source: StripSource, columns: slice
) -> tuple[Floats, Floats, Floats, Floats]:
    """Density with and without banding, noise, and validity (1 or 0) of one strip over the format, top line first."""
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
    """Mask of samples that a mark may cover: a square around each stated place."""
    reach = frame.film.reseau.arm_mm + 4 * frame.scan.sample_mm
    hit = np.zeros(x.shape, dtype=bool)
    middle_x, middle_y = x.mean(axis=0), y.mean(axis=1)
    for mark_x, mark_y in zip(frame.marks.x_mm, frame.marks.y_mm, strict=True):
        columns = np.flatnonzero(np.abs(middle_x - mark_x) < reach + np.ptp(x[:, 0]))
        lines = np.flatnonzero(np.abs(middle_y - mark_y) < reach + np.ptp(y[0]))
        if columns.size and lines.size:
            hit[lines[0] : lines[-1] + 1, columns[0] : columns[-1] + 1] = True
    return hit
