"""Lines that lie beside the others: where a replay loses the beat of the lines, the picture slips along them.

Their tone may be sound, their place is not, and the sweep can follow no such step. A line is compared with the one
before part by part. A slip makes steps in many parts that are larger than those on the lines about it, and they are as
small as those when the line is moved along. An edge of the picture that runs nearly along the lines moves as a slip
does, but only in the parts that it passes.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import bare, njit
from calib.median import median_of

PARTS = 12  # of a line, each compared by itself,
LEAST_PART = 16  # if it has so many samples: in shorter ones all edges look alike
AROUND = 8  # steps on each side of one that tell how large steps are there
SUDDEN = 2.0  # times that is a step which is looked at
MOST = 4.0  # times that counts no more than so much: what else there is in one part must not outweigh the others
LEAST = 4  # samples of a slip: shorter ones are left to the line jitter
MOST_PART = 6  # of a line's samples: longer slips leave too little to compare
AS_SMALL = 1.6  # times the steps about it, at most, are those left once a slip is undone,
HALVED = 0.5  # and at most this part of what they were
UNIQUE = 1.25  # times those are those of any other shift
FEWEST = 4  # parts in which a step must be sudden: more than an edge touches that moves by two of them
# Lines on each side from those of the step to others that must show a slip which is not followed by one back.
LASTING = (1, 4)
BESIDE = 3  # samples from a slip to what counts as another
ROUNDING = 1.0 / 6.0  # DN^2: variance of the difference of two rounded numbers


class _Lines(NamedTuple):
    """A strip's lines, (n_lines, n_samples), as compiled code takes them: DN, what is lost of them, and (n_lines,)
    whether any is; and the numbers (n,) of those that tell anything."""

    dn: NDArray
    lost: NDArray[np.bool_]
    some: NDArray[np.bool_]
    told: NDArray[np.int64]


class _Room(NamedTuple):
    """Room for one comparison of two lines: for each part the usual step and the one at a shift, then what is left of
    the steps at each shift."""

    usual: NDArray[np.float64]
    parts: NDArray[np.float32]
    left: NDArray[np.float64]


def slipped_lines(dn: NDArray, lost: NDArray[np.bool_]) -> tuple[tuple[int, int, int], ...]:
    """Runs of lines of `dn` (n_lines, n_samples) that lie beside most others: first, stop, and by how many samples to
    the right of those. Lines of which half or more is `lost` tell nothing, nor do strips too narrow to be compared."""
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
    """By how many samples each line that tells anything seems to lie to the right of the one before, and which of these
    slips the lines on both sides show too. A line between that shows both may belong to either."""
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
    """In how many parts a step may be sudden, by the least of those next to it on either side: a quick look."""
    count, n = 0, len(step)
    a, b, c = step[max(i - 1, 1)], step[max(i - 2, 1)], step[max(i - 3, 1)]
    d, e, f = step[min(i + 1, n - 1)], step[min(i + 2, n - 1)], step[min(i + 3, n - 1)]
    for part in range(PARTS):
        usual = max(min(a[part], b[part], c[part]), min(d[part], e[part], f[part]))
        count += step[i, part] > np.float32(SUDDEN) * usual
    return count


@njit(cache=True, nogil=True)
def _usual(step, i, usual):  # type: ignore[no-untyped-def]  # pragma: no cover
    """The larger of the middle steps before and behind one, for each part; in how many parts that one is sudden."""
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
    """By how many samples the `other` line lies to the right, 0 where nothing tells it."""
    left = room.left
    _steps_left(lines, line, other, room)
    slip, clear = _best(left)
    return slip if left[left.size // 2 + slip] <= AS_SMALL and clear > UNIQUE else 0


@njit(cache=True, nogil=True)
def _lasts(lines, before, behind, slip, room):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether lines farther off on both sides show a slip too: an edge goes on moving, what has slipped stays."""
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
    """The shift that leaves least, 0 where that is none that counts; times how much any other leaves, at least."""
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
    """Mean step of the parts for each shift, over what is usual from one line to the next (over more it grows by their
    square at most)."""
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
    """Mean square by which the `other` line, moved back by `shift` samples, differs from a line, part by part; infinite
    where a part has no counterpart, or half of it or more is not told."""
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
