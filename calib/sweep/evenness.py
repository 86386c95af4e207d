"""How even a strip's film is between any two film y: profiles along the lines, several across the strip.

A blot, a scratch or a mark spoils some of the profiles; pieces are judged by those that are least uneven.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import median_of
from calib.sweep.model import StripSweep

PROFILES = 5
TRUSTED = 3  # of them, the least uneven, say how even a piece is
ACROSS = (0.12, 0.88)  # of the strip's samples, where the profiles lie
LEAST_LINES = 8
MOST_UNEVEN = 2.0  # minus log probability that one line can cost: a spoilt patch speaks no louder than a border inside


class Profile:
    """Running sums of one profile, so that the scatter inside any piece of it is had at once."""

    def __init__(self, y_mm: Array, values: Array, margin_mm: float) -> None:
        self.margin_mm = margin_mm
        order = np.argsort(y_mm, kind="stable")
        self.y_mm, ordered = np.append(y_mm[order], np.inf), values[order] - np.median(values)
        self.variance, self.range = float(np.var(ordered)), float(np.ptp(ordered))
        self.level = float(np.median(values))
        self._first = np.concatenate([[0.0], np.cumsum(ordered)])
        self._second = np.concatenate([[0.0], np.cumsum(ordered**2)])
        self.lines = self.y_mm, self._first, self._second

    def scatter(self, low_mm: Array, high_mm: Array) -> tuple[Array, Array]:
        """Sum of squares about the mean between two film y, a margin at either left out, and the number of lines."""
        low, high = self._lines(low_mm, high_mm)
        first, second = self._first[high] - self._first[low], self._second[high] - self._second[low]
        return np.maximum(second - first**2 / np.maximum(high - low, 1), 0.0), np.asarray(high - low)

    def mean(self, low_mm: Array, high_mm: Array) -> Array:
        """Mean of the profile between two film y less the margins, NaN where no line is left."""
        low, high = self._lines(low_mm, high_mm)
        total = self._first[high] - self._first[low]
        return self.level + np.divide(total, high - low, out=np.full(low.shape, np.nan), where=high > low)

    def _lines(self, low_mm: Array, high_mm: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """First and stop index of the lines between two film y less the margins."""
        low = self._lines_at(low_mm, 1)
        return low, np.maximum(self._lines_at(high_mm, -1), low)

    def _lines_at(self, y_mm: Array, side: int) -> NDArray[np.int64]:
        """Index of the first line not before film y, a margin further on (side 1) or back (side -1)."""
        return np.searchsorted(self.y_mm, y_mm + side * self.margin_mm).astype(np.int64)


class Profiles:
    """The profiles of one strip, asked together."""

    def __init__(self, profiles: list[Profile]) -> None:
        self._all = profiles
        self._bounds = np.cumsum([0, *(p.y_mm.size for p in profiles)])
        y_mm, first, second = (np.concatenate(each) for each in zip(*(p.lines for p in profiles), strict=True))
        self._lines = y_mm, first, second
        self.range = float(np.median([p.range for p in profiles]))

    def unevenness(self, low_mm: Array, high_mm: Array, variance: float) -> Array:
        """Minus the log probability that the film is even between two film y, but for scatter of this variance."""
        costs = []
        for profile in self._all:
            scatter, lines = profile.scatter(low_mm, high_mm)
            costs.append(np.minimum(scatter / variance / 2, MOST_UNEVEN * lines))
        return np.sort(costs, axis=0)[:TRUSTED].mean(axis=0)

    def unevenness_between(self, one_mm: Array, other_mm: Array, apart: int, variance: float) -> Array:
        """The same between film y (N,) and others (N,), (N, 2 apart + 1): for each of the others with those whose index
        is `apart` less to `apart` more than its own, inf where there are none."""
        scale, margin_mm = 1 / variance / 2, self._all[0].margin_mm
        return np.asarray(_costs_between(one_mm, other_mm, apart, self._lines, self._bounds, margin_mm, scale))

    def mean(self, low_mm: Array, high_mm: Array) -> Array:
        """Median over the profiles of their means between two film y, NaN where no line is left."""
        return np.median([profile.mean(low_mm, high_mm) for profile in self._all], axis=0)

    def share_inside(self, edges_mm: Array) -> float:
        """Variance inside the pieces between neighbouring film y, in parts of the whole profile's: median over them."""
        shares = []
        for profile in self._all:
            scatter, lines = profile.scatter(edges_mm[:-1], edges_mm[1:])
            shares.append(scatter.sum() / max(lines.sum(), 1) / max(profile.variance, 1e-300))
        return float(np.median(shares))


