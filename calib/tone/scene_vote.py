"""The scene's own evidence on the banding: its column means, with the scene's features treated as their error.

Column means over many lines show the banding, but also the Moon: a ridge along the columns must survive. The variance
of the scene at each wavelength is estimated from its disagreement with the known film, for each strip and over all
strips. Samples where the two disagree beyond chance show a feature of the Moon and do not vote. So the scene never
overrules the known film; it only refines it where they agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct, idct
from scipy.ndimage import gaussian_filter1d

from calib.coordinates import Array
from calib.definite import factor_of, half_solved
from calib.median import TO_SIGMA
from calib.tone.banding import (
    SMALLEST,
    SceneVote,
    Votes,
    by_octaves,
    components_of_octave,
    fill,
    precision_of,
)
from calib.tone.scene_kernels import smoothed

FEWEST_BLOCKS = 12
HALF_SEEN = 0.5  # of a block's lines must show the scene for a sample's mean to count
FAST_SAMPLES = 6.0  # samples, 1-sigma: slower variations are told from the Moon by no weighting
TEXTURE_REACH = (2.0, 6.0)  # blocks, samples: the surroundings that a value's texture is judged by
QUIETEST = 0.05  # of the typical mean square: no place is believed to be quieter
SPARSE = 8  # a typical loudness is read off every so many values, since neighbours are much alike
TURNS = 2  # each brings the mean several times closer to where it settles
SCENE_SHARE = 0.6  # of a block's samples must show the scene
TRIMMED = 0.15  # share of blocks left out at either end of each sample's values
CAUTION = 2.0  # standard errors by which a disagreement may have come out too small
FEATURE = 3.5  # sigma beyond which a sample's disagreement is a feature of the Moon
FEATURE_WIDTH = 2  # samples to either side that go with it
NO_VOTE = 10.0  # variance of a sample that does not vote
LEAST_SHARE = 0.25  # of the known film's error variance: what no comparison with it can tell from none
FEWEST_SHARE = 0.3  # of a strip's samples must be compared with known film
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
    n, ordered = seen.sum(axis=0), np.sort(np.where(seen, _levelled(values, seen), np.inf), axis=0)
    cut, place = (TRIMMED * n).astype(np.int64), np.arange(len(values))[:, None]
    kept = (place >= cut) & (place < n - cut)
    total = np.where(kept, ordered, 0.0).sum(axis=0)
    return np.where(enough, total / np.maximum(n - 2 * cut, 1), 0.0)


def _fast(values: Array, seen: NDArray[np.bool_]) -> Array:
    """Mean of what varies within `FAST_SAMPLES`, weighted by one over its local mean square, found in turn with it."""
    fast = np.where(
        seen, values - _mean_about(values, _share_about(seen, (0.0, FAST_SAMPLES)), (0.0, FAST_SAMPLES)), 0.0
    )
    share = _share_about(seen, TEXTURE_REACH)
    mean = fast.sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    for _ in range(TURNS):
        loud = _mean_about(np.where(seen, fast - mean, 0.0) ** 2, share, TEXTURE_REACH)
        quiet = QUIETEST * np.median(loud[seen][::SPARSE]) + SMALLEST
        weight = np.where(seen, 1.0 / (loud + quiet), 0.0)
        mean = (weight * fast).sum(axis=0) / np.maximum(weight.sum(axis=0), SMALLEST)
    return np.asarray(mean)


def _share_about(seen: NDArray[np.bool_], reach: tuple[float, float]) -> Array:
    """Gaussian share of the places about each that were seen."""
    return np.maximum(smoothed(seen.astype(np.float64), reach), 1e-3)


def _mean_about(values: Array, share: Array, reach: tuple[float, float]) -> Array:
    """Gaussian mean of the values seen about each place, their `share` known; `values` are zero elsewhere."""
    return np.asarray(smoothed(values, reach) / share)


def _levelled(values: Array, seen: NDArray[np.bool_]) -> Array:
    """Blocks (blocks, n_samples) less the straight line through what was seen of each."""
    at = np.linspace(-1, 1, values.shape[1])
    n = np.maximum(seen.sum(axis=1), 1)
    off = at - (seen @ at / n)[:, None]
    mean = np.where(seen, values, 0.0).sum(axis=1) / n
    spread = np.where(seen, off**2, 0.0).sum(axis=1)
    slope = np.where(seen, off * values, 0.0).sum(axis=1) / np.maximum(spread, SMALLEST)
    return np.asarray(values - mean[:, None] - slope[:, None] * off)


@dataclass(frozen=True, slots=True, eq=False)
class _Compared:
    """A strip's scene minus its known film (n_samples,), interpolated except where film is well known (the mask
    `told`); its power by octaves, and the power of the known film's errors in it."""

    off: Array
    told: NDArray[np.bool_]
    power: Array
    noise: float


