"""Inverts a strip's sweep in compiled code: from film places to line and sample, to `NEAR` of those (`model.to_scan`).

The line, and the film x minus the line's contribution to it, vary over the film as slowly as the strip wanders, so they
may be interpolated. Only the sample depends on the readout's uneven sweep; a table gives it for each such x.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare
from calib.coordinates import Array, FilmPoints
from calib.remembered import once
from calib.sweep.model import StripSweep

NEAR = 1e-8  # lines or samples: accuracy of the iterated inverse
ITERATIONS = 60  # at most
TABLE = 5e-5  # samples: greatest error of the table at evenly spaced x
EVEN_BITS = 16  # the table holds whole numbers of 2^-16 of a sample
MOST_SAMPLES = 2**15  # samples per line up to which those numbers fit into int32
FINEST = 64  # most entries per sample: a sweep that needs more has no table


Extent = tuple[float, float, float, float]  # least and greatest x, least and greatest y, in mm


class Inverse(NamedTuple):
    """A strip's sweep as tables for its inversion; y of the lines is multiplied by `sign` so that it increases.

    `by_line` (n_lines, 4): y_line, 1 / its step, x_line, its step; `by_sample` (n_samples, 4): x_sample, 1 / its step,
    y_sample, its step; mm. `line_bounds`, `sample_bounds`: where each step begins, infinite at both ends. `leak`: upper
    bound of the factor by which an iteration multiplies the error of the line. `box` (x low, x high, y low, y high)
    contains all film that the strip sees. `even` (N, 2): samples, and differences to the next, in units of
    2^-EVEN_BITS, at x from `x_sample[0]` on, `per_mm` rows per mm; no rows if the sweep is too uneven or too long.
    Compiled code takes the tuple as it is.
    """

    by_line: Array
    by_sample: Array
    line_bounds: Array
    sample_bounds: Array
    sign: float
    leak: float
    box: Array
    even: NDArray[np.int32]
    per_mm: float

    def may_see(self, extent: Extent) -> bool:
        """Whether some place within the extent may lie on the strip."""
        beside_x = extent[1] >= self.box[0] and extent[0] <= self.box[1]
        return bool(beside_x and extent[3] >= self.box[2] and extent[2] <= self.box[3])


@once
def inverse_of(sweep: StripSweep) -> Inverse:
    """The tables of a sweep, made once per sweep object."""
    sign = -1.0 if sweep.y_line_mm[0] > sweep.y_line_mm[-1] else 1.0
    by_line = _side_by_side(sign * sweep.y_line_mm, sweep.x_line_mm)
    by_sample = _side_by_side(sweep.x_sample_mm, sweep.y_sample_mm)
    margin_x, margin_y = 1.0 / by_sample[0, 1], 1.0 / by_line[0, 1]
    box = np.array([
        sweep.x_sample_mm.min() + sweep.x_line_mm.min() - margin_x,
        sweep.x_sample_mm.max() + sweep.x_line_mm.max() + margin_x,
        sweep.y_line_mm.min() + sweep.y_sample_mm.min() - margin_y,
        sweep.y_line_mm.max() + sweep.y_sample_mm.max() + margin_y,
    ])  # fmt: skip
    leak = np.abs(by_line[:, 3]).max() * np.abs(by_sample[:, 3]).max() * by_line[:, 1].max() * by_sample[:, 1].max()
    bounds = _bounds(by_line[:, 0]), _bounds(by_sample[:, 0])
    return Inverse(by_line, by_sample, *bounds, sign, float(leak), box, *_even(sweep.x_sample_mm))


def _even(rising: Array) -> tuple[NDArray[np.int32], float]:
    """Inverse of an increasing table at evenly spaced values, as fine as needed: rows (N, 2) of the entry and its
    difference to the next, in units of 2^-EVEN_BITS; and the number of rows per unit of value."""
    entry, span, finer = np.arange(rising.size, dtype=np.float64), rising[-1] - rising[0], 1
    while finer <= FINEST and rising.size <= MOST_SAMPLES:
        n = finer * (rising.size - 1)
        at = np.interp(rising[0] + span / n * np.arange(n + 1), rising, entry)
        if np.abs(np.interp((rising - rising[0]) * (n / span), np.arange(n + 1.0), at) - entry).max() <= TABLE:
            whole = np.rint(at * 2**EVEN_BITS).astype(np.int32)
            step = np.diff(whole)
            return np.stack([whole, np.append(step, step[-1])], axis=1), float(n / span)
        finer *= 2
    return np.zeros((0, 2), np.int32), 0.0


def _side_by_side(rising: Array, other: Array) -> Array:
    """Columns (n, 4): an increasing table, 1 / its steps, another table, its steps; the last step is repeated."""
    rise, other_step = (np.append(d, d[-1]) for d in (np.diff(rising), np.diff(other)))
    return np.ascontiguousarray(np.stack([rising, 1.0 / rise, other, other_step], axis=1))


def _bounds(rising: Array) -> Array:
    """The increasing table with infinite first and last values: places beyond it belong to the first or last step."""
    bounds = rising.copy()
    bounds[0], bounds[-1] = -np.inf, np.inf
    return bounds


def smooth_places(sweep: StripSweep, places: FilmPoints) -> Array:
    """Line, and film x minus the line's contribution to it, (2, ...), of film places of any shape, also outside the
    strip; NaN where a place is NaN."""
    out = np.empty((2, places.x_mm.size))
    _all_places(places.x_mm.ravel(), places.y_mm.ravel(), inverse_of(sweep), out)
    return out.reshape(2, *places.x_mm.shape)


@bare(cache=True, nogil=True)
def _all_places(x, y, inverse, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fill `out` (2, n) for `smooth_places`."""
    i = j = np.uint64(0)
    for k in range(x.size):
        if np.isfinite(x[k]) and np.isfinite(y[k]):
            line, across, i, j = _line_near(x[k], y[k], straight_line(y[k], inverse), inverse, i, j)
            out[0, k], out[1, k] = line, x[k] - across
        else:
            out[0, k] = out[1, k] = np.nan


