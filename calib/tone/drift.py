"""The drift of a strip's gain: a smooth random curve along its lines, how smooth and how large the strips tell.

Where the known film lies at a strip's ends only, what the drift does between them is told by the neighbours alone and,
of what all strips have in common, by nothing but this. Too few modes are bent to fit at the ends and swing between
them; many of equal say leave open what the ends could tell of a drift that is slow.

The modes are cosines over an axis that is longer than the strip: over the strip itself all would be level at its ends,
where a real drift slopes and where the known film is.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from calib.compiled import njit
from calib.coordinates import Array

BEYOND = 0.25  # of a strip's lines, on each side: how far the cosines' axis reaches beyond it
DRIFT_MODES = 32  # half waves along that axis, ten periods along a strip: faster than that no gain drifts (assumed)
FALL = 6.0  # power of a cosine's number with which variances fall: Matern's order 5/2, a curve that bends evenly
STRETCHES = 512  # of a strip's lines, in each of which its drift is one: the fastest mode turns by 0.13 in it
MOST_DRIFT = 0.3  # density, rms over a strip: a gain that doubles and halves is at fault and does not drift (assumed)
MOST_STRIPS = 32  # that are asked: all drift alike
FIRST_MOVES = np.diag([1.0, 0.5])  # of the logarithms of variance and corner that a search tries
SETTLED = 0.02  # of those, and of the misfit


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """The stretches of a strip's lines that rows of evidence lie in: each row's `number` (N,), and the `modes` (P, M)
    of the drift in each. What many rows have in common is added up once."""

    number: NDArray[np.int64]
    modes: Array


def stretches(n: int, line: Array) -> Stretches:
    """The stretches of a strip of `n` lines that some lines (N,) lie in, with the modes at their mean lines there."""
    of = np.clip((line * (STRETCHES / n)).astype(np.int64), 0, STRETCHES - 1)
    count = np.bincount(of, minlength=STRETCHES)
    some = np.flatnonzero(count)
    middle = np.bincount(of, line, STRETCHES)[some] / count[some]
    return Stretches((np.cumsum(count > 0) - 1)[of], cosines(n, middle))


def cosines(n: int, at: Array) -> Array:
    """Cosine modes 1..`DRIFT_MODES` of a strip of `n` lines at fractional lines `at`: (len(at), modes)."""
    angle = np.pi * ((np.asarray(at, dtype=np.float64) + 0.5) / n + BEYOND) / (1.0 + 2.0 * BEYOND)
    found = np.empty((angle.size, DRIFT_MODES))
    _fill_cosines(angle, found)
    return found


def level_of_modes(n: int) -> Array:
    """Mean of each mode over a strip of `n` lines, which is part of the strip's level: over even steps a cosine's sum
    is what it is in their middle, times the sine of half of their length over that of half a step."""
    half_step = np.pi / (1.0 + 2.0 * BEYOND) * np.arange(1, DRIFT_MODES + 1) / (2 * n)
    return np.asarray(cosines(n, np.array([(n - 1) / 2]))[0] * np.sin(n * half_step) / (n * np.sin(half_step)))


@njit(cache=True, nogil=True)
def _fill_cosines(angle, found):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Multiples by Chebyshev's recursion: one cosine a row."""
    for row in range(angle.size):
        twice = 2.0 * np.cos(angle[row])
        before, value = 1.0, 0.5 * twice
        for mode in range(found.shape[1]):
            found[row, mode] = value
            before, value = value, twice * value - before


def drift_variances(variance: float, corner: float) -> Array:
    """Variances (M,) of the cosines beforehand: even up to the number `corner`, falling beyond it.

    They make no drift larger than `MOST_DRIFT` likely, whatever the `variance`: where some unexposed film is wrong, as
    by light from beside it, the drift that it asks for is so fast that nothing beside it tells how large it is.
    """
    order = np.arange(1, DRIFT_MODES + 1)
    shape = (1.0 + (order / corner) ** 2) ** (-FALL / 2)
    return np.asarray(min(variance, MOST_DRIFT**2 / (0.5 * shape.sum())) * shape)


def likeliest_drift(
    values: Array, covariance: Array, before: tuple[float, float], least: Array, most: Array
) -> tuple[float, float]:
    """Variance and corner, between `least` and `most`, of the greatest restricted likelihood.

    `values` (K, M) and `covariance` (K, M, M) are the strips' amplitudes under the variance and corner `before`. What
    the strips' evidence says is what these hold beyond the prior. Strips that see each other are taken to be told
    apart: the greatest likelihood moves that way, since its slope where it starts is the true one (Fisher's identity),
    and stays where it is at the end.
    """
    some = slice(None, None, -(-len(values) // MOST_STRIPS))
    root = np.sqrt(drift_variances(*before))  # in units of the prior what it alone says is exact
    posterior = np.linalg.inv(covariance[some] / (root[:, None] * root))
    pull = (posterior @ (values[some] / root)[:, :, None])[:, :, 0]
    told = posterior - np.eye(root.size)

    def misfit(log: NDArray[np.float64]) -> float:
        variance = drift_variances(*np.exp(log)) / root**2
        return float(_size_less_square(told, pull, 1.0 / variance) + len(pull) * np.log(variance).sum())

    start = np.log(before)
    simplex = start + np.concatenate([np.zeros((1, 2)), FIRST_MOVES])
    options = {"initial_simplex": simplex, "xatol": SETTLED, "fatol": SETTLED}
    bounds = np.log(np.stack([least, most], axis=1))
    with np.errstate(invalid="ignore"):  # where strips tell nothing all that is tried may be infinite
        found = minimize(misfit, start, method="Nelder-Mead", bounds=bounds, options=options)
    variance, corner = np.exp(found.x).tolist()
    return variance, corner


@njit(cache=True, nogil=True)
def _size_less_square(told, pull, precision):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Over matrices (K, M, M) with `precision` (M,) added to their diagonals: the logarithms of their determinants less
    the squares of pulls (K, M) in the inverses' measure, by Cholesky's elimination with the pull beside it. Infinite
    where one is so much looser that rounding shows."""
    n, total = precision.size, 0.0
    rows = np.empty((n, n + 1))
    for strip in range(len(told)):
        for i in range(n):
            for j in range(n):
                rows[i, j] = told[strip, i, j]
            rows[i, n] = pull[strip, i]
        for k in range(n):
            pivot = rows[k, k] + precision[k]
            if not pivot > 0.0:
                return np.inf
            root = np.sqrt(pivot)
            for j in range(k + 1, n + 1):
                rows[k, j] /= root
            total += np.log(pivot) - rows[k, n] ** 2
            for i in range(k + 1, n):
                for j in range(i, n + 1):
                    rows[i, j] -= rows[k, i] * rows[k, j]
    return total
