"""Small windows of two pictures of one ground, matched to a fraction of a pixel with the covariance of the shift.

All windows share one law of how the pictures cohere: the signed coherence g(k), real, a smooth function of wavelength
and of direction (see `match_global`: its sign follows the two Suns). It is learned from the windows themselves, and
each wave then counts with the weight ``g / (1 - g^2)`` of a Gaussian likelihood for a shift between two noisy pictures
(the generalised correlation of Knapp and Carter 1976, IEEE Trans. ASSP 24:320, with the sign kept; citation from
memory). The information on the shift is ``sum k kT g^2 / (1 - g^2)``; a taper t makes neighbouring waves alike and
lowers it by ``mean(t^2)^2 / mean(t^4)``.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage
from scipy.signal.windows import tukey

from calib.coordinates import Array
from calib.errors import NotPossible

TAPERED = 0.6  # share of a window's side on which the taper falls
BANDS = 14  # of wavelength in which the coherence is learned
LARGEST = 0.97  # coherence
HIGHEST = 0.45  # cycles per pixel
SURE = 3.0  # times its own variance the squared coherence of a band must have to count
NEWTON_STEPS = 12
LEAST_Z = 5.5  # of a peak over its scatter where there is none
FEWEST = 5
TURNS = 3  # of learning the coherence from the shifts and the shifts with it


@dataclass(frozen=True, slots=True, eq=False)
class Coherence:
    """Signed coherence `g` (n, n//2+1) of windows of n x n, on the half plane of a real Fourier transform."""

    g: Array


@dataclass(frozen=True, slots=True, eq=False)
class Shifts:
    """Shifts (N, 2) in rows, columns: ``first(x)`` shows what ``second(x + shift)`` shows; covariance (N, 2, 2), px^2.

    `z` (N,) is the height of each peak in its own scatter; `good` those that are peaks at all.
    """

    shift: Array
    covariance: Array
    z: Array
    good: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Spectra:
    """Cross spectra (N, n, n//2+1) of whitened windows and the wave vectors (2, n, n//2+1) in radians per pixel.

    `count` is how often a wave of the half plane stands in the whole one; `kept` the share of information that the
    taper leaves.
    """

    cross: NDArray[np.complex128]
    wave: Array
    count: Array
    kept: float

    @property
    def size(self) -> int:
        """Pixels along a side of a window."""
        return int(self.cross.shape[1])


def spectra(first: Array, second: Array) -> Spectra:
    """Whitened cross spectra of textures (N, n, n) of both pictures, each weighted already by what is known of it."""
    n = first.shape[1]
    taper = np.outer(tukey(n, TAPERED, sym=False), tukey(n, TAPERED, sym=False))
    a, b = (fft.rfft2((w - w.mean(axis=(1, 2), keepdims=True)) * taper) for w in (first, second))
    cross = a.conj() * b / np.sqrt(_mean_power(a) * _mean_power(b))
    v, u = 2 * np.pi * fft.fftfreq(n)[:, np.newaxis], 2 * np.pi * fft.rfftfreq(n)[np.newaxis, :]
    wave = np.stack(np.broadcast_arrays(v, u))
    count = np.where((u > 0) & (u < np.pi), 2.0, 1.0) * (np.hypot(u, v) <= 2 * np.pi * HIGHEST)
    count[0, 0] = 0.0
    return Spectra(cross, wave, count, float(np.mean(taper**2) ** 2 / np.mean(taper**4)))


def _mean_power(spectrum: NDArray[np.complex128]) -> Array:
    """Mean power of all windows at each wave, smoothed a little; never nought."""
    power = np.mean(np.abs(spectrum) ** 2, axis=0)
    power = ndimage.uniform_filter(power, 3, mode=("wrap", "nearest"))
    return np.maximum(power, 1e-9 * power.max() + 1e-30)


def assumed(found: Spectra, pattern: tuple[float, float, float]) -> Coherence:
    """A first coherence: the same at all wavelengths, its direction law as a global match found it."""
    angle = np.arctan2(*found.wave)
    g = pattern[0] + pattern[1] * np.cos(2 * angle) + pattern[2] * np.sin(2 * angle)
    return Coherence(np.where(found.count > 0, 0.5 * g, 0.0))


def learned(found: Spectra, shifts: Array, used: NDArray[np.bool_]) -> Coherence | NotPossible:
    """The coherence of the windows `used`, once brought to coincide by `shifts`."""
    if np.count_nonzero(used) < FEWEST:
        return NotPossible(f"windows to learn from: {np.count_nonzero(used)}, and {FEWEST} are needed")
    aligned = np.mean(np.real(found.cross[used] * _turn(found, shifts[used])), axis=0)
    radius, angle = np.hypot(*found.wave), np.arctan2(*found.wave)
    band = np.minimum((radius / (2 * np.pi * HIGHEST) * BANDS).astype(np.intp), BANDS - 1)
    terms = np.stack([np.ones_like(angle), *(f(m * angle) for m in (2, 4) for f in (np.cos, np.sin))])
    g = np.zeros_like(aligned)
    for k in range(BANDS):
        inside = (band == k) & (found.count > 0)
        if np.count_nonzero(inside) < 3 * len(terms):
            continue
        a = terms[:, inside].T
        coefficients = np.linalg.lstsq(a, aligned[inside], rcond=None)[0]
        fitted = a @ coefficients
        variance = len(terms) / (2 * np.count_nonzero(inside) * found.kept * np.count_nonzero(used))
        if np.mean(fitted**2) > SURE * variance:
            g[inside] = np.clip(fitted, -LARGEST, LARGEST)
    return Coherence(g) if np.any(g) else NotPossible("the windows have nothing in common at any wavelength")


def common_shift(found: Spectra, shifts: Array, used: NDArray[np.bool_], reach_px: float) -> Array:
    """The shift (2,) of at most `reach_px` that must be added to all `shifts` (N, 2) of the windows `used`.

    A coherence learned from windows that are all off by d is ``g cos(k . d)``, and finds them off by d again: learning
    alone cannot tell. But where they coincide their mean cross spectrum is real, whatever the signs of g: the shift is
    the one at which its square, ``sum Re[mean^2 exp(2 i k . d)]``, is largest.
    """
    mean = np.mean(found.cross[used] * _turn(found, shifts[used]), axis=0)
    square = mean**2 * (found.count > 0)
    n = found.size
    at = np.rint(fft.fftfreq(n, 1.0 / n)) / 2
    beyond = (np.abs(at)[:, np.newaxis] > reach_px) | (np.abs(at) > reach_px)
    best = int(np.argmax(np.where(beyond, -np.inf, fft.irfft2(square, s=(n, n)))))
    doubled = Spectra(square[np.newaxis], 2 * found.wave, found.count, found.kept)
    shift, _, _ = _refined(doubled, np.ones_like(found.count), np.array([[at[best // n], at[best % n]]]))
    return np.asarray(shift[0])


def settled(found: Spectra, first: Coherence | None, reach_px: float) -> tuple[Coherence, Shifts] | NotPossible:
    """Shifts of the windows and the law of coherence, learned from each other in turns.

    Without a `first` coherence the windows are taken to be off by nearly the same.
    """
    everyone, start = np.ones(len(found.cross), bool), np.zeros((len(found.cross), 2))
    coherence = first or _relearned(found, start, everyone, reach_px)
    for _ in range(TURNS):
        if isinstance(coherence, NotPossible):
            return coherence
        last, shifts = coherence, match(found, coherence, reach_px)
        coherence = _relearned(found, shifts.shift, shifts.good, reach_px)
    return last, shifts


def _relearned(found: Spectra, shifts: Array, used: NDArray[np.bool_], reach_px: float) -> Coherence | NotPossible:
    if np.count_nonzero(used) < FEWEST:
        return learned(found, shifts, used)
    return learned(found, shifts + common_shift(found, shifts, used, reach_px), used)


def _turn(found: Spectra, shifts: Array) -> NDArray[np.complex128]:
    """Phase factors (N, ...) that bring back windows whose second picture is shifted."""
    return np.exp(1j * np.tensordot(shifts, found.wave, axes=(1, 0)))


def match(found: Spectra, coherence: Coherence, reach_px: float) -> Shifts:
    """The likeliest shift of every window within `reach_px`, with its covariance."""
    g = coherence.g
    weight = g / (1 - g**2)
    wanted = found.kept * _information(found, g * weight)
    scatter = np.sqrt(np.sum(found.count * weight**2) / found.kept)
    start = _highest(found, weight, reach_px)
    shift, height, curvature = _refined(found, weight, start)
    z = height / max(scatter, 1e-30)
    curvature = found.kept * curvature
    value = np.linalg.eigvalsh(curvature)
    shape = np.linalg.eigvalsh(wanted)[0] > 0
    good = (value[:, 0] > 0) & (z > LEAST_Z) & shape
    good &= (np.abs(shift) <= reach_px).all(axis=1) & (np.hypot(*(shift - start).T) < 1.5)
    covariance = np.full((len(shift), 2, 2), np.inf)
    back = np.linalg.inv(curvature[good])
    covariance[good] = back @ wanted @ back
    return Shifts(shift, covariance, z, good)


def _information(found: Spectra, weight: Array) -> Array:
    """Sum over all waves of ``k kT weight``, (2, 2)."""
    return np.einsum("irc,jrc,rc->ij", found.wave, found.wave, found.count * weight)


def _highest(found: Spectra, weight: Array, reach_px: float) -> Array:
    """Whole-pixel shifts (N, 2) at which the correlations are highest."""
    n = found.size
    surface = fft.irfft2(found.cross * (weight * (found.count > 0)), s=(n, n))
    at = np.rint(fft.fftfreq(n, 1.0 / n))
    beyond = (np.abs(at)[:, np.newaxis] > reach_px) | (np.abs(at) > reach_px)
    best = np.argmax(np.where(beyond, -np.inf, surface).reshape(len(surface), -1), axis=1)
    return np.stack([at[best // n], at[best % n]], axis=1)


def _refined(found: Spectra, weight: Array, start: Array) -> tuple[Array, Array, Array]:
    """Newton's steps on the likelihood: shift (N, 2), its height (N,), its negative curvature (N, 2, 2)."""
    w = found.count * weight
    shift = start.copy()
    for _ in range(NEWTON_STEPS):
        turned = found.cross * _turn(found, shift) * w
        slope = -np.einsum("irc,nrc->ni", found.wave, turned.imag)
        curvature = np.einsum("irc,jrc,nrc->nij", found.wave, found.wave, turned.real)
        value, axes = np.linalg.eigh(curvature)
        largest = np.maximum(np.abs(value).max(axis=1, keepdims=True), 1e-30)
        along = np.einsum("nij,ni->nj", axes, slope) / np.maximum(np.abs(value), 1e-3 * largest)
        step = np.einsum("nij,nj->ni", axes, along)
        shift = shift + step / np.maximum(1.0, np.hypot(*step.T) / 0.5)[:, np.newaxis]
    turned = found.cross * _turn(found, shift) * w
    curvature = np.einsum("irc,jrc,nrc->nij", found.wave, found.wave, turned.real)
    return shift, np.sum(turned.real, axis=(1, 2)), curvature


@dataclass(frozen=True, slots=True, eq=False)
class ScaleShift:
    """The common shift (2,), px, that the longer or the shorter waves add to that of all, and its 1-sigma (2,)."""

    shift: Array
    sigma: Array


def by_wavelength(found: Spectra, coherence: Coherence, shifts: Shifts) -> tuple[ScaleShift, ...]:
    """What the longer and the shorter waves of the good windows add to the shift of all their waves together.

    Where shading alone makes the picture all waves tell the same shift. Shadows and strong slopes move what is seen
    with the Sun, by an amount that depends on its size: a difference between the two halves of the information shows
    how large a bias of that kind may be.
    """
    radius = np.hypot(*found.wave)
    weight = found.count * coherence.g / (1 - coherence.g**2)
    gain = weight * coherence.g * radius**2
    order = np.argsort(radius, axis=None)
    total = np.cumsum(gain.ravel()[order])
    middle = float(radius.ravel()[order][np.searchsorted(total, total[-1] / 2)])
    turned = np.mean(found.cross[shifts.good] * _turn(found, shifts.shift[shifts.good]), axis=0)
    scales = []
    for inside in (radius < middle, radius >= middle):
        w = weight * inside
        slope = -np.einsum("irc,rc->i", found.wave, turned.imag * w)
        curvature = np.einsum("irc,jrc,rc->ij", found.wave, found.wave, turned.real * w)
        back = np.linalg.inv(curvature)
        variance = np.diag(back) / (found.kept * np.count_nonzero(shifts.good))
        scales.append(ScaleShift(back @ slope, np.sqrt(np.maximum(variance, 0.0))))
    return tuple(scales)


def waves_apart_px(scales: tuple[ScaleShift, ...]) -> tuple[float, float]:
    """How far the shifts of the longer and of the shorter waves lie apart, px, and the 1-sigma that noise gives it."""
    long, short = scales
    return float(np.hypot(*(long.shift - short.shift))), float(np.sqrt(np.sum(long.sigma**2 + short.sigma**2)))
