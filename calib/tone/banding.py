"""The banding of all strips, once their curves are known: what they share, what each adds, each with its prior.

Each strip's samples were measured on known film with independent errors, ``b_k = P + Q_k + error``; where the scene
votes, its column means are a second measurement whose error is the Moon itself. `P` and `Q_k` are stationary Gaussian
profiles, their power by wavelength estimated from the measurements; the estimate is the linear unbiased one of least
variance (Wiener 1949; kriging), with its covariance.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.fft import dct, idct

from calib.coordinates import Array
from calib.definite import inverse_of
from calib.ordered import shared_out

SMALLEST = 1e-9  # density squared: power below which a component is not worth telling from zero


@dataclass(frozen=True, slots=True, eq=False)
class Profiles:
    """Banding of all strips (K, n) with its 1-sigma, and the part they share (n,) with its own."""

    banding: Array
    sigma: Array
    common: Array
    common_sigma: Array


@dataclass(frozen=True, slots=True, eq=False)
class SceneVote:
    """The scene's column means of one strip as a measurement of its banding: `value` (n,), `weight` (n, n)."""

    value: Array
    weight: Array


Votes = Callable[[int], SceneVote | None]


def no_vote(strip: int) -> SceneVote | None:
    """The vote of a scene that is not asked."""
    return None


def estimate_profiles(measured: Array, variance: Array, vote: Votes = no_vote, threads: int = 1) -> Profiles:
    """Profiles from measured banding (K, n) and its error variances, not finite where nothing was measured.

    With `W` the weights of a strip's measurements, `P` the inverse covariance of its own part and ``N = (P + W)^-1``,
    what it says of the common part is ``W - W N W = P - P N P`` and, of its weighted measurements `t`, ``P N t``.
    A strip's `vote` is asked for when its turn comes, on one of the `threads`: votes are large.
    """
    own_power, common_power = powers(measured, variance)
    own_prior, common_prior = precision_of(own_power), precision_of(common_power)
    count, n = measured.shape

    def alone(strip: int) -> tuple[Array, Array]:
        return _by_itself(own_prior, measured[strip], variance[strip], vote(strip))

    known, right = np.zeros((n, n)), np.zeros(n)
    parts = []
    for inner, total in shared_out(alone, range(count), threads):
        known += inner
        right += inner @ total
        parts.append((inner, total))
    said = count * own_prior - own_prior @ known @ own_prior
    covariance = inverse_of(common_prior + (said + said.T) / 2)
    common = covariance @ (own_prior @ right)
    shared, carried = own_prior @ covariance @ own_prior, own_prior @ common

    def whole(part: tuple[Array, Array]) -> tuple[Array, Array]:
        inner, total = part
        return inner @ (total + carried), np.sqrt(np.diag(inner) + np.einsum("ij,ij->i", inner @ shared, inner))

    banding, sigma = (np.stack(rows) for rows in zip(*shared_out(whole, parts, threads), strict=True))
    return Profiles(banding, sigma, common, np.sqrt(np.diag(covariance)))


def _by_itself(prior: Array, value: Array, variance: Array, vote: SceneVote | None) -> tuple[Array, Array]:
    """Covariance of a strip's banding by its own measurements, a prior of zero, and their weighted sum."""
    known = np.isfinite(variance) & np.isfinite(value)
    single = np.where(known, 1.0 / np.where(known, variance, 1.0), 0.0)
    weight, total = prior.copy(), single * np.where(known, value, 0.0)
    weight[np.diag_indices_from(weight)] += single
    if vote is not None:
        weight += vote.weight
        total += vote.weight @ vote.value
    return inverse_of(weight), total


