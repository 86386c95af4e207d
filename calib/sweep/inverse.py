"""A strip's sweep turned round, in compiled code: as `sweep.model.to_scan` does it, to `NEAR` of a sample.

Line, and the film x less what the line adds to it, vary as slowly over the film as the strip wanders; it is the sample
that the readout's own uneven sweep makes of that x. So the former may be interpolated, and a table gives the latter.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare
from calib.coordinates import Array, FilmPoints
from calib.remembered import once
from calib.sweep.model import StripSweep

NEAR = 1e-8  # lines or samples: how closely the inverse is iterated
TURNS = 60
TABLE = 5e-5  # samples: how closely an even table of samples must meet the sweep's own
EVEN_BITS = 16  # the table holds whole numbers of 2^-16 of a sample
MOST_SAMPLES = 2**15  # of a line: more of such numbers are not held
FINEST = 64  # of its entries to a sample: a sweep that needs more has none


Extent = tuple[float, float, float, float]  # least and greatest x, least and greatest y, in mm


class Inverse(NamedTuple):
    """A strip's tables ready to be inverted, those of one axis side by side; line positions are made to rise by `sign`.

    `by_line` (lines, 4): y_line, 1 / its step, x_line, its step; `by_sample` (samples, 4): x_sample, 1 / its step,
    y_sample, its step. `line_bounds`, `sample_bounds`: where each step begins, without end at both ends. `leak` is what
    a line's error leaves of itself after a turn, `box` (x low, x high, y low, y high) holds all film the strip sees.
    `even` (N, 2) are samples, and the steps to the next, in parts of 2^-EVEN_BITS, at x from `x_sample[0]` on, `per_mm`
    rows to a millimetre; no rows where the sweep is too uneven for that, or too long. Compiled code reads it as it is.
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
        """Whether places of that extent can lie on the strip."""
        beside_x = extent[1] >= self.box[0] and extent[0] <= self.box[1]
        return bool(beside_x and extent[3] >= self.box[2] and extent[2] <= self.box[3])


@once
def inverse_of(sweep: StripSweep) -> Inverse:
    """Made once a strip: a sweep is the same only if it is the same object."""
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
    """Table of the entry at which a table takes even values, as fine as it must be, and its rows to a unit of them."""
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
    steps = (np.append(d, d[-1]) for d in (np.diff(rising), np.diff(other)))
    rise, leak = steps
    return np.ascontiguousarray(np.stack([rising, 1.0 / rise, other, leak], axis=1))


def _bounds(rising: Array) -> Array:
    bounds = rising.copy()
    bounds[0], bounds[-1] = -np.inf, np.inf
    return bounds


def smooth_places(sweep: StripSweep, places: FilmPoints) -> Array:
    """Line, and film x less what the line adds to it, (2, ...), of film places of any shape, beyond the strip too; NaN
    where a place is NaN."""
    out = np.empty((2, places.x_mm.size))
    _all_places(places.x_mm.ravel(), places.y_mm.ravel(), inverse_of(sweep), out)
    return out.reshape(2, *places.x_mm.shape)


@bare(cache=True, nogil=True)
def _all_places(x, y, inverse, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    i = j = np.uint64(0)
    for k in range(x.size):
        if np.isfinite(x[k]) and np.isfinite(y[k]):
            line, across, i, j = _line_near(x[k], y[k], straight_line(y[k], inverse), inverse, i, j)
            out[0, k], out[1, k] = line, x[k] - across
        else:
            out[0, k] = out[1, k] = np.nan


@bare(cache=True, nogil=True, inline="always")
def even_sample(even, first, per_mm, x):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The sample at film x less what the line adds to it, straight on beyond the strip; from fields of an `Inverse`."""
    place = (x - first) * per_mm
    at = np.int64(min(max(place, 0.0), even.size / 2 - 2.0))
    return (even[2 * at] + (place - at) * even[2 * at + 1]) / (1 << EVEN_BITS)


@bare(cache=True, nogil=True, inline="always")
def _step_of(bounds, value, step):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The step that holds a value, sought from `step` on."""
    one = np.uint64(1)
    while value >= bounds[step + one]:
        step += one
    while value < bounds[step]:
        step -= one
    return step


@bare(cache=True, nogil=True, inline="always")
def _line_near(x, y, line, inverse, i, j):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Line of a finite film place, sought from a line of the strip on, what it adds to x, and the steps that hold the
    place, sought from steps `i`, `j` on."""
    by_line, by_sample, sign = inverse.by_line, inverse.by_sample, inverse.sign
    guess = np.uint64(line)
    across = by_line[guess, 2] + (line - guess) * by_line[guess, 3]
    for _ in range(TURNS):
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
    """A first guess at a line of the strip from a straight sweep, the same whatever place came before."""
    by_line, by_sample, sign = inverse.by_line, inverse.by_sample, inverse.sign
    n_lines, n_samples = by_line.shape[0], by_sample.shape[0]
    y_middle, y_first = sign * by_sample[(n_samples - 1) // 2, 2], by_line[0, 0]
    per_y = (n_lines - 1) / (by_line[n_lines - 1, 0] - y_first)
    return min(max((sign * y - y_middle - y_first) * per_y, 0.0), n_lines - 1.0)


@bare(cache=True, nogil=True, inline="always")
def place_near(x, y, line, inverse, i, j):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Line and sample of a finite film place, sought from a line of the strip on, and the steps that hold them."""
    by_sample = inverse.by_sample
    line, across, i, j = _line_near(x, y, line, inverse, i, j)
    j = _step_of(inverse.sample_bounds, x - across, j)  # the line has moved since it was last sought
    return line, j + (x - across - by_sample[j, 0]) * by_sample[j, 1], i, j


@bare(cache=True, nogil=True, inline="always")
def scan_place(x, y, inverse, i, j):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The same from a straight sweep's line on."""
    return place_near(x, y, straight_line(y, inverse), inverse, i, j)
