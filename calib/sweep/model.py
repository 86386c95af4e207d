"""Where each scan sample of one strip lies on the film: the value type of the sweep stage, and its use both ways.

The model is separable, ``x = x_sample_mm[s] + x_line_mm[l]``, ``y = y_line_mm[l] + y_sample_mm[s]``: the sweep across
the strip is the same on every line but for a shift, and a strip's slow motion is the same for all its samples but for
the skew. Between the tables' entries both ways interpolate linearly, beyond them they extrapolate linearly.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from calib.coordinates import Array, FilmPoints, ScanPoints

if TYPE_CHECKING:
    from calib.frame.description import Scan
    from calib.frame.frame import StripRaster

COUPLING_LIMIT = 0.25  # how far one axis may leak into the other, in steps: the inverse stays a contraction


@dataclass(frozen=True, slots=True, eq=False)
class StripSweep:
    """Film millimetres of one strip's samples, in raster line order.

    `x_sample_mm`, `y_sample_mm` have shape (n_samples,); `x_line_mm`, `y_line_mm` and the 1-sigma uncertainties
    `sigma_x_mm`, `sigma_y_mm` of a line's film position have shape (n_lines,). `y_line_mm` falls in a reversed strip.
    """

    x_sample_mm: Array
    x_line_mm: Array
    y_line_mm: Array
    y_sample_mm: Array
    sigma_x_mm: Array
    sigma_y_mm: Array

    def __post_init__(self) -> None:
        for field in fields(self):
            table = np.array(getattr(self, field.name), dtype=np.float64)
            expected = len(self.x_sample_mm) if field.name.endswith("sample_mm") else len(self.y_line_mm)
            if table.shape != (expected,) or expected < 2:
                raise ValueError(f"{field.name} must have shape ({expected},), two or more, not {table.shape}")
            table.flags.writeable = False
            object.__setattr__(self, field.name, table)
        across, along = np.diff(self.x_sample_mm), np.diff(self.y_line_mm)
        if not np.all(across > 0):
            raise ValueError("x_sample_mm must rise from sample to sample")
        if not (np.all(along > 0) or np.all(along < 0)):
            raise ValueError("y_line_mm must rise or fall from line to line throughout")
        leak = np.abs(np.diff(self.x_line_mm)).max() * np.abs(np.diff(self.y_sample_mm)).max()
        if not leak <= COUPLING_LIMIT * across.min() * np.abs(along).min():
            raise ValueError("x_line_mm and y_sample_mm must be slow beside the steps of the sweep")

    @property
    def n_lines(self) -> int:
        """Number of scan lines."""
        return self.y_line_mm.size

    @property
    def n_samples(self) -> int:
        """Number of samples in a line."""
        return self.x_sample_mm.size


def nominal_sweep(scan: Scan, strip: StripRaster) -> StripSweep:
    """The sweep that the description of the scan promises: linear, and as uncertain as its tolerance (in mm)."""
    line = np.arange(strip.n_lines, dtype=np.float64)
    sample = np.arange(strip.n_samples, dtype=np.float64)
    from_first = line[::-1] if strip.is_reversed else line
    center_mm = scan.first_center_mm + strip.index * scan.pitch_mm
    tolerance_mm = np.full(strip.n_lines, scan.tolerance_mm)
    return StripSweep(
        x_sample_mm=center_mm + (sample - (strip.n_samples - 1) / 2) * scan.sample_mm,
        x_line_mm=np.zeros(strip.n_lines),
        y_line_mm=scan.first_line_mm + from_first * scan.line_mm,
        y_sample_mm=np.zeros(strip.n_samples),
        sigma_x_mm=tolerance_mm,
        sigma_y_mm=tolerance_mm,
    )


def to_film(sweep: StripSweep, points: ScanPoints) -> FilmPoints:
    """Film millimetres of fractional (line, sample) places; they broadcast, and may lie outside the strip."""
    line, sample = np.asarray(points.line, np.float64), np.asarray(points.sample, np.float64)
    return FilmPoints(
        x_mm=_at(sweep.x_sample_mm, sample) + _at(sweep.x_line_mm, line),
        y_mm=_at(sweep.y_line_mm, line) + _at(sweep.y_sample_mm, sample),
    )


def to_scan(sweep: StripSweep, points: FilmPoints) -> ScanPoints:
    """Fractional (line, sample) of film places: the inverse of `to_film` to 1e-9 px, anywhere on the film.

    The two axes leak into each other by no more than `COUPLING_LIMIT`, so inverting them in turn converges at least
    geometrically; with the slow motions of a real strip it takes three or four turns.
    """
    x_mm, y_mm = np.broadcast_arrays(np.asarray(points.x_mm, np.float64), np.asarray(points.y_mm, np.float64))
    falling = sweep.y_line_mm[0] > sweep.y_line_mm[-1]
    y_rising = -sweep.y_line_mm if falling else sweep.y_line_mm
    sign = -1.0 if falling else 1.0
    sample = np.full(x_mm.shape, (sweep.n_samples - 1) / 2)
    line = _index_of(y_rising, sign * (y_mm - _at(sweep.y_sample_mm, sample)))
    for _ in range(60):
        sample = _index_of(sweep.x_sample_mm, x_mm - _at(sweep.x_line_mm, line))
        previous, line = line, _index_of(y_rising, sign * (y_mm - _at(sweep.y_sample_mm, sample)))
        if np.all(np.abs(line - previous) <= 1e-11 * (1.0 + np.abs(line))):
            break
    return ScanPoints(line=line, sample=sample)


def _at(table: Array, index: Array) -> Array:
    """Values of a table at fractional indices, linear between and beyond its entries."""
    low = np.clip(np.floor(index), 0, table.size - 2).astype(np.intp)
    start = table[low]
    return start + (index - low) * (table[low + 1] - start)


def _index_of(rising: Array, value: Array) -> Array:
    """Fractional index at which a rising table takes a value, linear between and beyond its entries."""
    low = np.clip(np.searchsorted(rising, value, side="right") - 1, 0, rising.size - 2)
    start = rising[low]
    return low + (value - start) / (rising[low + 1] - start)
