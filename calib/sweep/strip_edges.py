"""Compares strip edges: whether two edges show the same film, as those of neighbouring strips must.

An edge's profile is the mean over the samples that the neighbour shows too, line by line. Its texture is compared in
windows. If two edges show the same film, the best lag of a window is near that of the window before; otherwise it is
random. The number of windows that follow is then binomial, whatever the noise.
Few windows that follow are no proof of different film: in short windows, chance matches may beat the true one. Then the
joint likeness of all windows along one smooth course of lags decides, compared with that of windows of different film.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.special import bdtrc, stdtr

from calib.coordinates import FilmPoints
from calib.frame.frame import Frame
from calib.median import TO_SIGMA
from calib.sweep.model import StripSweep, to_scan
from calib.sweep.nominal import marks_in_reach

LEAST_SAMPLES = 3  # of an overlap
SMOOTH_LINES = 33  # window of the running mean that is subtracted: slower changes are level and drift, not texture
CLIP = 1.0  # texture is clipped at this multiple of its median size, so that a shadow's rim does not dominate
WINDOW_LINES = (32, 256)  # least and greatest height of a window
WINDOWS = 24  # windows that the film is divided into; of longer film only this many are compared,
RUNS = 4  # in this many runs of consecutive windows
# A window follows if its lag differs by at most FOLLOWS_LINES from that of one of the last LEADERS windows, which must
# be at most NEAR_WINDOWS windows away.
FOLLOWS_LINES = 2
LEADERS = 2
NEAR_WINDOWS = 3
LEAST_STRANGERS = 3  # pairings of windows of different film needed to estimate the chance likeness of a course
LEAST_SEEN = 0.3  # of a window that must have texture
MOST_LAG_LINES = 400
TINY = 1e-12
DIFFERENCES = 4  # order of the differences of lines that separate noise from film
ROOM_PX = 6.0  # around a mark that is masked, for the spot and the error of its place

Bools = NDArray[np.bool_]
Spectra = NDArray[np.complex64]


@dataclass(frozen=True, slots=True, eq=False)
class EdgeProfiles:
    """Mean DN of a strip's first and last samples on each line, (2, n_lines), and the mask of unknown ones, `missing`.

    Lines are in the order of the film by the description. `noise_dn`: 1-sigma of such a mean.
    """

    value: NDArray[np.float32]
    missing: Bools
    noise_dn: float


@dataclass(frozen=True, slots=True, eq=False)
class EdgeTexture:
    """An edge's texture cut into windows (N,), as spectra of each `window` and of all that lies within the greatest lag
    of it (`room`), and one over the size of what lies there at each lag (`room_scale`), 0 where that is little.
    `over_noise`: the texture's median size over that of noise alone, also where noise hangs together along the lines
    and so hardly averages out."""

    window: Spectra
    room: Spectra
    room_scale: NDArray[np.float32]
    seen: Bools
    over_noise: float


@dataclass(frozen=True, slots=True)
class Cut:
    """Division of the film into windows: their first lines, their height, and the greatest lag."""

    first: tuple[int, ...]
    lines: int
    lag: int

    @property
    def reach(self) -> int:
        """Number of lines within the greatest lag of a window, which are compared by their spectra."""
        return self.lines + 2 * self.lag

    @property
    def by_chance(self) -> float:
        """Upper bound of the probability that a window with a random lag follows."""
        return min(1.0, LEADERS * (2 * FOLLOWS_LINES + 1) / (2 * self.lag + 1))


@dataclass(frozen=True, slots=True)
class Agreement:
    """Evidence that two edges show the same film: the number of windows that could follow, and the probability that as
    many or more follow by chance."""

    windows: int
    chance: float


def overlap_width(frame: Frame) -> int:
    """Nominal number of samples that neighbouring strips share; at least `LEAST_SAMPLES`."""
    n_samples = frame.strips[0].n_samples
    return min(max(round(n_samples - frame.scan.pitch_mm / frame.scan.sample_mm), LEAST_SAMPLES), n_samples)


def edge_profiles(dn: NDArray, lost: Bools, width: int, noise_dn: float, *, is_reversed: bool) -> EdgeProfiles:
    """Profiles of a strip from its samples (n_lines, n_samples), of noise `noise_dn`, and where they are `lost`."""
    order = slice(None, None, -1 if is_reversed else 1)
    edges = (slice(0, width), slice(dn.shape[1] - width, None))
    mean = np.full(width, 1 / width, np.float32)
    value = np.stack([dn[order, edge].astype(np.float32) @ mean for edge in edges])
    missing = np.stack([lost[order, edge].any(axis=1) for edge in edges])
    return EdgeProfiles(value, missing, noise_dn / float(np.sqrt(width)))


def cut_film(frame: Frame, tolerances: float) -> Cut:
    """Windows on the lines in the format, for strips displaced by at most so many tolerances; there may be none."""
    scan, height_mm = frame.scan, frame.camera.format_mm[1]
    n_lines = min(strip.n_lines for strip in frame.strips)
    inside = [max(round((edge - scan.first_line_mm) / scan.line_mm), 0) for edge in (-height_mm / 2, height_mm / 2)]
    low, high = inside[0], min(inside[1], n_lines)
    lines = int(np.clip((high - low) // WINDOWS, *WINDOW_LINES))
    first = np.arange(low, high - lines + 1, lines)
    if first.size > WINDOWS:
        first = np.concatenate([run[: WINDOWS // RUNS] for run in np.array_split(first, RUNS)])
    lag = min(int(np.ceil(tolerances * scan.tolerance_mm / scan.line_mm)) + FOLLOWS_LINES, MOST_LAG_LINES)
    return Cut(tuple(first.tolist()), lines, max(lag, 4 * FOLLOWS_LINES))


def lines_of_marks_and_wedge(frame: Frame, sweep: StripSweep, strip: int, width: int) -> Bools:
    """Mask (2, n_lines) of the lines of the edges' profiles that show a reseau mark or the wedge, which are alike in
    all strips."""
    scan, reseau = frame.scan, frame.film.reseau
    raster = frame.strips[strip]
    shown = np.zeros((2, raster.n_lines), np.bool_)
    y_mm = scan.first_line_mm + np.arange(raster.n_lines) * scan.line_mm
    for patch in frame.film.wedge.patches:
        shown |= (y_mm > patch.y_mm[0] - scan.tolerance_mm) & (y_mm < patch.y_mm[1] + scan.tolerance_mm)
    marks = marks_in_reach(sweep, frame.marks, reseau.arm_mm)
    at = to_scan(sweep, FilmPoints(frame.marks.x_mm[marks], frame.marks.y_mm[marks]))
    line = raster.n_lines - 1 - at.line if raster.is_reversed else at.line
    for side, edge in enumerate(((0, width), (raster.n_samples - width, raster.n_samples))):
        beyond = np.maximum(edge[0] - at.sample, at.sample - edge[1]) * scan.sample_mm
        crossed = beyond < reseau.arm_mm + ROOM_PX * scan.sample_mm
        half_mm = np.where(beyond < reseau.width_mm / 2 + ROOM_PX * scan.sample_mm, reseau.arm_mm, reseau.width_mm / 2)
        half = half_mm / scan.line_mm + ROOM_PX
        first, stop = np.rint([line - half, line + half + 1]).clip(0).astype(np.int64)
        for low, high in zip(first[crossed].tolist(), stop[crossed].tolist(), strict=True):
            shown[side, low:high] = True
    return shown


def of_scene(frame: Frame, profiles: Sequence[EdgeProfiles], sweeps: Sequence[StripSweep]) -> list[EdgeProfiles]:
    """The strips' profiles with the lines of marks and wedge marked as missing."""
    width = overlap_width(frame)
    known = [lines_of_marks_and_wedge(frame, sweep, k, width) for k, sweep in enumerate(sweeps)]
    return [replace(p, missing=p.missing | lines) for p, lines in zip(profiles, known, strict=True)]


