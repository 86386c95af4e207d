"""Finds lines that have slipped sideways, as happens where a replay loses the synchronisation of the lines.

Their tone may be right, but their place is wrong, and the sweep cannot follow such a step. A line is compared with the
line before in several parts. A slip makes the difference in many parts larger than between nearby lines, and shifting
the line back makes it as small as those. An edge of the picture that runs nearly along the lines moves like a slip, but
only in the parts that it crosses.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare, njit
from calib.median import median_of

PARTS = 12  # of a line, compared separately,
LEAST_PART = 16  # samples of a part, at least: in shorter ones all edges look alike
AROUND = 8  # line-to-line differences on each side whose median is the usual one
SUDDEN = 2.0  # times the usual difference: larger ones are examined
MOST = 4.0  # times the usual difference: the limit of what one part counts, so that it cannot outweigh the others
LEAST = 4  # samples: smaller slips are left to the line jitter
MOST_PART = 6  # a slip is at most a sixth of a line: longer ones leave too little to compare
AS_SMALL = 1.6  # times the usual difference, at most, remains after the slip is undone,
HALVED = 0.5  # and at most this part of the difference before
UNIQUE = 1.25  # times that remains at any other shift, at least
FEWEST = 4  # parts with a sudden difference: more than an edge touches that moves by two parts
# Distances in lines, on both sides, at which a slip must show as well if no slip back follows it.
LASTING = (1, 4)
BESIDE = 3  # samples: a shift farther than this from a slip is a different one
ROUNDING = 1.0 / 6.0  # DN^2: variance of the difference of two rounded numbers


class _Lines(NamedTuple):
    """A strip's lines for compiled code: DN and the mask of lost samples (n_lines, n_samples), the mask of lines with
    lost samples (n_lines,), and the numbers of the usable lines (n,)."""

    dn: NDArray
    lost: NDArray[np.bool_]
    some: NDArray[np.bool_]
    told: NDArray[np.int64]


class _Room(NamedTuple):
    """Work arrays for the comparison of two lines: for each part the usual difference and the one at a shift; for each
    shift the difference that remains."""

    usual: NDArray[np.float64]
    parts: NDArray[np.float32]
    left: NDArray[np.float64]


def slipped_lines(dn: NDArray, lost: NDArray[np.bool_]) -> tuple[tuple[int, int, int], ...]:
    """Runs of slipped lines of `dn` (n_lines, n_samples): first, stop, samples to the right of the other lines.

    Lines of which half or more is `lost` are not used; a strip too narrow for the comparison has no slips.
    """
    count = lost.sum(axis=1)
    told = np.flatnonzero(2 * count < dn.shape[1])
    if told.size <= 2 * AROUND or dn.shape[1] < PARTS * LEAST_PART:
        return ()
    slip, lasts = _slips(_Lines(dn, lost, count > 0, told))
    at = np.flatnonzero(slip)
    back = np.abs(slip[at][:-1] + slip[at][1:]) <= 1
    paired = np.append(back, False) | np.append(False, back)
    slip[at[~(paired | lasts[at])]] = 0
    place = np.cumsum(slip)
    values, many = np.unique(place, return_counts=True)
    away = place - values[np.argmax(many)]
    first = np.flatnonzero(np.diff(away, prepend=0, append=0))  # and where the next run begins
    runs = zip(told[first[:-1]].tolist(), told[first[1:] - 1].tolist(), away[first[:-1]].tolist(), strict=True)
    return tuple((line, last + 1, samples) for line, last, samples in runs if abs(samples) >= LEAST)


@njit(cache=True, nogil=True)
def _slips(lines):  # type: ignore[no-untyped-def]  # pragma: no cover
    """For each usable line its shift in samples to the right of the line before, and whether lines farther away on both
    sides show it too. A line in between that shows both sides may belong to either."""
    told = lines.told
    n, most = told.size, lines.dn.shape[1] // MOST_PART
    slip, lasts, step = np.zeros(n, np.int32), np.zeros(n, np.bool_), np.empty((n, PARTS), np.float32)
    for i in range(1, n):
        _step(lines, told[i - 1], told[i], 0, step[i])
    room = _Room(np.empty(PARTS), np.empty(PARTS, np.float32), np.empty(2 * most + 1))
    sudden = False
    for i in range(1, n):
        sudden_before = sudden
        sudden = _sudden_parts(step, i) >= FEWEST and _usual(step, i, room.usual) >= FEWEST
        if not sudden:
            continue
        at = i
        slip[i] = _slip(lines, told[i - 1], told[i], room)
        if slip[i] == 0 and sudden_before and slip[i - 1] == 0:
            at = i - 1
            slip[at] = _slip(lines, told[i - 2], told[i], room)
        lasts[at] = slip[at] != 0 and _lasts(lines, at - 1, i, slip[at], room)
    return slip, lasts


@njit(cache=True, nogil=True)
def _sudden_parts(step, i):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Number of parts in which a difference may be sudden, by the least ones near it on each side; a first test."""
    count, n = 0, len(step)
    a, b, c = step[max(i - 1, 1)], step[max(i - 2, 1)], step[max(i - 3, 1)]
    d, e, f = step[min(i + 1, n - 1)], step[min(i + 2, n - 1)], step[min(i + 3, n - 1)]
    for part in range(PARTS):
        usual = max(min(a[part], b[part], c[part]), min(d[part], e[part], f[part]))
        count += step[i, part] > np.float32(SUDDEN) * usual
    return count


