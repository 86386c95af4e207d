"""Tables for the inner loops: a strip's tone combined with the conversion of density to the interpolated quantity.

Density is expressed in rows of the table of values, so that a sample takes one look-up by DN, one difference and one
look-up by row. Uncertainties of density are in rows too. If density itself is interpolated, a row is one density.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import inf
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.frame.frame import StripRaster
from calib.quality import HIGH_DENSITY, LOW_DENSITY
from calib.remembered import once
from calib.tone.model import StripTone

MOST_GROUPS = 4096  # of DN that share a sigma, which varies by thousandths within one; they fit the nearest cache


@dataclass(frozen=True, slots=True, eq=False)
class ValueTable:
    """Conversion of density before the interpolation: a table over densities from `first` on, `per_density` rows per
    unit of density.

    `value` (N,); `spread` (N, 3): factors of noise and of systematic error, and a systematic error added to the latter
    in quadrature. Both are held at their ends. Densities at and beyond the ends of `span` cannot be calibrated.
    """

    value: NDArray[np.float32]
    spread: NDArray[np.float32]
    first: float
    per_density: float
    span: tuple[float, float]


@lru_cache(maxsize=8)
def density_itself(span: tuple[float, float]) -> ValueTable:
    """The table that leaves density as it is; the same object for the same span (`strip_tables` caches by object)."""
    return ValueTable(np.zeros(0, np.float32), np.array([[1.0, 1.0, 0.0]], np.float32), 0.0, 1.0, span)


DENSITY = density_itself((-inf, inf))


class StripTables(NamedTuple):
    """Tables of one strip: the row of a sample is ``row_of_dn[DN] - (columns[sample] + drift)``.

    `values` (N - 1, 2): the value at a fractional row r is ``values[int(r), 0] + r * values[int(r), 1]``; empty if it
    is the row itself. `limits`: rows at and beyond which samples cannot be calibrated; `dn_span` and `beyond`: the
    first and last DN that can be, and the quality bits of DN below and above. `groups` (K, 3): row, 1-sigma of noise,
    variance of the curve, indexed by ``DN >> shift``. `spread` (N, 3): factors of noise and of systematic variance, and
    a variance added to the latter. `cell_columns`, `cell_variance`: `columns` and `column_variance` averaged over
    cells. Compiled code reads the arrays.
    """

    row_of_dn: NDArray[np.float32]
    columns: NDArray[np.float32]
    column_variance: NDArray[np.float32]
    values: NDArray[np.float32]
    limits: tuple[np.float32, np.float32]
    dn_span: tuple[int, int]
    beyond: tuple[np.uint16, np.uint16]
    groups: NDArray[np.float32]
    shift: np.uint32
    spread: NDArray[np.float32]
    cell_columns: NDArray[np.float32]
    cell_variance: NDArray[np.float32]


class StripLines(NamedTuple):
    """Raw lines of a strip, (lines, samples) from line `first` on, with the strip's tables.

    `drift`, `variance` (lines,): drift and its variance, in rows. Compiled code reads the arrays.
    """

    dn: NDArray
    first: int
    tables: StripTables
    drift: NDArray[np.float32]
    variance: NDArray[np.float32]


def read_lines(raster: StripRaster, tone: StripTone, values: ValueTable, first: int, stop: int) -> StripLines:
    """Lines `first` to `stop` - 1 of a strip."""
    drift, sigma = (
        (of_line[first:stop] * values.per_density).astype(np.float32)
        for of_line in (tone.line_density, tone.line_sigma)
    )
    return StripLines(raster.read(first, stop), first, strip_tables(tone, values), drift, np.square(sigma))


@njit(cache=True, nogil=True, inline="always")
def group_of(number, shift):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The row of `groups` that belongs to a DN."""
    return np.uint64(number) >> np.uint64(shift)


@once
def strip_tables(tone: StripTone, values: ValueTable) -> StripTables:
    """The tables of a strip, cached by the identity of `tone` and `values`."""
    row, per = tone.density_of_dn, np.float32(values.per_density)
    if values.value.size:
        row = ((row - values.first) * values.per_density).astype(np.float32)
    columns, variance = tone.column_density * per, np.square(tone.column_sigma * per)
    bits = np.uint16(LOW_DENSITY), np.uint16(HIGH_DENSITY)
    low, high = (np.float32((end - values.first) * values.per_density) for end in values.span)
    groups, shift = _grouped(row, tone.noise_density, tone.curve_sigma)
    groups[:, 1:] *= per
    groups[:, 2] = np.square(groups[:, 2])
    spread = np.abs(values.spread / np.array([per, per, 1.0], np.float32))
    spread[:, 1:] = np.square(spread[:, 1:])
    return StripTables(
        row_of_dn=row,
        columns=columns.astype(np.float32),
        column_variance=variance.astype(np.float32),
        values=_straight(values.value),
        limits=(low, high),
        dn_span=tone.dn_span,
        beyond=bits if tone.rising else bits[::-1],
        groups=groups,
        shift=np.uint32(shift),
        spread=spread,
        cell_columns=_pairs(columns),
        cell_variance=_pairs(variance),
    )


def _straight(value: NDArray[np.float32]) -> NDArray[np.float32]:
    """The straight line from each entry of a table to the next: its value extrapolated to entry 0, and its slope."""
    if value.size == 0:
        return np.zeros((0, 2), np.float32)
    exact = value.astype(np.float64)
    step = np.diff(exact)
    return np.stack([exact[:-1] - step * np.arange(step.size), step], axis=1).astype(np.float32)


def _grouped(*of_dn: NDArray[np.float32]) -> tuple[NDArray[np.float32], int]:
    """Tables over DN resampled to groups of DN, at the middle of each group; and the shift in bits from DN to group."""
    last, shift = of_dn[0].size - 1, 0
    while last >> shift >= MOST_GROUPS:
        shift += 1
    middle = (np.arange((last >> shift) + 1) << shift) + ((1 << shift) - 1) / 2
    low = np.minimum(middle.astype(np.intp), of_dn[0].size - 2)
    share = (middle - low).astype(np.float32)
    return np.stack([table[low] + share * (table[low + 1] - table[low]) for table in of_dn], axis=1), shift


def _pairs(columns: Array) -> NDArray[np.float32]:
    """Means of pairs of neighbouring columns; an odd last column is left out."""
    whole = columns.size // 2 * 2
    return (0.5 * (columns[0:whole:2] + columns[1:whole:2])).astype(np.float32)