def filtered_profiles(measured: Array, variance: Array) -> tuple[Array, Array]:
    """Quick profiles (K, n) with a 1-sigma of each, (K, n) too: as if all samples of a strip were measured alike.

    Then the cosine components are independent, and each is estimated for itself, of all strips together.
    """
    own, common = powers(measured, variance)
    known = np.isfinite(variance) & np.isfinite(measured)
    filled = np.stack([fill(row, some) for row, some in zip(measured, known, strict=True)])
    middle = [float(np.median(row[some])) if some.any() else np.inf for row, some in zip(variance, known, strict=True)]
    error = np.array(middle)[:, None]
    spectrum, alone = dct(filled, axis=1, norm="ortho"), 1.0 / (own + error)
    shared_variance = 1.0 / (1.0 / common + alone.sum(axis=0))
    shared = shared_variance * (alone * spectrum).sum(axis=0)
    found = shared + own * alone * (spectrum - shared)
    left = own * (1.0 - own * alone) + (1.0 - own * alone) ** 2 * shared_variance
    return idct(found, axis=1, norm="ortho"), np.repeat(np.sqrt(left.mean(axis=1))[:, None], own.size, axis=1)


def powers(measured: Array, variance: Array) -> tuple[Array, Array]:
    """Power of each cosine component (orthonormal DCT-II) of the strips' own and of the common banding, (n,) each.

    By moments: the strips' scatter about their mean less the measurements' errors, and the mean's power less its own.
    """
    count = len(measured)
    filled = np.stack([fill(row, np.isfinite(error)) for row, error in zip(measured, variance, strict=True)])
    error = np.array(
        [float(np.median(row[np.isfinite(row)])) if np.isfinite(row).any() else np.nan for row in variance]
    )
    used = np.isfinite(error)
    if not used.any():
        return np.full(measured.shape[1], SMALLEST), np.full(measured.shape[1], SMALLEST)
    spectrum = dct(filled[used], axis=1, norm="ortho")
    mean = np.median(spectrum, axis=0) if count > 4 else spectrum.mean(axis=0)
    noise = float(error[used].mean())
    n_used = int(used.sum())
    scatter = ((spectrum - mean) ** 2).sum(axis=0) / max(n_used - 1, 1)
    own = np.maximum(by_octaves(scatter) - noise, SMALLEST)
    shared = by_octaves(mean**2) - (own + noise) / n_used
    return own, np.maximum(shared, SMALLEST)


def fill(values: Array, known: NDArray[np.bool_]) -> Array:
    """A profile with its gaps bridged linearly and its ends held; zero where nothing is known."""
    if not known.any():
        return np.zeros_like(values)
    at = np.arange(values.size)
    return np.interp(at, at[known], values[known])


def precision_of(power: Array) -> Array:
    """Inverse covariance of a stationary profile whose cosine components are independent with a power, (n, n)."""
    return covariance_of(1.0 / power)


def covariance_of(power: Array) -> Array:
    """Covariance of a stationary profile by the power of its cosine components, (n, n).

    The product of two cosines is half the sum of those of the difference and of the sum of their angles, so that the
    matrix is a function of ``i - j`` plus one of ``i + j``.
    """
    n = power.size
    half = dct(np.append(power, 0.0), type=1) / (2 * n)
    apart = sliding_window_view(np.concatenate([half[:0:-1], half[:n]]), n)[::-1]
    return np.asarray(apart[:n] + sliding_window_view(np.concatenate([half[1:], half[n - 1 : 0 : -1]]), n))


def by_octaves(spectrum: Array) -> Array:
    """The spectrum averaged over octaves of wavelength: all that a few profiles can tell of their power."""
    smooth = np.empty_like(spectrum)
    first = 0
    while first < spectrum.size:
        stop = min(max(2 * first, first + 2), spectrum.size)
        smooth[first:stop] = spectrum[max(first, 1) : stop].mean()
        first = stop
    return smooth


def components_of_octave(n: int) -> Array:
    """How many of `n` components share the octave of each: the degrees of freedom of its mean power."""
    octave = np.maximum(2 ** np.floor(np.log2(np.maximum(np.arange(n), 1))), 1)
    return np.minimum(octave, n - octave + 1)
