"""Matches small windows of two pictures of the same ground to a fraction of a pixel, with the covariance of the shift.

All windows share one signed coherence g(k), which is real and a smooth function of wavelength and direction (see
`match_global`: its sign follows the two Suns). It is estimated from the windows themselves. Each wave then has the
weight ``g / (1 - g^2)`` of a Gaussian likelihood for a shift between two noisy pictures (the generalised correlation of
Knapp and Carter 1976, IEEE Trans. ASSP 24:320, with the sign kept; citation from memory). The information on the shift
is ``sum k kT g^2 / (1 - g^2)``; a taper t correlates neighbouring waves and lowers it by ``mean(t^2)^2 / mean(t^4)``.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage
from scipy.signal.windows import tukey

from calib.coordinates import Array
from calib.errors import NotPossible

TAPERED = 0.6  # share of a window's side on which the taper falls
BANDS = 14  # frequency bands in which the coherence is estimated
LARGEST = 0.97  # limit of the coherence
HIGHEST = 0.45  # highest frequency used, cycles per pixel
SURE = 3.0  # least squared coherence of a band that is used, in units of its variance
NEWTON_STEPS = 12
LEAST_Z = 5.5  # least height of a peak, in sigma of the correlation of unrelated pictures
FEWEST = 5  # least number of windows for an estimate of the coherence
TURNS = 3  # iterations of estimating the coherence from the shifts and the shifts from the coherence


@dataclass(frozen=True, slots=True, eq=False)
class Coherence:
    """Signed coherence `g` (n, n//2+1) of windows of n x n, on the half plane of a real Fourier transform."""

    g: Array


@dataclass(frozen=True, slots=True, eq=False)
class Shifts:
    """Shifts (N, 2) in rows, columns: ``first(x)`` shows what ``second(x + shift)`` shows; covariance (N, 2, 2), px^2.

    `z` (N,) is the height of each peak in sigma; `good` (N,) masks the shifts that have a valid peak.
    """

    shift: Array
    covariance: Array
    z: Array
    good: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Spectra:
    """Cross spectra (N, n, n//2+1) of whitened windows and the wave vectors (2, n, n//2+1) in radians per pixel.

    `count` is the multiplicity of each half-plane wave in the whole plane, 0 if unused; `kept` the share of information
    left by the taper.
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
    """Whitened cross spectra of textures (N, n, n) of both pictures, already multiplied by their weights."""
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
    """Mean power of all windows at each wave, slightly smoothed; always positive."""
    power = np.mean(np.abs(spectrum) ** 2, axis=0)
    power = ndimage.uniform_filter(power, 3, mode=("wrap", "nearest"))
    return np.maximum(power, 1e-9 * power.max() + 1e-30)


def assumed(found: Spectra, pattern: tuple[float, float, float]) -> Coherence:
    """A first coherence: equal at all wavelengths, with the dependence on direction found by a global match."""
    angle = np.arctan2(*found.wave)
    g = pattern[0] + pattern[1] * np.cos(2 * angle) + pattern[2] * np.sin(2 * angle)
    return Coherence(np.where(found.count > 0, 0.5 * g, 0.0))


def learned(found: Spectra, shifts: Array, used: NDArray[np.bool_]) -> Coherence | NotPossible:
    """The coherence of the windows `used` after they are aligned by `shifts`; NotPossible if there is none."""
    if np.count_nonzero(used) < FEWEST:
        return NotPossible(f"windows to learn from: {np.count_nonzero(used)}, and {FEWEST} are needed")
    aligned = np.mean(np.real(found.cross[used] * _phase_factors(found, shifts[used])), axis=0)
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
    """The common shift (2,) of at most `reach_px` that must be added to all `shifts` (N, 2) of the windows `used`.

    A coherence estimated from windows that are all wrong by d is ``g cos(k . d)``, with which matching finds the same
    error d again. But where windows are aligned, their mean cross spectrum is real whatever the signs of g: the shift
    is the one that maximises its square, ``sum Re[mean^2 exp(2 i k . d)]``.
    """
    mean = np.mean(found.cross[used] * _phase_factors(found, shifts[used]), axis=0)
    square = mean**2 * (found.count > 0)
    n = found.size
    at = np.rint(fft.fftfreq(n, 1.0 / n)) / 2
    beyond = (np.abs(at)[:, np.newaxis] > reach_px) | (np.abs(at) > reach_px)
    best = int(np.argmax(np.where(beyond, -np.inf, fft.irfft2(square, s=(n, n)))))
    doubled = Spectra(square[np.newaxis], 2 * found.wave, found.count, found.kept)
    shift, _, _ = _refined(doubled, np.ones_like(found.count), np.array([[at[best // n], at[best % n]]]))
    return np.asarray(shift[0])


def settled(found: Spectra, first: Coherence | None, reach_px: float) -> tuple[Coherence, Shifts] | NotPossible:
    """Coherence and shifts of the windows, estimated alternately from each other.

    Without a `first` coherence the windows are assumed to have nearly the same shift.
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


def _phase_factors(found: Spectra, shifts: Array) -> NDArray[np.complex128]:
    """Phase factors (N, ...) that undo the shifts of the second picture."""
    return np.exp(1j * np.tensordot(shifts, found.wave, axes=(1, 0)))


def match(found: Spectra, coherence: Coherence, reach_px: float) -> Shifts:
    """The most likely shift of every window within `reach_px`, with its covariance."""
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
    """Whole-pixel shifts (N, 2) within `reach_px` of the highest correlations."""
    n = found.size
    surface = fft.irfft2(found.cross * (weight * (found.count > 0)), s=(n, n))
    at = np.rint(fft.fftfreq(n, 1.0 / n))
    beyond = (np.abs(at)[:, np.newaxis] > reach_px) | (np.abs(at) > reach_px)
    best = np.argmax(np.where(beyond, -np.inf, surface).reshape(len(surface), -1), axis=1)
    return np.stack([at[best // n], at[best % n]], axis=1)


def _refined(found: Spectra, weight: Array, start: Array) -> tuple[Array, Array, Array]:
    """Maximum of the likelihood by Newton's method: shift (N, 2), height (N,), negative curvature (N, 2, 2)."""
    w = found.count * weight
    shift = start.copy()
    for _ in range(NEWTON_STEPS):
        turned = found.cross * _phase_factors(found, shift) * w
        slope = -np.einsum("irc,nrc->ni", found.wave, turned.imag)
        curvature = np.einsum("irc,jrc,nrc->nij", found.wave, found.wave, turned.real)
        value, axes = np.linalg.eigh(curvature)
        largest = np.maximum(np.abs(value).max(axis=1, keepdims=True), 1e-30)
        along = np.einsum("nij,ni->nj", axes, slope) / np.maximum(np.abs(value), 1e-3 * largest)
        step = np.einsum("nij,nj->ni", axes, along)
        shift = shift + step / np.maximum(1.0, np.hypot(*step.T) / 0.5)[:, np.newaxis]
    turned = found.cross * _phase_factors(found, shift) * w
    curvature = np.einsum("irc,jrc,nrc->nij", found.wave, found.wave, turned.real)
    return shift, np.sum(turned.real, axis=(1, 2)), curvature


@dataclass(frozen=True, slots=True, eq=False)
class ScaleShift:
    """Common shift (2,), px, of the longer or of the shorter waves minus that of all waves, and its 1-sigma (2,)."""

    shift: Array
    sigma: Array


def by_wavelength(found: Spectra, coherence: Coherence, shifts: Shifts) -> tuple[ScaleShift, ...]:
    """Shifts of the longer and of the shorter waves of the good windows, relative to the shift of all waves.

    If the picture is shading alone, all waves give the same shift. Shadows and strong slopes displace features with the
    Sun by an amount that depends on their size. The two halves have equal information; a difference between them shows
    how large such a bias may be.
    """
    radius = np.hypot(*found.wave)
    weight = found.count * coherence.g / (1 - coherence.g**2)
    gain = weight * coherence.g * radius**2
    order = np.argsort(radius, axis=None)
    total = np.cumsum(gain.ravel()[order])
    middle = float(radius.ravel()[order][np.searchsorted(total, total[-1] / 2)])
    turned = np.mean(found.cross[shifts.good] * _phase_factors(found, shifts.shift[shifts.good]), axis=0)
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
    """Distance between the shifts of the longer and of the shorter waves, px, and its 1-sigma from noise."""
    long, short = scales
    return float(np.hypot(*(long.shift - short.shift))), float(np.sqrt(np.sum(long.sigma**2 + short.sigma**2)))
