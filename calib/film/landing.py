"""Where places on the film fall on one strip, and which of its samples they need.

The sweep is inverted place by place in compiled code, exactly as `sweep.model.to_scan` does it, to `NEAR` of a sample;
a place is then a sample and the nearest of PHASES parts of the step to the next. All that follows reads only the
samples about these places: a map turned against the strips needs far less than the rectangle about them.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array, FilmPoints
from calib.film.kernels import PHASES, AxisWeights
from calib.film.spans import EMPTY, Spans, widened
from calib.sweep.model import StripSweep

NEAR = 5e-5  # samples: how closely the sweep's inverse is iterated
TURNS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Landing:
    """M places on one strip, all arrays (M,): `index` says which of the places that were asked for they are.

    (`line`, `sample`) is the sample at or before the place, `line_phase`, `sample_phase` count PHASES parts of the way
    to the next. `first_line`, `first_sample` are the least of them, `spans` which samples each line has (the first
    row of it is `first_line`).
    """

    index: NDArray[np.int32]
    line: NDArray[np.int32]
    sample: NDArray[np.int32]
    line_phase: NDArray[np.uint16]
    sample_phase: NDArray[np.uint16]
    spans: Spans

    @property
    def first_line(self) -> int:
        """The least line."""
        return self.spans.first

    @property
    def first_sample(self) -> int:
        """The least sample."""
        return int(self.spans.low.min())

    def needed(self, along: AxisWeights, across: AxisWeights) -> Spans:
        """The samples that the kernels reach, lanes that carry no weight included; they may lie beyond the strip."""
        lanes = across.values.shape[1]
        below = along.taps - along.before - 1
        return widened(self.spans, along.before, below, across.before, lanes - across.before - 1)


@dataclass(frozen=True, slots=True, eq=False)
class _Inverse:
    """A strip's tables ready to be inverted, those of one axis side by side; line positions are made to rise.

    `by_line` (lines, 4): y_line, 1 / its step, x_line, its step; `by_sample` (samples, 4): x_sample, 1 / its step,
    y_sample, its step. `line_bounds`, `sample_bounds`: where each step begins, without end at both ends.
    """

    by_line: Array
    by_sample: Array
    line_bounds: Array
    sample_bounds: Array
    sign: float
    leak: float
    box: Array


@lru_cache(maxsize=128)
def _inverse(sweep: StripSweep) -> _Inverse:
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
    return _Inverse(by_line, by_sample, _bounds(by_line[:, 0]), _bounds(by_sample[:, 0]), sign, float(leak), box)


def _side_by_side(rising: Array, other: Array) -> Array:
    steps = (np.append(d, d[-1]) for d in (np.diff(rising), np.diff(other)))
    rise, leak = steps
    return np.ascontiguousarray(np.stack([rising, 1.0 / rise, other, leak], axis=1))


def _bounds(rising: Array) -> Array:
    bounds = rising.copy()
    bounds[0], bounds[-1] = -np.inf, np.inf
    return bounds


def landing(sweep: StripSweep, places: FilmPoints, extent: tuple[float, float, float, float]) -> Landing | None:
    """Which of the places (N,) lie on a strip, to half a sample beyond its outermost ones; None where none does.

    `extent` is that of the places, from `extent_of`.
    """
    inverse = _inverse(sweep)
    x_low, x_high, y_low, y_high = extent
    if not (x_high >= inverse.box[0] and x_low <= inverse.box[1]):
        return None
    if not (y_high >= inverse.box[2] and y_low <= inverse.box[3]):
        return None
    n, n_lines = places.x_mm.size, sweep.n_lines
    index, line, sample = (np.empty(n, np.int32) for _ in range(3))
    line_phase, sample_phase = np.empty(n, np.uint16), np.empty(n, np.uint16)
    low, high = np.full(n_lines + 1, EMPTY, np.int32), np.full(n_lines + 1, -EMPTY, np.int32)
    count = _land(
        places.x_mm, places.y_mm, inverse.box, inverse.by_line, inverse.by_sample, inverse.line_bounds,
        inverse.sample_bounds, inverse.sign, inverse.leak, index, line, sample, line_phase, sample_phase, low, high,
    )  # fmt: skip
    if count == 0:
        return None
    return _cut(count, index, line, sample, line_phase, sample_phase, low, high)


def landing_of_scan(line: Array, sample: Array, n_lines: int) -> Landing:
    """The same for fractional places (N,) of a picture that are known already."""
    index = np.arange(line.size, dtype=np.int32)
    (base_l, phase_l), (base_s, phase_s) = _base_and_phase(line), _base_and_phase(sample)
    low, high = np.full(n_lines + 1, EMPTY, np.int32), np.full(n_lines + 1, -EMPTY, np.int32)
    np.minimum.at(low, base_l + 1, base_s)
    np.maximum.at(high, base_l + 1, base_s)
    return _cut(line.size, index, base_l, base_s, phase_l, phase_s, low, high)


def _base_and_phase(place: Array) -> tuple[NDArray[np.int32], NDArray[np.uint16]]:
    base = np.floor(place)
    return base.astype(np.int32), np.rint((place - base) * PHASES).astype(np.uint16)


def _cut(count: int, index: NDArray, line: NDArray, sample: NDArray, line_phase: NDArray, sample_phase: NDArray,
         low: NDArray, high: NDArray) -> Landing:  # fmt: skip
    rows = np.flatnonzero(low <= high)
    part = slice(rows[0], rows[-1] + 1)
    spans = Spans(int(rows[0]) - 1, low[part], high[part])
    return Landing(index[:count], line[:count], sample[:count], line_phase[:count], sample_phase[:count], spans)


def extent_of(places: FilmPoints) -> tuple[float, float, float, float]:
    """Least and greatest x, least and greatest y of places, NaN left out; nothing meets the extent of no places."""
    x_low, x_high, y_low, y_high = _extent(places.x_mm, places.y_mm)
    return x_low, x_high, y_low, y_high


@njit(cache=True, nogil=True)
def _extent(x, y):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Least and greatest of both, NaN left out."""
    x_low = y_low = np.inf
    x_high = y_high = -np.inf
    for i in range(x.size):
        if x[i] < x_low:
            x_low = x[i]
        if x[i] > x_high:
            x_high = x[i]
        if y[i] < y_low:
            y_low = y[i]
        if y[i] > y_high:
            y_high = y[i]
    return x_low, x_high, y_low, y_high


