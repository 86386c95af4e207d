"""Defines the sweep of a strip, the film place of each of its scan samples, and the conversions between both.

The model is separable, ``x = x_sample_mm[s] + x_line_mm[l]``, ``y = y_line_mm[l] + y_sample_mm[s]``: the sweep across
the strip is the same on every line except for a shift, and a strip's slow motion is the same for all its samples except
for the skew. Both conversions interpolate the tables linearly and extrapolate them linearly.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from calib.compiled import njit
from calib.coordinates import Array, FilmPoints, ScanPoints

if TYPE_CHECKING:
    from calib.frame.description import Scan
    from calib.frame.frame import StripRaster

COUPLING_LIMIT = 0.5  # product of the slopes of one axis by the other's index, in steps: the inverse converges
ITERATIONS = 60  # at most, each of which inverts both axes,
SETTLED = 1e-12  # until the line's relative change is no larger


@dataclass(frozen=True, slots=True, weakref_slot=True, eq=False)
class StripSweep:
    """Film places of one strip's samples in mm, in raster line order.

    `x_sample_mm`, `y_sample_mm` have shape (n_samples,); `x_line_mm`, `y_line_mm` and the 1-sigma uncertainties
    `sigma_x_mm`, `sigma_y_mm` of a line's film position have shape (n_lines,). `y_line_mm` falls in a reversed strip.
    Tables are copied and made read-only; those of another sweep, already read-only, are shared.

    Raises:
        ValueError: tables of wrong shape, not monotonic, or with too much coupling of the axes.
    """

    x_sample_mm: Array
    x_line_mm: Array
    y_line_mm: Array
    y_sample_mm: Array
    sigma_x_mm: Array
    sigma_y_mm: Array

    def __post_init__(self) -> None:
        for field in fields(self):
            table = _read_only_table(getattr(self, field.name))
            expected = len(self.x_sample_mm) if field.name.endswith("sample_mm") else len(self.y_line_mm)
            if table.shape != (expected,) or expected < 2:
                raise ValueError(f"{field.name} must have shape ({expected},), two or more, not {table.shape}")
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


def _read_only_table(values: Array) -> Array:
    """A read-only float64 table: a copy, or the values themselves if they own their memory and are read-only."""
    if (
        isinstance(values, np.ndarray)
        and values.dtype == np.float64
        and values.base is None
        and not values.flags.writeable
    ):
        return values
    table = np.array(values, dtype=np.float64)
    table.flags.writeable = False
    return table


def nominal_sweep(scan: Scan, strip: StripRaster) -> StripSweep:
    """The sweep by the description of the scan: linear, with the tolerance as 1-sigma (mm)."""
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
    """Film places (mm) of fractional (line, sample) places, which broadcast and may lie outside the strip."""
    line, sample = np.asarray(points.line, np.float64), np.asarray(points.sample, np.float64)
    return FilmPoints(
        x_mm=_at(sweep.x_sample_mm, sample) + _at(sweep.x_line_mm, line),
        y_mm=_at(sweep.y_line_mm, line) + _at(sweep.y_sample_mm, sample),
    )


def to_scan(sweep: StripSweep, points: FilmPoints) -> ScanPoints:
    """Fractional (line, sample) of film places (mm): the inverse of `to_film` to 1e-9 px, anywhere on the film.

    The axes are inverted alternately. This converges at least geometrically because their coupling is limited by
    `COUPLING_LIMIT`; with the slow motions of a real strip it takes three or four iterations.
    """
    x_mm, y_mm = np.broadcast_arrays(np.asarray(points.x_mm, np.float64), np.asarray(points.y_mm, np.float64))
    tables = sweep.x_sample_mm, sweep.x_line_mm, sweep.y_line_mm, sweep.y_sample_mm
    line, sample = _inverted(*tables, _read_only(x_mm.ravel()), _read_only(y_mm.ravel()))
    return ScanPoints(line=line.reshape(x_mm.shape), sample=sample.reshape(x_mm.shape))


def _read_only(values: Array) -> Array:
    """A read-only view, always, because numba compiles a function separately for writable and read-only arrays."""
    view = values.view()
    view.flags.writeable = False
    return view


def _at(table: Array, index: Array) -> Array:
    """Values of a table at fractional indices, interpolated and extrapolated linearly."""
    return np.asarray(_values(table, index.ravel()).reshape(index.shape))


@njit(cache=True, nogil=True, inline="always")
def _step_before(index, size):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Index of the table entry before a fractional index, 0 .. size - 2; any of these if the index is not finite."""
    if not index >= 1.0:
        return 0
    return int(index) if index < size - 2 else size - 2


@njit(cache=True, nogil=True, inline="always")
def _value(table, index):  # type: ignore[no-untyped-def]  # pragma: no cover
    """A table's value at a fractional index, interpolated and extrapolated linearly."""
    low = _step_before(index, table.size)
    return table[low] + (index - low) * (table[low + 1] - table[low])


@njit(cache=True, nogil=True)
def _values(table, index):  # type: ignore[no-untyped-def]  # pragma: no cover
    """A table's values at fractional indices (N,)."""
    out = np.empty(index.size)
    for n in range(index.size):
        out[n] = _value(table, index[n])
    return out


@njit(cache=True, nogil=True, inline="always")
def _index_of(table, sign, value, near):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fractional index at which `sign` times a table, which rises, has a value; a linear search from the index
    `near`."""
    low = _step_before(near, table.size)
    while low < table.size - 2 and sign * table[low + 1] <= value:
        low += 1
    while low > 0 and sign * table[low] > value:
        low -= 1
    start = sign * table[low]
    return low + (value - start) / (sign * table[low + 1] - start)


@njit(cache=True, nogil=True, inline="always")
def _first_index(table, value):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Approximate fractional index at which a table has a value: by the secant over all of it, corrected once."""
    last = table.size - 1
    index = (value - table[0]) / (table[last] - table[0]) * last
    inside = min(max(index, 0.0), float(last))
    return index + (value - _value(table, inside)) / (table[last] - table[0]) * last if inside == index else index


@njit(cache=True, nogil=True)
def _inverted(x_sample, x_line, y_line, y_sample, x_mm, y_mm):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Lines and samples (N,) of film places (N,)."""
    line, sample = np.empty(x_mm.size), np.empty(x_mm.size)
    sign = -1.0 if y_line[0] > y_line[-1] else 1.0
    for n in range(x_mm.size):
        s = (x_sample.size - 1) / 2
        aim = y_mm[n] - _value(y_sample, s)
        at = _index_of(y_line, sign, sign * aim, _first_index(y_line, aim))
        s = _first_index(x_sample, x_mm[n] - _value(x_line, at))
        for _ in range(ITERATIONS):
            s = _index_of(x_sample, 1.0, x_mm[n] - _value(x_line, at), s)
            before, at = at, _index_of(y_line, sign, sign * (y_mm[n] - _value(y_sample, s)), at)
            if abs(at - before) <= SETTLED * (1.0 + abs(at)):
                break
        line[n], sample[n] = at, s
    return line, sample
