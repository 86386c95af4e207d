"""The pitch with which a column profile repeats, and folding at a pitch that is no whole number of columns."""

import numpy as np
from scipy.fft import dct, idct

from calib.coordinates import Array

SHORTEST = 12.0  # columns
FEWEST_REPEATS = 3
CHANCE = 1e-4  # that a profile without any pitch shows one as clear
STEP = 0.25  # columns between pitches that are tried
MOST_TRIED = 20_000


def find_period(profile: Array, moon: Array) -> float | None:
    """The pitch (columns) at which a profile repeats itself best; None where no pitch stands out of chance.

    For each pitch the correlation of the profile with itself one to three pitches on is taken, after every octave was
    brought to equal power, so that its scatter without a pitch is that of white noise, 1 / sqrt(n).
    """
    n = profile.size
    if n < FEWEST_REPEATS * SHORTEST:
        return None
    white = _whitened(profile, moon)
    if not white.any():
        return None
    pitches = np.linspace(
        SHORTEST, n / FEWEST_REPEATS, min(int((n / FEWEST_REPEATS - SHORTEST) / STEP) + 1, MOST_TRIED)
    )
    score = np.array([_score(white, pitch) for pitch in pitches])
    best = int(np.argmax(score))
    threshold = np.sqrt(2 * np.log(pitches.size / CHANCE))
    if score[best] < threshold:
        return None
    first = _shortest(pitches, score, best, threshold)
    near = pitches[first] + np.linspace(-STEP, STEP, 21)
    return float(near[int(np.argmax([_score(white, pitch) for pitch in near]))])


def _whitened(profile: Array, moon: Array) -> Array:
    """The profile with all its octaves at one power, slow ones (which are the Moon's) left out."""
    spectrum = dct(profile, norm="ortho")
    first = 4
    white = np.zeros_like(spectrum)
    while first < spectrum.size:
        part = slice(first, min(2 * first, spectrum.size))
        scale = np.sqrt(np.mean(spectrum[part] ** 2))
        excess = max(np.mean(spectrum[part] ** 2) - np.mean(moon[part]), 0.0)
        white[part] = spectrum[part] / scale * np.sqrt(excess) / scale if scale > 0 else 0.0
        first *= 2
    whole = idct(white, norm="ortho")
    return whole / whole.std() if whole.std() > 0 else np.zeros_like(whole)


def _score(white: Array, pitch: float) -> float:
    """Correlation with itself over one to three pitches, in its own scatter."""
    total, count = 0.0, 0
    at = np.arange(white.size, dtype=np.float64)
    for repeat in (1, 2, 3):
        shift = repeat * pitch
        stop = white.size - int(np.ceil(shift)) - 1
        if stop < white.size // 8:
            break
        total += float((white[:stop] * np.interp(at[:stop] + shift, at, white)).sum())
        count += stop
    return total / np.sqrt(max(count, 1))


def _shortest(pitches: Array, score: Array, best: int, threshold: float) -> int:
    """The best pitch, or the part of it (a half, a third ...) that scores nearly as well: multiples repeat too."""
    for parts in range(6, 1, -1):
        target = pitches[best] / parts
        if target < SHORTEST:
            continue
        near = np.flatnonzero(np.abs(pitches - target) <= 2 * STEP / parts + STEP)
        if near.size and score[near].max() > max(0.8 * score[best], threshold):
            return int(near[np.argmax(score[near])])
    return best


def fold(profile: Array, pitch: float) -> tuple[Array, float]:
    """Median of a profile over its repeats, at whole columns of one pitch, and the number of repeats.

    The median keeps a feature that one strip alone has out of what all share.
    """
    n, count = round(pitch), profile.size / pitch
    at = np.arange(n) * (pitch / n) + np.arange(int(np.ceil(count)))[:, None] * pitch
    repeats = np.interp(at, np.arange(profile.size), profile)
    repeats[at > profile.size - 1] = np.nan
    return np.nanmedian(repeats, axis=0), count


def unfold(folded: Array, pitch: float, n: int) -> Array:
    """A folded profile repeated over `n` columns."""
    phase = np.arange(n) % pitch * (folded.size / pitch)
    around = np.append(folded, folded[0])
    return np.interp(phase, np.arange(folded.size + 1), around)
