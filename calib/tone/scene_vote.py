"""What the scene itself may say of the banding: its column means, with the Moon counted as their error.

The column means of many lines show the banding, but the Moon too: a ridge along the columns must survive. How far the
scene is to be trusted at a wavelength is read off its disagreement with the known film, strip by strip and over all;
samples where the two disagree beyond chance have a feature of the Moon in them and do not vote. So the known film is
never outvoted, only refined where the scene agrees with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct, idct
from scipy.linalg import cho_factor, cho_solve
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from calib.coordinates import Array
from calib.tone.banding import SMALLEST, SceneVote, by_octaves, components_of_octave, covariance_of, fill

FEWEST_BLOCKS = 12
HALF_SEEN = 0.5  # of a block's lines must show the scene for a sample's mean to count
FAST_SAMPLES = 6.0  # samples, 1-sigma: slower variations are told from the Moon by no weighting
TEXTURE_REACH = (2.0, 6.0)  # blocks, samples: the surroundings that a value's texture is judged by
QUIETEST = 0.05  # of the typical mean square: no place is believed to be quieter
SCENE_SHARE = 0.6  # of a block's samples must show the scene
TRIMMED = 0.15  # share of blocks left out at either end of each sample's values
CAUTION = 2.0  # standard errors by which a disagreement may have come out too small
FEATURE = 3.5  # sigma beyond which a sample's disagreement is a feature of the Moon
FEATURE_WIDTH = 2  # samples to either side that go with it
NO_VOTE = 10.0  # variance of a sample that does not vote
LEAST_SHARE = 0.25  # of the known film's error variance: what no comparison with it can tell from none
DOUBTFUL = 1.5  # times the typical variance: samples measured so badly on known film say nothing of the scene
SMOOTH_MODES = 8  # slow components are left out when features are sought


@dataclass(frozen=True, slots=True, eq=False)
class ColumnMeans:
    """Column means of a strip's scene (n_samples,); NaN where there were too few blocks of lines."""

    density: Array


def column_means(count: Array, density: Array) -> ColumnMeans:
    """Column means from (blocks, n_samples) counts and mean densities of blocks of lines.

    The slow part is a trimmed mean of the levelled blocks. The fast part is their mean weighted against the texture
    about each value: craters and rims are loud, the plains between them tell the banding as well as noise allows.
    """
    most = count.max(initial=1.0)
    use = (count >= HALF_SEEN * most).mean(axis=1) >= SCENE_SHARE
    seen = count[use] >= HALF_SEEN * most
    enough = seen.sum(axis=0) >= FEWEST_BLOCKS
    if use.sum() < FEWEST_BLOCKS or not enough.any():
        return ColumnMeans(np.full(count.shape[1], np.nan))
    values = np.where(seen, density[use], 0.0)
    slow = gaussian_filter1d(fill(_trimmed(values, seen, enough), enough), FAST_SAMPLES)
    return ColumnMeans(np.where(enough, slow + _fast(values, seen), np.nan))


def _trimmed(values: Array, seen: NDArray[np.bool_], enough: NDArray[np.bool_]) -> Array:
    """Trimmed means of the columns that have `enough` values, each block levelled first; zero in the others."""
    levelled = np.stack([_levelled(row) for row in np.where(seen, values, np.nan)])
    n, ordered = seen.sum(axis=0), np.sort(levelled, axis=0)  # NaN last
    mean = np.zeros(n.size)
    for sample in np.flatnonzero(enough):
        cut = int(TRIMMED * n[sample])
        mean[sample] = ordered[cut : n[sample] - cut, sample].mean()
    return mean


