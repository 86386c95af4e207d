"""A strip's transfer curve to a first order, and the splines that correct it.

To a first order ``DN = dark + gain * u / (1 + bend * u)`` with ``u = 10^(-exponent * density)``: a power law of light
with a toe (exponent > 1) or lift (< 1) and a shoulder (bend > 0). Its inverse gives `z`, nearly the density, in which
what is left to correct is small and smooth.
"""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline

from calib.compiled import njit
from calib.coordinates import Array

LN_10 = float(np.log(10.0))
EXPONENTS = np.geomspace(0.3, 3.5, 36)
BENDS = (0.0, 0.15, 0.4, 1.0, 2.5, 6.0)
MISFIT_SIGMA = 0.004  # density: what the first-order law may leave at a patch
FEWEST_OF_SHAPE = 6  # patches that tell a law by themselves, bend and all
BEYOND = 0.35  # density past the darkest patch at which the law is continued by its tangent

# of the four splines about a place, in the four powers of the part of a step that is passed there
TO_POWERS = np.array([[1.0, -3.0, 3.0, -1.0], [4.0, 0.0, -6.0, 3.0], [1.0, 3.0, 3.0, -3.0], [0.0, 0.0, 0.0, 1.0]]) / 6.0

Law = tuple[float, float, float, float, float]
"""Size of the gain, exponent, bend, lightest and deepest density of a first curve."""


def power_of_ten(exponent: Array) -> Array:
    """Ten to the power of some numbers, by the exponential: quicker than the general power."""
    return np.asarray(np.exp(LN_10 * exponent))


@dataclass(frozen=True, slots=True)
class FirstCurve:
    """The first-order law of one strip, and the density beyond which its tangent takes over."""

    dark: float
    gain: float
    exponent: float
    bend: float
    deepest: float
    lightest: float

    def dn_of(self, density: Array) -> Array:
        """DN (real) of a density that the video sees."""
        u = power_of_ten(-self.exponent * np.asarray(density, dtype=np.float64))
        return self.dark + self.gain * u / (1.0 + self.bend * u)

    def slope(self, density: Array) -> Array:
        """dDN / dD at a density; beyond `lightest` and `deepest` that of the tangent there."""
        inside = np.clip(np.asarray(density, dtype=np.float64), self.lightest, self.deepest)
        u = power_of_ten(-self.exponent * inside)
        return -LN_10 * self.exponent * self.gain * u / (1.0 + self.bend * u) ** 2

    def curvature(self, density: Array) -> Array:
        """d2D / dDN2 at a density: minus the second over the cubed first derivative of DN; on a tangent zero."""
        return self.derivatives(density)[1]

    def derivatives(self, density: Array) -> tuple[Array, Array]:
        """The size of dD / dDN at a density, and d2D / dDN2 as `curvature` has it."""
        at = np.asarray(density, dtype=np.float64)
        per_dn, turn = np.empty(at.size), np.empty(at.size)
        _fill_derivatives(at.ravel(), self.law, per_dn, turn)
        return per_dn.reshape(at.shape), turn.reshape(at.shape)

    @property
    def law(self) -> Law:
        """What `derivatives_at` takes."""
        return abs(self.gain), self.exponent, self.bend, self.lightest, self.deepest

    def density_of(self, dn: Array) -> Array:
        """Density of DN (real), finite and monotone everywhere: beyond `lightest` and `deepest` along the tangent."""
        ends = np.array([self.lightest, self.deepest])
        order = np.argsort(self.dn_of(ends))
        limits, slopes = self.dn_of(ends)[order], self.slope(ends)[order]
        dn = np.asarray(dn, dtype=np.float64)
        density = np.empty(dn.size)
        _fill_density(dn.ravel(), (self.dark, self.gain, self.exponent, self.bend), limits, slopes, density)
        return density.reshape(dn.shape)

    @property
    def is_rising(self) -> bool:
        """Whether density rises with DN."""
        return self.gain < 0


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_density(dn, law, limits, slopes, density):  # type: ignore[no-untyped-def]  # pragma: no cover
    dark, gain, exponent, bend = law
    for n in range(dn.size):
        inside = min(max(dn[n], limits[0]), limits[1])
        share = (inside - dark) / gain
        tangent = (dn[n] - inside) / (slopes[0] if dn[n] < inside else slopes[1])
        density[n] = tangent - np.log(share / (1.0 - bend * share)) / (LN_10 * exponent)