@njit(cache=True, nogil=True, inline="always")
def _step_of(bounds, value, step):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The step that holds a value, sought from `step` on."""
    one = np.uint64(1)
    while value >= bounds[step + one]:
        step += one
    while value < bounds[step]:
        step -= one
    return step


@njit(cache=True, nogil=True)
def _land(  # type: ignore[no-untyped-def]
    x, y, box, by_line, by_sample, line_bounds, sample_bounds, sign, leak,
    index, out_line, out_sample, line_phase, sample_phase, low, high,
):  # fmt: skip  # pragma: no cover
    n_lines, n_samples = by_line.shape[0], by_sample.shape[0]
    y_middle, y_first = sign * by_sample[(n_samples - 1) // 2, 2], by_line[0, 0]
    per_y = (n_lines - 1) / (by_line[n_lines - 1, 0] - y_first)
    x_low, x_high, y_low, y_high = box[0], box[1], box[2], box[3]
    i = j = np.uint64(0)
    count = np.uint64(0)
    for k in range(x.size):
        xk, yk = x[k], y[k]
        if not (xk >= x_low and xk <= x_high and yk >= y_low and yk <= y_high):
            continue
        yk *= sign
        # a first guess from a straight sweep, the same whatever place came before
        line = min(max((yk - y_middle - y_first) * per_y, 0.0), n_lines - 1.0)
        guess = np.uint64(line)
        across = by_line[guess, 2] + (line - guess) * by_line[guess, 3]
        for _ in range(TURNS):
            j = _step_of(sample_bounds, xk - across, j)
            share = (xk - across - by_sample[j, 0]) * by_sample[j, 1]
            target = yk - sign * (by_sample[j, 2] + share * by_sample[j, 3])
            i = _step_of(line_bounds, target, i)
            share = (target - by_line[i, 0]) * by_line[i, 1]
            before, line = line, i + share
            across = by_line[i, 2] + share * by_line[i, 3]
            if leak * abs(line - before) <= NEAR:
                break
        j = _step_of(sample_bounds, xk - across, j)  # the line has moved since: so does the sample
        sample = j + (xk - across - by_sample[j, 0]) * by_sample[j, 1]
        if not (line >= -0.5 and line <= n_lines - 0.5 and sample >= -0.5 and sample <= n_samples - 0.5):
            continue
        base_l, base_s = int(line + 1.0) - 1, int(sample + 1.0) - 1
        index[count], out_line[count], out_sample[count] = k, base_l, base_s
        line_phase[count] = int((line - base_l) * PHASES + 0.5)
        sample_phase[count] = int((sample - base_s) * PHASES + 0.5)
        row = np.uint64(base_l + 1)
        if base_s < low[row]:
            low[row] = base_s
        if base_s > high[row]:
            high[row] = base_s
        count += np.uint64(1)
    return count