def _fast(values: Array, seen: NDArray[np.bool_]) -> Array:
    """Mean of what varies within `FAST_SAMPLES`, weighted by one over its local mean square, found in turn with it."""
    fast = np.where(seen, values - _mean_about(values, seen, (0.0, FAST_SAMPLES)), 0.0)
    mean = fast.sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    for _ in range(3):
        loud = _mean_about(np.where(seen, fast - mean, 0.0) ** 2, seen, TEXTURE_REACH)
        weight = np.where(seen, 1.0 / (loud + QUIETEST * np.median(loud[seen]) + SMALLEST), 0.0)
        mean = (weight * fast).sum(axis=0) / np.maximum(weight.sum(axis=0), SMALLEST)
    return np.asarray(mean)


def _mean_about(values: Array, seen: NDArray[np.bool_], reach: tuple[float, float]) -> Array:
    """Gaussian mean of the values seen about each place; `values` are zero elsewhere."""
    share = gaussian_filter(seen.astype(np.float64), reach)
    return np.asarray(gaussian_filter(values, reach) / np.maximum(share, 1e-3))


def _levelled(row: Array) -> Array:
    known = np.isfinite(row)
    at = np.linspace(-1, 1, row.size)
    return row - np.polyval(np.polyfit(at[known], row[known], 1), at)


def votes_of(scenes: Sequence[ColumnMeans | None], measured: Array, variance: Array) -> list[SceneVote | None]:
    """The vote of each strip's scene, beside banding (K, n) measured on known film with its variance."""
    differences = [
        None if scene is None else _difference(scene, row, error)
        for scene, row, error in zip(scenes, measured, variance, strict=True)
    ]
    spectra = [None if off is None else dct(off, norm="ortho") ** 2 for off in differences]
    alive = [spectrum for spectrum in spectra if spectrum is not None]
    if not alive:
        return [None] * len(scenes)
    shared = by_octaves(np.mean(alive, axis=0))
    votes: list[SceneVote | None] = []
    for scene, off, spectrum, error in zip(scenes, differences, spectra, variance, strict=True):
        if scene is None or off is None or spectrum is None:
            votes.append(None)
            continue
        noise = float(np.median(error[np.isfinite(error)]))
        total = np.maximum(_cautious(by_octaves(spectrum)), _cautious(shared))
        power = np.maximum(total - noise, LEAST_SHARE * noise)
        votes.append(_vote(scene, off, power, noise))
    return votes


def _difference(scene: ColumnMeans, measured: Array, variance: Array) -> Array | None:
    """Scene less known film, gaps bridged; None where they share too few samples."""
    known = np.isfinite(scene.density) & np.isfinite(variance)
    if known.any():
        known &= variance < DOUBTFUL * np.median(variance[known])
    if known.sum() < 0.5 * known.size:
        return None
    off = fill(scene.density - measured, known)
    return off - off[known].mean()


def _cautious(power: Array) -> Array:
    """Power by octaves, enlarged by what it may be too small by chance."""
    return power * (1 + CAUTION * np.sqrt(2 / components_of_octave(power.size)))


def _vote(scene: ColumnMeans, difference: Array, power: Array, noise: float) -> SceneVote:
    covariance = covariance_of(power)
    silent = ~np.isfinite(scene.density) | _features(difference, power, noise)
    covariance[np.diag_indices_from(covariance)] += np.where(silent, NO_VOTE, 0.0)
    inverse = cho_solve(cho_factor(covariance, check_finite=False), np.eye(power.size), check_finite=False)
    return SceneVote(np.where(np.isfinite(scene.density), scene.density, 0.0), (inverse + inverse.T) / 2)


def _features(difference: Array, power: Array, noise: float) -> NDArray[np.bool_]:
    """Samples whose disagreement, slow parts aside, is beyond chance, with their neighbours."""
    spectrum = dct(difference, norm="ortho")
    spectrum[:SMOOTH_MODES] = 0.0
    rough = idct(spectrum, norm="ortho")
    scatter = 1.4826 * float(np.median(np.abs(rough)))
    expected = np.sqrt(power[SMOOTH_MODES:].mean() + noise)
    far = np.abs(rough) > FEATURE * min(scatter, expected)
    width = 2 * FEATURE_WIDTH + 1
    return np.convolve(far, np.ones(width), mode="same") > 0
