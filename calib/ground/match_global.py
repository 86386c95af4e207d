"""Finds the shift of one picture in another by an exhaustive search, whatever the Sun's direction in each.

Small slopes h shade a surface by its derivative towards the Sun s: the spectrum of the picture is that of the albedo
plus ``i (k . s) H(k)``. Of two pictures with Suns s1 and s2 the cross spectrum is therefore real at the true shift,

    C(k) = |A|^2 + c (k . s1)(k . s2) |H|^2 = |A|^2 + c k^2 |H|^2 [cos(a1 - a2) + cos(2a - a1 - a2)] / 2,

with a the direction of k: a constant and a double-angle part, of either sign (with the Suns opposite, relief looks
inverted). So three correlations of the whitened pictures, weighted by 1, cos 2a, sin 2a, hold all information without
knowledge of the Suns. Their square, in the metric of their own scatter over all shifts tested, is chi-square with three
degrees of freedom if the pictures are unrelated: a generalised likelihood ratio. (Derived here.)
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import chdtri

from calib.coordinates import Array
from calib.errors import NotPossible
from calib.ground.match_prepare import Texture

DIRECTIONS = 3  # angular components of the cross spectrum: 1, cos 2a, sin 2a
CHANCE = 1e-6  # false-alarm probability for unrelated pictures, if their correlations are Gaussian
MARGIN = 1.6  # least ratio of the best peak to the next one elsewhere
LEAST_OVERLAP = 0.4  # of the first picture's area
APART_PX = 6  # peaks nearer than this to the best one are part of it
FEWEST_SHIFTS = 25  # least number of shifts compared: among fewer, a clear maximum has no meaning
HIGHEST = 0.35  # cycles per pixel; beyond it two samplings of the same ground differ,
FALL = 0.08  # cycles per pixel, 1-sigma of the weight's decrease there: a sharp cutoff would ring in the correlations
RINGS = 48  # frequency bins up to half a cycle per pixel, each whitened by its own mean
LEAST_AMPLITUDE = 1e-6  # of the strongest bin: bins that hold only rounding errors are not amplified to the others
PEAK_CHANCE = 1e-4  # shifts with a less likely value are treated as part of a peak and left out of the scatter
PASSES = 2  # estimates of the scatter: the first includes the peak and locates it, the second leaves it out
RIDGE = 1e-12  # of the mean square, added so that the metric exists even if one correlation is zero
BLOCK_PX = 3  # spacing of independent tests: correlations of neighbouring shifts are similar
TINY = 1e-30  # avoids division by zero


@dataclass(frozen=True, slots=True)
class GlobalMatch:
    """``first(row, column)`` shows what ``second(row + rows, column + columns)`` shows.

    `pattern` holds the weights of 1, cos 2a, sin 2a in the cross spectrum, a from the column axis towards the row axis;
    `strength` is the ratio of the peak to the chance limit, `margin` that to the next best peak.
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
    square, metric = _square_and_metric(z)
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


def _square_and_metric(z: Array) -> tuple[Array, Array]:
    """Square (N,) of the surfaces (3, N) in the metric of their own scatter without the peak; that metric (3, 3)."""
    keep = np.ones(z.shape[1], bool)
    for _ in range(PASSES):
        metric = np.linalg.inv(z[:, keep] @ z[:, keep].T / keep.sum() + RIDGE * np.eye(DIRECTIONS) * np.mean(z**2))
        square = np.einsum("in,ij,jn->n", z, metric, z)
        keep = square < chdtri(DIRECTIONS, PEAK_CHANCE)
    return square, metric


def _surfaces(first: Texture, second: Texture, shape: tuple[int, ...]) -> Array:
    """The three correlations (3, rows, columns) of the whitened pictures."""
    v = fft.fftfreq(shape[0])[:, np.newaxis]
    u = fft.rfftfreq(shape[1])[np.newaxis, :]
    radius = np.hypot(u, v)
    cross = _whitened_spectrum(first, shape, radius).conj() * _whitened_spectrum(second, shape, radius)
    angle = np.arctan2(v, u)
    parts = (np.ones_like(angle), np.cos(2 * angle), np.sin(2 * angle))
    return np.stack([fft.irfft2(cross * part, s=shape) for part in parts])


def _whitened_spectrum(picture: Texture, shape: tuple[int, ...], radius: Array) -> Array:
    """Spectrum of a picture divided by the mean amplitude at each frequency, without the highest frequencies."""
    spectrum = fft.rfft2(picture.values * picture.weight, s=shape)
    ring = np.minimum((radius / 0.5 * RINGS).astype(np.intp), RINGS)
    power = np.bincount(ring.ravel(), np.abs(spectrum.ravel()) ** 2, RINGS + 1)
    mean = np.sqrt(power / np.maximum(np.bincount(ring.ravel(), minlength=RINGS + 1), 1))
    fine = np.exp(-0.5 * np.square(np.maximum(radius - HIGHEST, 0.0) / FALL))
    return np.asarray(spectrum * fine / np.maximum(mean, LEAST_AMPLITUDE * mean.max() + TINY)[ring])


def _correlation(first: Array, second: Array, shape: tuple[int, ...]) -> Array:
    return np.asarray(fft.irfft2(fft.rfft2(first, s=shape).conj() * fft.rfft2(second, s=shape), s=shape))