def make_profiles(
    first_line: int,
    values: NDArray[np.float32],
    sigma: NDArray[np.float32],
    sweep: StripSweep,
    span_mm: tuple[float, float],
    margin_mm: float,
) -> Profiles | None:
    """Medians over groups of samples, line by line between two film y, of lines of a strip from `first_line` on; None
    where too few of them lie there."""
    along = sweep.y_line_mm[first_line : first_line + len(values)] + np.median(sweep.y_sample_mm)
    lines = np.flatnonzero((along > span_mm[0]) & (along < span_mm[1]))
    if lines.size < LEAST_LINES:
        return None
    some = slice(int(lines.min()), int(lines.max()) + 1)
    y_line_mm = sweep.y_line_mm[first_line + some.start : first_line + some.stop]
    bounds = np.linspace(ACROSS[0] * sweep.n_samples, ACROSS[1] * sweep.n_samples, PROFILES + 1).astype(int).tolist()
    found = []
    for near, far in pairwise(bounds):
        middle = np.empty(y_line_mm.size)
        _medians(values[some, near:far], sigma[some, near:far], middle)
        whole = np.isfinite(middle)
        if whole.sum() >= LEAST_LINES:
            y_mm = y_line_mm[whole] + np.mean(sweep.y_sample_mm[near:far])
            found.append(Profile(y_mm, middle[whole], margin_mm))
    return Profiles(found) if len(found) >= TRUSTED else None


@njit(cache=True, nogil=True)
def _medians(values: NDArray[np.float32], sigma: NDArray[np.float32], out: Array) -> None:  # pragma: no cover
    """Fill the median of each row's samples with signal, NaN where no more than half of them have any."""
    some = np.empty(values.shape[1])
    for i in range(out.size):
        n = 0
        for j in range(some.size):
            if np.isfinite(sigma[i, j]) and np.isfinite(values[i, j]):
                some[n] = values[i, j]
                n += 1
        out[i] = median_of(some[:n]) if 2 * n > some.size else np.nan


@njit(cache=True, nogil=True)
def _costs_between(
    one_mm: Array,
    other_mm: Array,
    apart: int,
    lines: tuple[Array, Array, Array],
    bounds: NDArray[np.int64],
    margin_mm: float,
    scale: float,
) -> Array:  # pragma: no cover
    """Costs of the pieces by the profiles together, each from one of `bounds` to the next in their `lines`."""
    costs = np.empty((bounds.size - 1, other_mm.size, 2 * apart + 1))
    for p in range(bounds.size - 1):
        first, stop = bounds[p], bounds[p + 1]
        mine = lines[0][first:stop], lines[1][first:stop], lines[2][first:stop]
        _fill_costs(one_mm, other_mm, apart, mine, margin_mm, scale, costs[p])
    return _mean_of_least(costs)


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_costs(
    one_mm: Array,
    other_mm: Array,
    apart: int,
    lines: tuple[Array, Array, Array],
    margin_mm: float,
    scale: float,
    out: Array,
) -> None:  # pragma: no cover
    """Costs by one profile, as in `Profiles.unevenness`, of the pieces between film y, a margin at either end left out,
    whose indices differ by `apart` at most, from the `lines`' film y and their running sums."""
    y_mm, first, second = lines
    begins = _first_at(y_mm, one_mm, margin_mm), _first_at(y_mm, other_mm, margin_mm)
    ends = _first_at(y_mm, one_mm, -margin_mm), _first_at(y_mm, other_mm, -margin_mm)
    for j in range(other_mm.size):
        for k in range(2 * apart + 1):
            i = j + k - apart
            if not 0 <= i < one_mm.size:
                out[j, k] = np.inf
                continue
            if one_mm[i] <= other_mm[j]:
                low, high = begins[0][i], ends[1][j]
            else:
                low, high = begins[1][j], ends[0][i]
            high = max(low, high)
            total = first[high] - first[low]
            scatter = max(second[high] - second[low] - total * total / max(high - low, 1), 0.0)
            out[j, k] = min(scatter * scale, MOST_UNEVEN * (high - low))


@njit(cache=True, nogil=True)
def _first_at(y_mm: Array, at_mm: Array, margin_mm: float) -> NDArray[np.int64]:  # pragma: no cover
    """Index of the first line not before each film y (they rise) and a margin; the last line is infinitely far."""
    out, line = np.empty(at_mm.size, np.int64), 0
    for n in range(at_mm.size):
        while y_mm[line] < at_mm[n] + margin_mm:
            line += 1
        out[n] = line
    return out


@njit(cache=True, nogil=True)
def _mean_of_least(costs: Array) -> Array:  # pragma: no cover
    """Mean (N, M) of the TRUSTED least of costs (P, N, M)."""
    out = np.zeros((costs.shape[1], costs.shape[2]))
    least = np.empty(TRUSTED)
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            least[:] = np.inf
            for p in range(costs.shape[0]):
                value = costs[p, i, j]
                for k in range(TRUSTED):
                    if value < least[k]:
                        value, least[k] = least[k], value
            for k in range(TRUSTED):
                out[i, j] += least[k] / TRUSTED
    return out