def edge_texture(profile: EdgeProfiles, side: int, cut: Cut, *, is_turned: bool = False) -> EdgeTexture:
    """The texture of a strip's edge of the first samples (side 0) or of the last (1); with `is_turned`, as if the strip
    were turned end to end."""
    order = slice(None, None, -1 if is_turned else 1)
    return texture(profile.value[side, order], profile.missing[side, order], profile.noise_dn, cut)


def texture(value: NDArray[np.float32], missing: Bools, noise_dn: float, cut: Cut) -> EdgeTexture:
    """The texture of a profile (n_lines,) with noise `noise_dn`; 0 where it is `missing`."""
    textured, size_dn = rough(value, missing)
    noise_dn = max(noise_dn, _noise_of_lines(value, missing))
    padded = np.concatenate([np.zeros(cut.lag, np.float32), textured, np.zeros(cut.lag + cut.lines, np.float32)])
    first = np.array(cut.first, dtype=np.int64).reshape(-1)
    window = padded[first[:, None] + cut.lag + np.arange(cut.lines)]
    room = padded[first[:, None] + np.arange(cut.reach)]
    summed = np.cumsum(np.pad(room.astype(np.float64) ** 2, ((0, 0), (1, 0))), axis=1)
    square = summed[:, cut.lines :] - summed[:, : -cut.lines]
    is_there = square >= np.maximum(LEAST_SEEN * np.median(square, axis=1, keepdims=True), TINY)
    scale = np.where(is_there, 1 / np.sqrt(np.maximum(square, TINY)), 0.0)
    return EdgeTexture(
        np.fft.rfft(window, cut.reach).astype(np.complex64), np.fft.rfft(room, cut.reach).astype(np.complex64),
        scale.astype(np.float32), np.mean(window != 0, axis=1) >= LEAST_SEEN,
        TO_SIGMA * size_dn / max(noise_dn, TINY),
    )  # fmt: skip