@njit(cache=True, nogil=True, error_model="numpy")
def derivatives_at(density: float, law: Law) -> tuple[float, float]:  # pragma: no cover
    """`FirstCurve.derivatives` at one density."""
    gain, exponent, bend, lightest, deepest = law
    inside = lightest if density < lightest else deepest if density > deepest else density
    u = np.exp(-LN_10 * exponent * inside)
    rate, part = LN_10 * exponent, 1.0 + bend * u
    per_dn = part * part / (rate * gain * u)
    turn = (1.0 - bend * u) * rate / part * per_dn * per_dn if inside == density else 0.0
    return per_dn, turn


@njit(cache=True, nogil=True)
def _fill_derivatives(density: Array, law: Law, per_dn: Array, turn: Array) -> None:  # pragma: no cover
    for n in range(density.size):
        per_dn[n], turn[n] = derivatives_at(density[n], law)


def fit_first_curve(dn: Array, density: Array, sigma_dn: Array, shape: tuple[float, float] | None = None) -> FirstCurve:
    """The law through patch means (P,), robust, of a given `shape` (exponent, bend) if there is one.

    Raises ValueError with fewer than two different densities.
    """
    if np.ptp(density) <= 0 or np.ptp(dn) <= 0:
        raise ValueError("two patches of different density and DN are needed")
    order = np.argsort(density)
    slope = np.abs(np.gradient(dn[order], density[order] + 1e-9 * np.arange(dn.size)))[np.argsort(order)]
    slope = np.maximum(slope, 0.05 * np.median(slope))
    sigma = np.hypot(sigma_dn, slope * MISFIT_SIGMA)
    exponents, bends = EXPONENTS, BENDS if dn.size >= FEWEST_OF_SHAPE else BENDS[:1]
    if shape is not None:
        exponents, bends = np.array([shape[0]]), (shape[1],)
    elif dn.size < 4:
        exponents = np.array([1.0])
    best = _best_of(dn, density, sigma, exponents, bends)
    for width in (0.5, 0.15, 0.05) if len(exponents) > 1 else ():
        near = best[2] * np.exp(width * np.linspace(-0.2, 0.2, 9))
        bent = best[3] + (0.3 + best[3]) * width * np.linspace(-1, 1, 9) if len(bends) > 1 else np.zeros(1)
        best = min(best, _best_of(dn, density, sigma, near, tuple(np.maximum(bent, 0.0))))
    _, weights, exponent, bend = best
    return FirstCurve(*weights, exponent, bend, float(density.max()) + BEYOND, float(density.min()) - BEYOND)


def _best_of(
    dn: Array, density: Array, sigma: Array, exponents: Array, bends: tuple[float, ...]
) -> tuple[float, tuple[float, float], float, float]:
    """The best (cost, (dark, gain), exponent, bend) over a lattice of shapes; offset and gain are linear.

    All shapes are fitted at once, each by the straight line through its light and the DN, reweighted three times.
    """
    exponent, bend = (each.ravel() for each in np.meshgrid(exponents, np.array(bends), indexing="ij"))
    # patches along the first axis: sums run over rows
    dn, density, sigma = dn[:, None], density[:, None], sigma[:, None]
    light = light_by(exponent, bend, density)
    off = np.zeros_like(light)
    for _ in range(4):
        dark, gain = lines_through(light, dn, 1.0 / (1.0 + (off / 3.0) ** 2) / sigma**2)
        off = (dn - dark - gain * light) / sigma
    cost = np.log1p((off / 3.0) ** 2).sum(axis=0) + 1e-4 * bend
    cost[gain == 0.0] = np.inf
    best = int(np.argmin(cost))
    return float(cost[best]), (float(dark[best]), float(gain[best])), float(exponent[best]), float(bend[best])


def light_by(exponent: Array, bend: Array, density: Array) -> Array:
    """Light (P, S) by laws of some shapes (S,) at densities (P, 1), in units of their gains."""
    u = power_of_ten(-exponent * density)
    return u / (1.0 + bend * u)


def lines_through(light: Array, dn: Array, weight: Array) -> tuple[Array, Array]:
    """Dark levels and gains (S,) of lines through light (P, S) and DN (P, 1), with weights (P, S) or (P, 1)."""
    total = weight.sum(axis=0)
    middle, mean = ((weight * each).sum(axis=0) / total for each in (light, dn))
    lean = weight * (light - middle)
    gain = (lean * (dn - mean)).sum(axis=0) / np.maximum((lean * (light - middle)).sum(axis=0), 1e-300)
    return mean - gain * middle, gain


