"""How even a strip's film is between any two film y: profiles along the lines, several across the strip.

A blot, a scratch or a mark spoils some of the profiles; pieces are judged by those that are least uneven. Lines count
by their noise: where the video tells one density badly from another, scatter is no unevenness.
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
    """Running sums of one profile, so that the scatter inside any piece of it is had at once.

    `variance` (N,) is that which a line may have about the mean of its piece: its weight is one over it.
    """

    def __init__(self, y_mm: Array, values: Array, variance: Array, margin_mm: float) -> None:
        self.margin_mm = margin_mm
        order = np.argsort(y_mm, kind="stable")
        self.level = float(np.median(values))
        self.y_mm, ordered = np.append(y_mm[order], np.inf), values[order] - self.level
        weight = 1.0 / variance[order]
        terms = weight, weight * ordered, weight * ordered**2
        self._weight, self._first, self._second = (np.concatenate([[0.0], np.cumsum(term)]) for term in terms)
        self.lines = self.y_mm, self._weight, self._first, self._second
        self.whole = float(self._second[-1] - self._first[-1] ** 2 / self._weight[-1]) / values.size

    def scatter(self, low_mm: Array, high_mm: Array) -> tuple[Array, Array]:
        """Sum of squares about the mean between two film y, each over its line's variance, a margin at either left out;
        and the number of lines."""
        low, high = self._lines(low_mm, high_mm)
        weight, first, second = (sums[high] - sums[low] for sums in (self._weight, self._first, self._second))
        squares = second - first**2 / np.where(high > low, weight, 1.0)
        return np.maximum(squares, 0.0), np.asarray(high - low)

    def mean(self, low_mm: Array, high_mm: Array) -> tuple[Array, Array]:
        """Mean of the profile between two film y less the margins, and the variance of one of its lines; NaN where no
        line is left."""
        low, high = self._lines(low_mm, high_mm)
        weight, first = self._weight[high] - self._weight[low], self._first[high] - self._first[low]
        some, nothing = high > low, np.full(low.shape, np.nan)
        mean = np.divide(first, weight, out=nothing.copy(), where=some)
        return self.level + mean, np.divide(high - low, weight, out=nothing, where=some)

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
        y_mm, weight, first, second = (np.concatenate(each) for each in zip(*(p.lines for p in profiles), strict=True))
        self._lines = y_mm, weight, first, second

    def unevenness(self, low_mm: Array, high_mm: Array) -> Array:
        """Minus the log probability that the film is even between two film y, but for the variance of its lines."""
        costs = []
        for profile in self._all:
            scatter, lines = profile.scatter(low_mm, high_mm)
            costs.append(np.minimum(scatter / 2, MOST_UNEVEN * lines))
        return np.sort(costs, axis=0)[:TRUSTED].mean(axis=0)

    def unevenness_between(self, one_mm: Array, other_mm: Array, apart: int) -> Array:
        """The same between film y (N,) and others (N,), (N, 2 apart + 1): for each of the others with those whose index
        is `apart` less to `apart` more than its own, inf where there are none."""
        margin_mm = self._all[0].margin_mm
        return np.asarray(_costs_between(one_mm, other_mm, apart, self._lines, self._bounds, margin_mm))

    def mean(self, low_mm: Array, high_mm: Array) -> tuple[Array, Array]:
        """Medians over the profiles of their means between two film y and of the variance of a line there, NaN where no
        line is left."""
        mean, variance = np.median([profile.mean(low_mm, high_mm) for profile in self._all], axis=0)
        return mean, variance

    def share_inside(self, edges_mm: Array) -> float:
        """Variance inside the pieces between neighbouring film y, in parts of the whole profile's: median over them."""
        shares = []
        for profile in self._all:
            scatter, lines = profile.scatter(edges_mm[:-1], edges_mm[1:])
            shares.append(scatter.sum() / max(lines.sum(), 1) / max(profile.whole, 1e-300))
        return float(np.median(shares))


