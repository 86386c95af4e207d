"""Maps samples of a strip to a neighbouring strip that shows the same film."""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare
from calib.coordinates import Array
from calib.sweep.inverse import inverse_of, place_near, straight_line
from calib.sweep.model import StripSweep


def counterparts(here: StripSweep, there: StripSweep, lines: NDArray[np.int64], samples: NDArray[np.int64]) -> Array:
    """Places (line, sample), (2, n_l, n_s), in the strip `there` of the film that `here` shows at `lines` x `samples`.

    There must be at least one line. Places outside the strip come from linear extrapolation of its sweep.
    """
    return counterparts_in_windows(here, there, lines, samples, len(lines))[0].transpose(0, 2, 1)


def counterparts_in_windows(
    here: StripSweep, there: StripSweep, lines: NDArray[np.int64], samples: NDArray[np.int64], high: int
) -> Array:
    """The same in R windows of `high` lines, which must divide the number of lines: (R, 2, n_s, high)."""
    out = np.empty((len(lines) // high, 2, len(samples), high))
    x_line, y_line = here.x_line_mm[lines], here.y_line_mm[lines]
    _invert(x_line, y_line, here.x_sample_mm[samples], here.y_sample_mm[samples], inverse_of(there), out)
    return out


@bare(cache=True, nogil=True)
def _invert(x_line, y_line, x_sample, y_sample, inverse, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fill `out`. Each place along a line is searched from the two before it; the innermost loop runs over lines, which
    do not depend on each other."""
    i, j, last = np.uint64(0), np.uint64(0), inverse.by_line.shape[0] - 1.0
    for row in range(out.shape[0]):
        lines, samples = out[row, 0], out[row, 1]
        for b in range(x_sample.size):
            for at in range(out.shape[3]):
                a = row * out.shape[3] + at
                x, y = x_line[a] + x_sample[b], y_line[a] + y_sample[b]
                if b < 2:
                    near = straight_line(y, inverse)
                else:
                    near = min(max(2.0 * lines[b - 1, at] - lines[b - 2, at], 0.0), last)
                lines[b, at], samples[b, at], i, j = place_near(x, y, near, inverse, i, j)
