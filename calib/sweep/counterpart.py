"""Where one strip's samples lie in a neighbouring strip that sees the same film.

The neighbour's sweep is inverted sample by sample as `model.to_scan` does it, but each search begins where the last one
ended: neighbouring samples have neighbouring counterparts, so a step or two finds them.
"""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.sweep.model import StripSweep

NEAR_PX = 1e-8  # how closely the inverse is iterated
TURNS = 60


def counterparts(here: StripSweep, there: StripSweep, lines: NDArray[np.int64], samples: NDArray[np.int64]) -> Array:
    """Places (2, n_l, n_s), (line, sample), in the strip `there` of the film that `here` shows at `lines` x `samples`.

    They may lie outside the strip: the sweep goes on straight there.
    """
    sign = -1.0 if there.y_line_mm[0] > there.y_line_mm[-1] else 1.0
    by_line = _side_by_side(sign * there.y_line_mm, there.x_line_mm)
    by_sample = _side_by_side(there.x_sample_mm, sign * there.y_sample_mm)
    out = np.empty((2, len(lines), len(samples)))
    x_mm, y_mm = here.x_line_mm[lines], sign * here.y_line_mm[lines]
    _invert(x_mm, y_mm, here.x_sample_mm[samples], sign * here.y_sample_mm[samples], by_line, by_sample, out)
    return out


def _side_by_side(rising: Array, other: Array) -> Array:
    """A table that is inverted, one over its steps, the other table of the axis and its steps: (n - 1, 4)."""
    return np.ascontiguousarray(np.stack([rising[:-1], 1 / np.diff(rising), other[:-1], np.diff(other)], axis=1))


@njit(cache=True, nogil=True)
def _step_of(table: Array, value: float, step: int) -> int:  # pragma: no cover
    """The step of a rising table that holds a value, the first or last one for what lies beyond; sought from `step`."""
    last = table.shape[0] - 1
    while step < last and value >= table[step + 1, 0]:
        step += 1
    while step > 0 and value < table[step, 0]:
        step -= 1
    return step


@njit(cache=True, nogil=True)
def _invert(
    x_line: Array, y_line: Array, x_sample: Array, y_sample: Array, by_line: Array, by_sample: Array, out: Array
) -> None:  # pragma: no cover
    """Fill `out` with the counterparts; all film y are taken so that they rise with the neighbour's lines."""
    i = j = 0
    line = 0.0
    for a in range(y_line.size):
        for b in range(x_sample.size):
            x, y = x_line[a] + x_sample[b], y_line[a] + y_sample[b]
            for _ in range(TURNS):
                away = x - (by_line[i, 2] + (line - i) * by_line[i, 3])
                j = _step_of(by_sample, away, j)
                share = (away - by_sample[j, 0]) * by_sample[j, 1]
                out[1, a, b] = j + share
                height = y - (by_sample[j, 2] + share * by_sample[j, 3])
                i = _step_of(by_line, height, i)
                before, line = line, i + (height - by_line[i, 0]) * by_line[i, 1]
                if abs(line - before) <= NEAR_PX:
                    break
            out[0, a, b] = line