def make_profiles(
    first_line: int,
    values: NDArray[np.float32],
    sigma: NDArray[np.float32],
    sweep: StripSweep,
    span_mm: tuple[float, float],
    margin_mm: float,
    uneven: float,
) -> Profiles | None:
    """Medians over groups of samples, line by line between two film y, of lines of a strip from `first_line` on; None
    where too few of them lie there.

    A piece's lines may scatter by `uneven` times the profiles' range, or by their noise where that is more.
    """
    along = sweep.y_line_mm[first_line : first_line + len(values)] + np.median(sweep.y_sample_mm)
    lines = np.flatnonzero((along > span_mm[0]) & (along < span_mm[1]))
    if lines.size < LEAST_LINES:
        return None
    some = slice(int(lines.min()), int(lines.max()) + 1)
    y_line_mm = sweep.y_line_mm[first_line + some.start : first_line + some.stop]
    bounds = np.linspace(ACROSS[0] * sweep.n_samples, ACROSS[1] * sweep.n_samples, PROFILES + 1).astype(int).tolist()
    found = []
    for near, far in pairwise(bounds):
        middle, noise2 = np.empty(y_line_mm.size), np.empty(y_line_mm.size)
        _medians(values[some, near:far], sigma[some, near:far], middle, noise2)
        whole = np.isfinite(middle)
        if whole.sum() >= LEAST_LINES:
            y_mm = y_line_mm[whole] + np.mean(sweep.y_sample_mm[near:far])
            found.append((y_mm, middle[whole], noise2[whole]))
    if len(found) < TRUSTED:
        return None
    floor = (uneven * float(np.median([np.ptp(middle) for _, middle, _ in found])) + 1e-12) ** 2
    return Profiles([Profile(y_mm, middle, np.maximum(noise2, floor), margin_mm) for y_mm, middle, noise2 in found])


@njit(cache=True, nogil=True)
def _medians(
    values: NDArray[np.float32], sigma: NDArray[np.float32], out: Array, noise2: Array
) -> None:  # pragma: no cover
    """Fill the median of each row's samples with signal, NaN where no more than half of them have any, and its noise's
    variance, that of normal samples' median."""
    some = np.empty(values.shape[1])
    for i in range(out.size):
        n, total = 0, 0.0
        for j in range(some.size):
            if np.isfinite(sigma[i, j]) and np.isfinite(values[i, j]):
                some[n] = values[i, j]
                total += np.float64(sigma[i, j]) ** 2
                n += 1
        whole = 2 * n > some.size
        out[i] = median_of(some[:n]) if whole else np.nan
        noise2[i] = np.pi / 2 * total / n**2 if whole else np.nan


@njit(cache=True, nogil=True)
def _costs_between(
    one_mm: Array,
    other_mm: Array,
    apart: int,
    lines: tuple[Array, Array, Array, Array],
    bounds: NDArray[np.int64],
    margin_mm: float,
) -> Array:  # pragma: no cover
    """Costs of the pieces by the profiles together, each from one of `bounds` to the next in their `lines`."""
    costs = np.empty((bounds.size - 1, other_mm.size, 2 * apart + 1))
    for p in range(bounds.size - 1):
        first, stop = bounds[p], bounds[p + 1]
        mine = lines[0][first:stop], lines[1][first:stop], lines[2][first:stop], lines[3][first:stop]
        _fill_costs(one_mm, other_mm, apart, mine, margin_mm, costs[p])
    return _mean_of_least(costs)


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_costs(
    one_mm: Array,
    other_mm: Array,
    apart: int,
    lines: tuple[Array, Array, Array, Array],
    margin_mm: float,
    out: Array,
) -> None:  # pragma: no cover
    """Costs by one profile, as in `Profiles.unevenness`, of the pieces between film y, a margin at either end left out,
    whose indices differ by `apart` at most, from the `lines`' film y and their running sums."""
    y_mm, weight, first, second = lines
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
            total, room = first[high] - first[low], weight[high] - weight[low] if high > low else 1.0
            scatter = max(second[high] - second[low] - total * total / room, 0.0)
            out[j, k] = min(0.5 * scatter, MOST_UNEVEN * (high - low))


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