@njit(cache=True, nogil=True)
def _usual(step, i, usual):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Write the larger of the median differences before and after line `i` to `usual`, for each part.

    Returns the number of parts in which its own difference is sudden.
    """
    count = 0
    for part in range(PARTS):
        before, behind = step[max(i - AROUND, 1) : i, part], step[i + 1 : i + 1 + AROUND, part]
        usual[part] = median_of(before.astype(np.float64)) if before.size > 0 else 0.0
        if behind.size > 0:
            usual[part] = max(usual[part], median_of(behind.astype(np.float64)))
        count += step[i, part] > SUDDEN * usual[part]
    return count


@njit(cache=True, nogil=True)
def _slip(lines, line, other, room):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Shift in samples of the `other` line to the right; 0 if it cannot be determined."""
    left = room.left
    _steps_left(lines, line, other, room)
    slip, clear = _best(left)
    return slip if left[left.size // 2 + slip] <= AS_SMALL and clear > UNIQUE else 0


@njit(cache=True, nogil=True)
def _lasts(lines, before, behind, slip, room):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether lines farther away on both sides show the slip too: an edge keeps moving, a slip stays."""
    told = lines.told
    for k in LASTING:
        if before < k or behind + k >= told.size:
            return False
        _steps_left(lines, told[before - k], told[behind + k], room)
        again, clear = _best(room.left)
        if abs(again - slip) > 1 or clear <= UNIQUE:
            return False
    return True


@njit(cache=True, nogil=True)
def _best(left):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The shift that leaves the smallest difference, 0 if it is no significant slip; and the least difference at any
    other shift over that."""
    most, best = left.size // 2, np.argmin(left)
    if abs(best - most) < LEAST or abs(best - most) > most - BESIDE or left[best] > HALVED * left[most]:
        return 0, 1.0
    beside = np.inf
    for at in range(left.size):
        if abs(at - best) > BESIDE:
            beside = min(beside, left[at])
    return best - most, beside / left[best]


@njit(cache=True, nogil=True)
def _steps_left(lines, line, other, room):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Write the mean difference of the parts at each shift, over the usual one between adjacent lines, to `room.left`.

    Between lines farther apart the usual difference grows with the square of their distance at most.
    """
    usual, parts, left = room
    most, apart = left.size // 2, np.float64(other - line) ** 2
    for shift in range(-most, most + 1):
        _step(lines, line, other, shift, parts)
        total, count = 0.0, 0
        for part in range(PARTS):
            if np.isfinite(parts[part]):
                total, count = total + min(parts[part] / (apart * usual[part]), MOST), count + 1
        left[shift + most] = total / count if 2 * count > PARTS else MOST


@njit(cache=True, nogil=True)
def _step(lines, line, other, shift, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Write the mean square difference of a line and the `other`, moved back by `shift` samples, to `out`.

    There is one for each part; infinite if a part has no counterpart, or half of it or more is lost.
    """
    dn, lost, some = lines.dn, lines.lost, lines.some
    size = dn.shape[1] // PARTS
    first = -(-max(-shift, 0) // size)
    stop = min((dn.shape[1] - max(shift, 0)) // size, PARTS)
    out[:first], out[stop:] = np.inf, np.inf
    begin, end = first * size, stop * size
    if not (some[line] or some[other]):
        _squares(dn[line, begin:end], dn[other, begin + shift : end + shift], size, out[first:stop])
        return
    for part in range(first, stop):
        square, count = np.float32(0), 0
        for sample in range(part * size, (part + 1) * size):
            if not (lost[line, sample] or lost[other, sample + shift]):
                rise = np.float32(dn[line, sample]) - np.float32(dn[other, sample + shift])
                square, count = square + rise * rise, count + 1
        out[part] = square / count + ROUNDING if 2 * count > size else np.inf


@bare(cache=True, nogil=True, fastmath={"reassoc"})
def _squares(here, there, size, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    for part in range(np.uint64(out.size)):
        square = np.float32(0)
        for sample in range(part * np.uint64(size), (part + np.uint64(1)) * np.uint64(size)):
            rise = np.float32(here[sample]) - np.float32(there[sample])
            square += rise * rise
        out[part] = square / np.float32(size) + np.float32(ROUNDING)
