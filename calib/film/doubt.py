"""What a sample's own noise says of its uncertainty, and what the doubt of its place adds to it.

A sigma that is read off a noisy sample is as noisy itself, and errs with it: where a curve bends, samples that came out
low would be believed too much. So it is the mean over the samples about each one. The place of a sample is known to
the sweep's sigma only; where the picture has a gradient that doubt is one of its value, shared with its neighbours.
"""

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.film.spans import Spans
from calib.quality import DROPOUT, FILLED
from calib.sweep.model import StripSweep

REACH = 1  # samples about each one that are looked at
NOT_ITSELF = np.uint16(DROPOUT | FILLED)


def place_sigma(sweep: StripSweep, first: int, count: int) -> NDArray[np.float32]:
    """1-sigma of place of `count` lines from `first` on, in lines and samples, (count, 2); held beyond the strip."""
    line = np.clip(np.arange(first, first + count), 0, sweep.n_lines - 1)
    along = sweep.sigma_y_mm[line] / abs(float(np.median(np.diff(sweep.y_line_mm))))
    across = sweep.sigma_x_mm[line] / abs(float(np.median(np.diff(sweep.x_sample_mm))))
    return np.stack([along, across], axis=1).astype(np.float32)


def with_doubt(
    value: NDArray[np.float32],
    pairs: NDArray[np.float32],
    quality: NDArray[np.uint16],
    place: NDArray[np.float32],
    need: Spans,
    left: int,
) -> NDArray[np.float32]:
    """The pairs (rows, columns, 2) of variance and systematic error with the doubt of place, for the samples `need`.

    `place` (rows, 2) is the 1-sigma of each row's place. About every sample of `need`, all arrays hold `REACH` more.
    """
    made, scatter = pairs.copy(), np.empty(quality.shape, np.float32)
    low, high = need.low - left, need.high - left
    _scatter_of(pairs, quality, low, high, NOT_ITSELF, scatter)
    _spread(value, pairs, scatter, place, low, high, made)
    return made


@njit(cache=True, nogil=True)
def _scatter_of(pairs, quality, low, high, not_itself, scatter):  # type: ignore[no-untyped-def]  # pragma: no cover
    """1-sigma of the samples about the wanted ones; negative where there is none, or only what was bridged."""
    for i in range(scatter.shape[0]):
        first, last = scatter.shape[1], -1
        for row in range(max(i - 2 * REACH, 0), min(i + 1, low.size)):
            first, last = min(first, low[row] - REACH), max(last, high[row] + REACH)
        for j in range(first, last + 1):
            known = not quality[i, j] & not_itself and np.isfinite(pairs[i, j, 0])
            scatter[i, j] = np.sqrt(pairs[i, j, 0]) if known else np.float32(-1)


@njit(cache=True, nogil=True)
def _spread(value, pairs, scatter, place, low, high, made):  # type: ignore[no-untyped-def]  # pragma: no cover
    for row in range(low.size):
        i = row + REACH
        along, across = place[i, 0] * place[i, 0], place[i, 1] * place[i, 1]
        for j in range(low[row], high[row] + 1):
            if scatter[i, j] < 0:
                continue
            total, count = np.float32(0), 0
            for a in range(i - REACH, i + REACH + 1):
                for b in range(j - REACH, j + REACH + 1):
                    if scatter[a, b] >= 0:
                        total += scatter[a, b]
                        count += 1
            made[i, j, 0] = (total / np.float32(count)) ** 2
            down = _square_slope(value, pairs, i - 1, j, i + 1, j)
            right = _square_slope(value, pairs, i, j - 1, i, j + 1)
            made[i, j, 1] = np.sqrt(pairs[i, j, 1] * pairs[i, j, 1] + along * down + across * right)


@njit(cache=True, nogil=True, inline="always")
def _square_slope(value, pairs, a, b, c, d):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Squared slope between two samples two steps apart, less what their noise makes of it; none where unknown."""
    rise = value[c, d] - value[a, b]
    square = np.float32(0.25) * (rise * rise - pairs[a, b, 0] - pairs[c, d, 0])
    return square if square > 0 else np.float32(0)  # NaN compares false
