"""Finds the pitch at which a column profile repeats, and folds the profile at a pitch that need not be an integer."""

import numpy as np
from scipy.fft import dct, idct
from scipy.special import fdtri

from calib.coordinates import Array
from calib.median import TO_SIGMA
from calib.tone.banding import by_octaves, components_of_octave

SHORTEST = 12.0  # columns
FEWEST_REPEATS = 3
STANDS_OUT = 6.0  # scatters of all pitches' scores above their middle
CONFIDENCE = 0.99  # that an octave holds more than the Moon
SLOWEST = 8  # slower components belong to the Moon
STEP = 0.25  # columns between pitches that are tried
MOST_TRIED = 20_000


def find_period(profile: Array, moon: Array) -> float | None:
    """The pitch (columns) at which a profile repeats itself best; None where no pitch stands out.

    For each pitch the correlation of the profile with itself one to three pitches on is taken, after every octave was
    given the weight of what it holds beyond the Moon; a true pitch stands out of the scores of all others.
    """
    n = profile.size
    if n < FEWEST_REPEATS * SHORTEST:
        return None
    white = _whitened(profile, moon)
    if not white.any():
        return None
    count = min(int((n / FEWEST_REPEATS - SHORTEST) / STEP) + 1, MOST_TRIED)
    pitches = np.linspace(SHORTEST, n / FEWEST_REPEATS, count)
    score = np.array([_score(white, pitch) for pitch in pitches])
    scatter = TO_SIGMA * float(np.median(np.abs(score - np.median(score))))
    threshold = float(np.median(score)) + STANDS_OUT * scatter
    best = int(np.argmax(score))
    if score[best] < threshold:
        return None
    first = _shortest(pitches, score, best, threshold)
    near = pitches[first] + np.linspace(-STEP, STEP, 21)
    return float(near[int(np.argmax([_score(white, pitch) for pitch in near]))])


def _whitened(profile: Array, moon: Array) -> Array:
    """The profile with all octaves that hold banding for sure at one power; the others left out."""
    spectrum = dct(profile, norm="ortho")
    power = by_octaves(spectrum**2)
    freedom = components_of_octave(power.size)
    sure = (power > moon * fdtri(freedom, freedom, CONFIDENCE)) & (np.arange(power.size) >= SLOWEST)
    white = np.where(sure, spectrum / np.sqrt(np.maximum(power, 1e-300)), 0.0)
    return np.asarray(idct(white, norm="ortho"))


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
