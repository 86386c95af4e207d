"""Where one picture lies in another, whatever the Sun that lit each: one shift, looked for everywhere.

Small slopes h shade a surface by its derivative towards the Sun s: the spectrum of the picture is that of the albedo
plus ``i (k . s) H(k)``. Of two pictures with Suns s1 and s2 the cross spectrum is therefore real at the true shift,

    C(k) = |A|^2 + c (k . s1)(k . s2) |H|^2 = |A|^2 + c k^2 |H|^2 [cos(a1 - a2) + cos(2a - a1 - a2)] / 2,

with a the direction of k: a constant and a double-angle part, of either sign (with the Suns opposite, relief is seen
inside out). Three correlations of the whitened pictures, weighted by 1, cos 2a, sin 2a, together hold all there is,
without knowing the Suns. Their square in the metric of their own scatter over all shifts tested is chi-square with
three degrees of freedom where the pictures have nothing in common: a generalised likelihood ratio. (Derived here.)
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import chdtri

from calib.coordinates import Array
from calib.errors import NotPossible
from calib.ground.match_prepare import Texture

DIRECTIONS = 3  # of the cross spectrum: 1, cos 2a, sin 2a
CHANCE = 1e-6  # that pictures with nothing in common pass, were their correlations Gaussian
MARGIN = 1.6  # the best peak must exceed the next one elsewhere by this factor
LEAST_OVERLAP = 0.4  # of the first picture's area
APART_PX = 6  # peaks nearer than this to the best one are part of it
FEWEST_SHIFTS = 25  # to be compared with each other: among fewer, "the best by far" says nothing
HIGHEST = 0.35  # cycles per pixel: beyond, two samplings of one ground differ,
FALL = 0.08  # cycles per pixel, 1-sigma of how their weight falls off there: a sharp end would ring in the correlations
RINGS = 48  # of wavelengths up to half a cycle per pixel, each whitened by its own mean
LEAST_AMPLITUDE = 1e-6  # of the strongest ring's: rings that hold nothing but rounding are not raised to the others
OF_A_PEAK = 1e-4  # chance of a shift so far out that it is taken for part of a peak, and not for scatter
PASSES = 2  # the first scatter, which holds the peak, tells where it is; the second does without it
RIDGE = 1e-12  # of the mean square: three correlations of which one says nothing still have a metric
BLOCK_PX = 3  # correlations of neighbouring shifts are alike: independent tests are about so many pixels apart
TINY = 1e-30  # keeps a quotient by nothing finite


@dataclass(frozen=True, slots=True)
class GlobalMatch:
    """``first(row, column)`` shows what ``second(row + rows, column + columns)`` shows.

    `pattern` are the weights of 1, cos 2a, sin 2a in the cross spectrum, a from the column axis towards the row axis;
    `strength` the peak over what chance would reach, `margin` over the next best peak.
    """

    rows: int
    columns: int
    pattern: tuple[float, float, float]
    strength: float
    margin: float


def global_match(
    first: Texture, second: Texture, reach_px: float, about: tuple[int, int] = (0, 0)
) -> GlobalMatch | NotPossible:
    """The shift at which `first` (r, c) lies in `second` (R, C), at most `reach_px` from `about` (rows, columns)."""
    if first.weight.sum() < 1 or second.weight.sum() < 1:
        return NotPossible("one of the pictures shows nothing")
    sizes = zip(first.values.shape, second.values.shape, strict=True)
    shape = tuple(fft.next_fast_len(a + b, real=True) for a, b in sizes)
    surfaces = _surfaces(first, second, shape)
    rows, columns = (np.rint(fft.fftfreq(n, 1.0 / n)) for n in shape)
    overlap = _correlation(first.weight, second.weight, shape)
    tested = np.hypot(rows[:, np.newaxis] - about[0], columns - about[1]) <= reach_px
    tested &= overlap >= LEAST_OVERLAP * first.weight.sum()
    if np.count_nonzero(tested) < FEWEST_SHIFTS:
        return NotPossible("within the search range the pictures hardly overlap")
    z = surfaces[:, tested] / np.sqrt(overlap[tested])
    square, metric = _squared(z)
    return _judged(tested, z, square, metric, rows, columns)


def _judged(
    tested: NDArray[np.bool_], z: Array, square: Array, metric: Array, rows: Array, columns: Array
) -> GlobalMatch | NotPossible:
    at_row, at_column = np.nonzero(tested)
    shift_r, shift_c = rows[at_row], columns[at_column]
    best = int(np.argmax(square))
    away = np.hypot(shift_r - shift_r[best], shift_c - shift_c[best])
    elsewhere = square[away > APART_PX]
    next_best = float(elsewhere.max()) if elsewhere.size else 0.0
    limit = float(chdtri(DIRECTIONS, CHANCE / max(square.size / BLOCK_PX**2, 1.0)))
    strength, margin = float(square[best]) / limit, float(square[best]) / max(next_best, TINY)
    if strength < 1.0 or margin < MARGIN:
        return NotPossible(
            f"no place fits clearly better than all others (peak {strength:.2f} of what is needed, "
            f"{margin:.2f} times the next best where {MARGIN:g} is needed)"
        )
    pattern = metric @ z[:, best]
    pattern /= np.abs(pattern[0]) + np.hypot(pattern[1], pattern[2])
    weights = float(pattern[0]), float(pattern[1]), float(pattern[2])
    return GlobalMatch(int(shift_r[best]), int(shift_c[best]), weights, strength, margin)


def _squared(z: Array) -> tuple[Array, Array]:
    """Square of the surfaces (3, N) in the metric of their own scatter, and that metric; the peak has no part in it."""
    keep = np.ones(z.shape[1], bool)
    for _ in range(PASSES):
        metric = np.linalg.inv(z[:, keep] @ z[:, keep].T / keep.sum() + RIDGE * np.eye(DIRECTIONS) * np.mean(z**2))
        square = np.einsum("in,ij,jn->n", z, metric, z)
        keep = square < chdtri(DIRECTIONS, OF_A_PEAK)
    return square, metric


def _surfaces(first: Texture, second: Texture, shape: tuple[int, ...]) -> Array:
    """The three correlations (3, rows, columns) of the whitened pictures."""
    v = fft.fftfreq(shape[0])[:, np.newaxis]
    u = fft.rfftfreq(shape[1])[np.newaxis, :]
    radius = np.hypot(u, v)
    cross = _white(first, shape, radius).conj() * _white(second, shape, radius)
    angle = np.arctan2(v, u)
    parts = (np.ones_like(angle), np.cos(2 * angle), np.sin(2 * angle))
    return np.stack([fft.irfft2(cross * part, s=shape) for part in parts])


def _white(picture: Texture, shape: tuple[int, ...], radius: Array) -> Array:
    """Spectrum of a picture divided by the mean amplitude at its wavelength, without the finest waves."""
    spectrum = fft.rfft2(picture.values * picture.weight, s=shape)
    ring = np.minimum((radius / 0.5 * RINGS).astype(np.intp), RINGS)
    power = np.bincount(ring.ravel(), np.abs(spectrum.ravel()) ** 2, RINGS + 1)
    mean = np.sqrt(power / np.maximum(np.bincount(ring.ravel(), minlength=RINGS + 1), 1))
    fine = np.exp(-0.5 * np.square(np.maximum(radius - HIGHEST, 0.0) / FALL))
    return np.asarray(spectrum * fine / np.maximum(mean, LEAST_AMPLITUDE * mean.max() + TINY)[ring])


def _correlation(first: Array, second: Array, shape: tuple[int, ...]) -> Array:
    return np.asarray(fft.irfft2(fft.rfft2(first, s=shape).conj() * fft.rfft2(second, s=shape), s=shape))