@bare(cache=True, nogil=True, inline="always")
def even_sample(even, first, per_mm, x):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The sample at `x`, film x minus the line's contribution, from fields of an `Inverse`; linear beyond the strip."""
    place = (x - first) * per_mm
    at = np.int64(min(max(place, 0.0), even.size / 2 - 2.0))
    return (even[2 * at] + (place - at) * even[2 * at + 1]) / (1 << EVEN_BITS)


@bare(cache=True, nogil=True, inline="always")
def _step_of(bounds, value, step):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Index of the step that contains a value, searched from `step` on."""
    one = np.uint64(1)
    while value >= bounds[step + one]:
        step += one
    while value < bounds[step]:
        step -= one
    return step


@bare(cache=True, nogil=True, inline="always")
def _line_near(x, y, line, inverse, i, j):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Line of a finite film place, iterated from a line of the strip; its contribution to x; and the steps of line and
    sample that contain the place, searched from steps `i`, `j` on."""
    by_line, by_sample, sign = inverse.by_line, inverse.by_sample, inverse.sign
    guess = np.uint64(line)
    across = by_line[guess, 2] + (line - guess) * by_line[guess, 3]
    for _ in range(ITERATIONS):
        j = _step_of(inverse.sample_bounds, x - across, j)
        share = (x - across - by_sample[j, 0]) * by_sample[j, 1]
        target = sign * y - sign * (by_sample[j, 2] + share * by_sample[j, 3])
        i = _step_of(inverse.line_bounds, target, i)
        share = (target - by_line[i, 0]) * by_line[i, 1]
        before, line = line, i + share
        across = by_line[i, 2] + share * by_line[i, 3]
        if inverse.leak * abs(line - before) <= NEAR:
            break
    return line, across, i, j


@bare(cache=True, nogil=True, inline="always")
def straight_line(y, inverse):  # type: ignore[no-untyped-def]  # pragma: no cover
    """First guess of the line from a straight sweep. It does not depend on the place computed before, so results do not
    depend on the order of places."""
    by_line, by_sample, sign = inverse.by_line, inverse.by_sample, inverse.sign
    n_lines, n_samples = by_line.shape[0], by_sample.shape[0]
    y_middle, y_first = sign * by_sample[(n_samples - 1) // 2, 2], by_line[0, 0]
    per_y = (n_lines - 1) / (by_line[n_lines - 1, 0] - y_first)
    return min(max((sign * y - y_middle - y_first) * per_y, 0.0), n_lines - 1.0)


@bare(cache=True, nogil=True, inline="always")
def place_near(x, y, line, inverse, i, j):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Line and sample of a finite film place, iterated from a line of the strip, and the steps that contain them."""
    by_sample = inverse.by_sample
    line, across, i, j = _line_near(x, y, line, inverse, i, j)
    j = _step_of(inverse.sample_bounds, x - across, j)  # the line has changed since the last search
    return line, j + (x - across - by_sample[j, 0]) * by_sample[j, 1], i, j


@bare(cache=True, nogil=True, inline="always")
def scan_place(x, y, inverse, i, j):  # type: ignore[no-untyped-def]  # pragma: no cover
    """`place_near`, iterated from the line of a straight sweep."""
    return place_near(x, y, straight_line(y, inverse), inverse, i, j)