def votes_of(scenes: Sequence[ColumnMeans | None], measured: Array, variance: Array) -> Votes:
    """Votes of the strips' scenes, judged by the banding (K, n) measured on known film and its variance."""
    compared = {
        strip: found
        for strip, (scene, row, error) in enumerate(zip(scenes, measured, variance, strict=True))
        if scene is not None and (found := _compared(scene, row, error)) is not None
    }
    total = dict(zip(compared, _believed(list(compared.values())), strict=True)) if compared else {}

    def vote(strip: int) -> SceneVote | None:
        scene, found = scenes[strip], compared.get(strip)
        if scene is None or found is None:
            return None
        power = np.maximum(total[strip] - found.noise, LEAST_SHARE * found.noise)
        return _vote(scene, found, power)

    return vote


def _compared(scene: ColumnMeans, measured: Array, variance: Array) -> _Compared | None:
    """The scene compared with known film; None if they share too few samples."""
    told = np.isfinite(scene.density) & np.isfinite(variance)
    told &= variance <= _worst_used(variance[told])
    if told.sum() < max(FEWEST_SHARE * told.size, SMOOTH_MODES + 1):
        return None
    off = scene.density - measured
    off = fill(off, told) - off[told].mean()
    return _Compared(off, told, by_octaves(dct(off, norm="ortho") ** 2) / told.mean(), float(variance[told].mean()))


def _worst_used(variance: Array) -> float:
    """The greatest variance of the samples that are used to estimate a power beyond that of their errors.

    Samples beyond a wedge narrower than the strip are so uncertain that including them would make the estimate worse.
    """
    rising = np.sort(variance)
    count = np.arange(1, rising.size + 1)
    least = round(FEWEST_SHARE * rising.size)
    error = np.cumsum(rising) / count**1.5  # of the mean power, in proportion
    return float(rising[least + int(np.argmin(error[least:]))]) if least < rising.size else np.inf


def _believed(compared: Sequence[_Compared]) -> Array:
    """Powers by octaves (K, n) of the strips' disagreements, estimated cautiously.

    A strip's own power is shrunk to that of all strips as far as their scatter is explained by chance, and increased by
    `CAUTION` standard errors.
    """
    power, share = np.array([each.power for each in compared]), np.mean([each.told for each in compared])
    chance = 2.0 / (share * components_of_octave(power.shape[1]))
    shared = np.maximum(power.mean(axis=0), SMALLEST)
    off = power / shared - 1.0
    unlike = np.maximum((off**2).sum(axis=0) / max(len(power) - 1, 1) - chance, 0.0)
    own = unlike / (unlike + chance)
    variance = own * chance + chance / len(power)
    return np.asarray(shared * (1.0 + own * off) * (1.0 + CAUTION * np.sqrt(variance)))


def _vote(scene: ColumnMeans, compared: _Compared, power: Array) -> SceneVote:
    """The scene as a measurement; samples that do not vote are removed from its weight by Woodbury's formula."""
    weight, seen = precision_of(power), np.isfinite(scene.density)
    silent = np.flatnonzero(~seen | _features(compared, power))
    if silent.size:
        inner = weight[np.ix_(silent, silent)] + np.eye(silent.size) / NO_VOTE
        root = half_solved(factor_of(inner), weight[silent])
        weight = weight - root.T @ root
    return SceneVote(np.where(seen, scene.density, 0.0), weight)


def _features(compared: _Compared, power: Array) -> NDArray[np.bool_]:
    """Mask of the samples whose disagreement, without its slow part, exceeds chance, and of their neighbours."""
    spectrum = dct(compared.off, norm="ortho")
    spectrum[:SMOOTH_MODES] = 0.0
    rough = np.abs(idct(spectrum, norm="ortho"))
    scatter = TO_SIGMA * float(np.median(rough[compared.told]))
    expected = np.sqrt(power[SMOOTH_MODES:].mean() + compared.noise)
    far = compared.told & (rough > FEATURE * min(scatter, expected))
    width = 2 * FEATURE_WIDTH + 1
    return np.convolve(far, np.ones(width), mode="same") > 0