@dataclass(frozen=True, slots=True, eq=False)
class CorrectionBasis:
    """Cubic B-splines in `z` on even knots between two ends; beyond them their sum goes on straight.

    Were it held there, cells of columns with strong banding would pin the scale of a curve to that of the first one.
    """

    low: float
    high: float
    n: int

    def pieces(self, weights: Array) -> Array:
        """The sum of all splines times their weights (n,) as cubics between knots, (n - 3, 4): their factors of the
        powers, from none on, of the part of a step that is passed."""
        return np.asarray(weights[np.arange(self.n - 3)[:, None] + np.arange(4)] @ TO_POWERS)

    def curve(self, z: Array, weights: Array) -> Array:
        """The sum of all splines times their weights (n,), at all z."""
        flat = np.asarray(z, dtype=np.float64).ravel()
        found = np.empty(flat.size)
        _spline_curve(flat, self.low, self.high, self.pieces(weights), found)
        return found

    def matrix(self, z: Array) -> Array:
        """All splines at all z between the ends, (N, n)."""
        knots = self._knots
        return np.asarray(BSpline.design_matrix(np.clip(z, knots[3], knots[-4]), knots, 3).toarray())

    def mean_slope(self) -> Array:
        """What weights (n,) make of the slope of the straight line nearest to them."""
        off = np.arange(self.n) - (self.n - 1) / 2
        return np.asarray(off / (off @ off) * (self.n - 3) / (self.high - self.low))

    @property
    def _knots(self) -> Array:
        return np.asarray(self.low + (self.high - self.low) / (self.n - 3) * np.arange(-3, self.n + 1))

    def roughness(self) -> Array:
        """Integral of the squared second derivative as a quadratic form, (n, n), exact by Gauss-Legendre."""
        step = (self.high - self.low) / (self.n - 3)
        node, weight = np.polynomial.legendre.leggauss(2)
        at = (self.low + step * (np.arange(self.n - 3)[:, None] + 0.5 + 0.5 * node)).ravel()
        second = BSpline(self._knots, np.eye(self.n), 3).derivative(2)(at)
        return np.asarray(second.T @ (second * np.tile(weight, self.n - 3)[:, None])) * step / 2


@njit(cache=True, nogil=True)
def splines(z, low, high, n):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The first of the four splines at a z, and their values."""
    step, inside = (high - low) / (n - 3), min(max(z, low), high)
    position = (inside - low) / step
    first = min(max(int(np.floor(position)), 0), n - 4)
    t, on = position - first, (z - inside) / step
    two = t * t
    three = two * t
    values = (
        (1 - t) ** 3 / 6.0 - on * (1 - t) ** 2 / 2.0,
        (3 * three - 6 * two + 4) / 6.0 + on * (3 * two - 4 * t) / 2.0,
        (3 * (two + t - three) + 1) / 6.0 + on * (1 + 2 * t - 3 * two) / 2.0,
        three / 6.0 + on * two / 2.0,
    )
    return first, values


@njit(cache=True, nogil=True, error_model="numpy")
def _piece_at(z, low, high, pieces):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The cubic at a z or at the end next to it, the part of its step that is passed, and the steps beyond the end."""
    per_step = len(pieces) / (high - low)
    inside = min(max(z, low), high)
    position = (inside - low) * per_step
    number = min(max(int(position), 0), len(pieces) - 1)
    return pieces[number], position - number, (z - inside) * per_step


@njit(cache=True, nogil=True)
def curve_at(z, low, high, pieces):  # type: ignore[no-untyped-def]  # pragma: no cover
    """`CorrectionBasis.curve` at one z, by its `pieces`."""
    piece, t, on = _piece_at(z, low, high, pieces)
    return ((piece[3] * t + piece[2]) * t + piece[1]) * t + piece[0] + on * _rise(piece, t)


@njit(cache=True, nogil=True)
def _rise(piece, t):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The slope of a cubic, by step."""
    return (3.0 * piece[3] * t + 2.0 * piece[2]) * t + piece[1]


@njit(cache=True, nogil=True)
def _spline_curve(z, low, high, pieces, found):  # type: ignore[no-untyped-def]  # pragma: no cover
    for row in range(z.size):
        found[row] = curve_at(z[row], low, high, pieces)


@njit(cache=True, nogil=True, error_model="numpy")
def rise_at(z, low, high, pieces):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The slope of `CorrectionBasis.curve` at one z."""
    piece, t, _ = _piece_at(z, low, high, pieces)
    return _rise(piece, t) * (len(pieces) / (high - low))