def rough(value: NDArray[np.float32], missing: Bools) -> tuple[NDArray[np.float32], float]:
    """A profile without its level, clipped to a multiple of its median size, and that size in DN."""
    found = np.zeros(value.size, np.float32)
    if np.count_nonzero(~missing) <= SMOOTH_LINES:
        return found, 0.0
    line = np.arange(value.size)
    whole = np.interp(line, line[~missing], value[~missing])
    smoothed = (whole - uniform_filter1d(whole, SMOOTH_LINES)).astype(np.float32)
    size = float(np.median(np.abs(smoothed[~missing])))
    if size > 0:
        found[~missing] = np.clip(smoothed[~missing] / size, -CLIP, CLIP)
    return found, size


def _noise_of_lines(value: NDArray[np.float32], missing: Bools) -> float:
    """1-sigma, in DN, of what in a profile changes from one line to the next as no film does that a spot has blurred:
    by fourth differences, which hardly see what is smooth over two lines. Nought where too few lines are seen."""
    off = np.abs(np.diff(np.where(missing, np.nan, value).astype(np.float64), n=DIFFERENCES))
    off = off[np.isfinite(off)]
    return TO_SIGMA * float(np.median(off)) / float(np.sqrt(comb(2 * DIFFERENCES, DIFFERENCES))) if off.size else 0.0


def agreement(one: EdgeTexture, other: EdgeTexture, cut: Cut) -> Agreement:
    """The evidence that two edges show the same film."""
    if not cut.first:
        return Agreement(0, 1.0)
    seen = np.flatnonzero(one.seen & other.seen)
    lag, first = likeness(one, other, cut, seen, seen).argmax(axis=1), np.array(cut.first)[seen]
    follow, led = np.zeros(seen.size, np.bool_), np.zeros(seen.size, np.bool_)
    for before in range(1, LEADERS + 1):
        near = first[before:] - first[:-before] <= NEAR_WINDOWS * cut.lines
        led[before:] |= near
        follow[before:] |= near & (np.abs(lag[before:] - lag[:-before]) <= FOLLOWS_LINES)
    n_follow, n_led = int(np.count_nonzero(follow)), int(np.count_nonzero(led))
    return Agreement(n_led, float(bdtrc(n_follow - 1, n_led, cut.by_chance)) if n_follow else 1.0)


def course_by_chance(one: EdgeTexture, other: EdgeTexture, cut: Cut) -> float | None:
    """Probability that windows of different film are as alike along their best course of lags as these are.

    By Student's t, from pairings of windows too far apart to show the same film; None if there are too few of those.
    """
    seen = np.flatnonzero(one.seen & other.seen)
    first = np.array(cut.first, dtype=np.int64)[seen]
    shifted = (np.roll(np.arange(seen.size), n) for n in range(1, seen.size))
    strange = [to for to in shifted if np.all(np.abs(first[to] - first) > cut.lag + cut.lines)]
    if len(strange) < LEAST_STRANGERS:
        return None
    chance = [_best_course(likeness(one, other, cut, seen, seen[to]), first, cut) for to in strange]
    found = _best_course(likeness(one, other, cut, seen, seen), first, cut)
    sigma = max(float(np.std(chance, ddof=1)), TINY) * np.sqrt(1.0 + 1.0 / len(chance))
    return float(stdtr(len(chance) - 1, -(found - float(np.mean(chance))) / sigma))


def _best_course(likeness: NDArray[np.float64], first: NDArray[np.int64], cut: Cut) -> float:
    """The greatest mean likeness of all windows over courses of lags that change no faster than those of real film."""
    best = likeness[0]
    for here, step in zip(likeness[1:], np.diff(first) // cut.lines, strict=True):
        width = 2 * FOLLOWS_LINES * min(int(step), NEAR_WINDOWS) + 1
        best = maximum_filter1d(best, width, mode="nearest") + here
    return float(best.max() / len(likeness))


def likeness(
    one: EdgeTexture, other: EdgeTexture, cut: Cut, of: NDArray[np.int64], to: NDArray[np.int64]
) -> NDArray[np.float64]:
    """The correlation of one edge's windows `of` with the other's `to`, at each lag (N, 2 lag + 1)."""
    window = np.fft.irfft(one.window[of], cut.reach)[:, : cut.lines]
    size = np.sqrt(np.maximum(np.sum(window**2, axis=1, keepdims=True), TINY))
    common = np.fft.irfft(other.room[to] * one.window[of].conj(), cut.reach)[:, : 2 * cut.lag + 1]
    return np.asarray(common * other.room_scale[to] / size)
