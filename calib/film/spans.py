"""Sets of samples with one run of samples per line."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit

EMPTY = 2**30  # the low end of a line without samples; its high end is minus that


class Spans(NamedTuple):
    """Samples `low[i]` to `high[i]`, both included, of line `first` + i; lines and samples may lie beyond a strip.

    Compiled code reads the arrays.
    """

    first: int
    low: NDArray[np.int32]
    high: NDArray[np.int32]

    @property
    def stop(self) -> int:
        """The line after the last."""
        return self.first + self.low.size

    @property
    def samples(self) -> tuple[int, int]:
        """The lowest sample of all lines, and the one after the highest."""
        return int(self.low.min()), int(self.high.max()) + 1


def everything(first: int, stop: int, n_samples: int) -> Spans:
    """All samples of lines `first` to `stop` - 1."""
    n = stop - first
    return Spans(first, np.zeros(n, np.int32), np.full(n, n_samples - 1, np.int32))


def widened(spans: Spans, above: int, below: int, left: int, right: int) -> Spans:
    """The spans extended by the given numbers of lines above and below and of samples to the left and right."""
    size = spans.low.size + above + below
    low, high = np.full(size, EMPTY, np.int32), np.full(size, -EMPTY, np.int32)
    _widen(spans, above + below, left, right, low, high)
    return Spans(spans.first - above, low, high)


def clipped(spans: Spans, n_lines: int, n_samples: int) -> Spans:
    """Spans clipped to a strip: lines and samples beyond it are replaced by the nearest ones in it."""
    first, last = (min(max(line, 0), n_lines - 1) for line in (spans.first, spans.stop - 1))
    size = last - first + 1
    inside = Spans(first, np.full(size, EMPTY, np.int32), np.full(size, -EMPTY, np.int32))
    _clip(spans, n_lines - 1, n_samples - 1, inside)
    return inside


@njit(cache=True, nogil=True)
def _clip(spans, last_line, last_sample, inside):  # type: ignore[no-untyped-def]  # pragma: no cover
    low, high, out_low, out_high = spans.low, spans.high, inside.low, inside.high
    for i in range(low.size):
        if low[i] <= high[i]:
            k = min(max(i + spans.first, 0), last_line) - inside.first
            out_low[k] = min(out_low[k], min(max(low[i], 0), last_sample))
            out_high[k] = max(out_high[k], min(max(high[i], 0), last_sample))


@njit(cache=True, nogil=True)
def _widen(spans, reach, left, right, out_low, out_high):  # type: ignore[no-untyped-def]  # pragma: no cover
    low, high = spans.low, spans.high
    for i in range(low.size):
        if low[i] > high[i]:
            continue
        for k in range(i, i + reach + 1):
            out_low[k] = min(out_low[k], low[i] - left)
            out_high[k] = max(out_high[k], high[i] + right)
