"""Where one strip's samples lie in a neighbouring strip that sees the same film."""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.sweep.inverse import inverse_of, scan_place
from calib.sweep.model import StripSweep


def counterparts(here: StripSweep, there: StripSweep, lines: NDArray[np.int64], samples: NDArray[np.int64]) -> Array:
    """Places (2, n_l, n_s), (line, sample), in the strip `there` of the film that `here` shows at `lines` x `samples`.

    They may lie outside the strip: the sweep goes on straight there.
    """
    out = np.empty((2, len(lines), len(samples)))
    x_line, y_line = here.x_line_mm[lines], here.y_line_mm[lines]
    _invert(x_line, y_line, here.x_sample_mm[samples], here.y_sample_mm[samples], inverse_of(there).tables, out)
    return out


@njit(cache=True, nogil=True)
def _invert(x_line, y_line, x_sample, y_sample, tables, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    by_line, by_sample, line_bounds, sample_bounds, sign, leak = tables
    i = j = np.uint64(0)
    for a in range(y_line.size):
        for b in range(x_sample.size):
            x, y = x_line[a] + x_sample[b], y_line[a] + y_sample[b]
            line, sample, i, j = scan_place(x, y, by_line, by_sample, line_bounds, sample_bounds, sign, leak, i, j)
            out[0, a, b], out[1, a, b] = line, sample
