"""Measures how uniform a strip's film is between any two film y, from profiles over its lines, several side by side.

A blot, a scratch or a mark spoils some of the profiles, so a piece of film is judged by its most uniform profiles.
Lines are weighted by their noise: where the video resolves density poorly, scatter does not mean unevenness.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.coordinates import Array
from calib.median import median_of
from calib.sweep.model import StripSweep

PROFILES = 5  # profiles side by side across a strip
TRUSTED = 3  # the most uniform ones of them, which decide
ACROSS = (0.12, 0.88)  # range of the profiles, as fractions of the strip's samples
LEAST_LINES = 8
MOST_UNEVEN = 2.0  # greatest minus log probability per line: a spoilt patch must not outweigh a border within a piece


class Profile:
    """Running sums of one profile, which give the scatter inside any piece of it without a loop over its lines.

    `y_mm`, `values`, `variance` (N,): film y, value and expected variance of each line about the mean of its piece.
    `margin_mm` is left out at both ends of a piece. `whole`: mean of the weighted squares about the whole profile's
    mean.
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
        """Sum of squares about the mean between two film y without the margins, each over its line's variance; and the
        number of lines."""
        low, high = self._lines(low_mm, high_mm)
        weight, first, second = (sums[high] - sums[low] for sums in (self._weight, self._first, self._second))
        squares = second - first**2 / np.where(high > low, weight, 1.0)
        return np.maximum(squares, 0.0), np.asarray(high - low)

    def mean(self, low_mm: Array, high_mm: Array) -> tuple[Array, Array]:
        """Weighted mean of the profile between two film y without the margins, and the (harmonic) mean variance of a
        line there; NaN where no line is left."""
        low, high = self._lines(low_mm, high_mm)
        weight, first = self._weight[high] - self._weight[low], self._first[high] - self._first[low]
        has_lines, unknown = high > low, np.full(low.shape, np.nan)
        mean = np.divide(first, weight, out=unknown.copy(), where=has_lines)
        return self.level + mean, np.divide(high - low, weight, out=unknown, where=has_lines)

    def _lines(self, low_mm: Array, high_mm: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """First and stop index of the lines between two film y without the margins."""
        low = self._lines_at(low_mm, 1)
        return low, np.maximum(self._lines_at(high_mm, -1), low)

    def _lines_at(self, y_mm: Array, side: int) -> NDArray[np.int64]:
        """Index of the first line not before film y plus a margin (side 1) or minus a margin (side -1)."""
        return np.searchsorted(self.y_mm, y_mm + side * self.margin_mm).astype(np.int64)


class Profiles:
    """The profiles of one strip, evaluated together."""

    def __init__(self, profiles: list[Profile]) -> None:
        self._all = profiles
        self._bounds = np.cumsum([0, *(p.y_mm.size for p in profiles)])
        y_mm, weight, first, second = (np.concatenate(each) for each in zip(*(p.lines for p in profiles), strict=True))
        self._lines = y_mm, weight, first, second

    def unevenness(self, low_mm: Array, high_mm: Array) -> Array:
        """Minus the log probability (N,) that the film is uniform between pairs of film y (N,), up to a constant given
        by the variance of its lines."""
        costs = []
        for profile in self._all:
            scatter, lines = profile.scatter(low_mm, high_mm)
            costs.append(np.minimum(scatter / 2, MOST_UNEVEN * lines))
        return np.sort(costs, axis=0)[:TRUSTED].mean(axis=0)

    def unevenness_between(self, one_mm: Array, other_mm: Array, apart: int) -> Array:
        """`unevenness` between film y `one_mm` (N,) and `other_mm` (N,) whose indices differ by at most `apart`.

        Result (N, 2 apart + 1): row j, column k is for `other_mm[j]` and `one_mm[j + k - apart]`; inf where that index
        does not exist.
        """
        margin_mm = self._all[0].margin_mm
        return np.asarray(_costs_between(one_mm, other_mm, apart, self._lines, self._bounds, margin_mm))

    def mean(self, low_mm: Array, high_mm: Array) -> tuple[Array, Array]:
        """Medians over the profiles of their mean between two film y and of the variance of a line there; NaN where no
        line is left."""
        mean, variance = np.median([profile.mean(low_mm, high_mm) for profile in self._all], axis=0)
        return mean, variance

    def share_inside(self, edges_mm: Array) -> float:
        """Variance inside the pieces between consecutive film y, as a fraction of the whole profile's variance; median
        over the profiles."""
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
    """Profiles of a strip between two film y (`span_mm`): line by line the medians of groups of samples.

    `values`, `sigma` are those of the lines from `first_line` on. None if too few lines have signal there. The 1-sigma
    of a line about its piece's mean is `uneven` times the profiles' range, or the line's noise if that is more.
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
    """Fill `out` with the median of each row's samples with signal, NaN where at most half have any, and `noise2` with
    the noise variance of that median (pi/2 times that of the mean, for normal noise)."""
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
    """Unevenness by all profiles together (`Profiles.unevenness_between`); profile p has the `lines` from `bounds[p]`
    to `bounds[p + 1]`."""
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
    """Fill `out` with the unevenness by one profile of the pieces between film y whose indices differ by at most
    `apart`, without the margins, from the film y of its `lines` and their running sums."""
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
    """Index of the first line not before each film y (increasing) plus a margin; the last line lies at infinity."""
    out, line = np.empty(at_mm.size, np.int64), 0
    for n in range(at_mm.size):
        while y_mm[line] < at_mm[n] + margin_mm:
            line += 1
        out[n] = line
    return out


@njit(cache=True, nogil=True)
def _mean_of_least(costs: Array) -> Array:  # pragma: no cover
    """Mean (N, M) of the TRUSTED smallest of the costs (P, N, M)."""
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
