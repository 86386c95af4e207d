"""Compiled loops over samples for the search for dropouts."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.compiled import njit
from calib.tone.dropout_tiles import TILE

QUANTUM = 0.29  # DN: 1-sigma of rounding to whole DN
REACH = 64  # lines: how far a good neighbour is searched
MOST_CHANCE = 0.9995  # greatest probability of a value of a good sample
T_AREA = 2.72  # integral of a t distribution of 3 degrees of freedom with peak 1 and scale 1: sqrt(3) pi / 2
LOG_REPEAT = float(np.log(0.9995))
LOG_CHANGE = float(np.log(0.0005))
GOOD, GARBAGE, CONSTANT = 0, 1, 2  # states of a sample
ENTER_GARBAGE, ENTER_CONSTANT = -15.0, -26.0  # log odds that one starts at a sample,
ENTER_LINE = -9.0  # that a line begins in one,
LEAVE = -4.0  # and that one ends at a sample
LOG_COARSE = float(np.log(0.1))  # of a good value: above it film shows few different DN, ...
LOG_ALIKE = float(np.log(0.85))  # ... and neighbours in a line are mostly equal (no source)
EDGE = 4  # samples: a run that comes this near to a line's end is extended to the end
OVERSHOOT = 0.05  # of an edge's height by which a sharpened or resampled strip may overshoot it
EDGE_HIDDEN = 0.1  # probability that an edge lies beside a lost line, where only the line itself shows it
BESIDE = 0.25  # probability that a good sample at an edge lies on the side of a given neighbour


class Neighbours(NamedTuple):
    """Neighbours of the samples of a line, arrays (n_samples,).

    The nearest good values above and below (`up`, `down`) and the next ones (`up_far`, `down_far`), their number on
    each side (0 to 2), and whether one of the two lines on either side is lost there (`beside`).
    """

    up: NDArray[np.float64]
    up_far: NDArray[np.float64]
    down: NDArray[np.float64]
    down_far: NDArray[np.float64]
    n_up: NDArray[np.int8]
    n_down: NDArray[np.int8]
    beside: NDArray[np.bool_]


@njit(cache=True, nogil=True)
def neighbours(n_samples):  # type: ignore[no-untyped-def]
    """Allocated, unfilled `Neighbours` of a line."""
    sides, counts = np.empty((4, n_samples)), np.empty((2, n_samples), np.int8)
    return Neighbours(sides[0], sides[1], sides[2], sides[3], counts[0], counts[1], np.empty(n_samples, np.bool_))


@njit(cache=True, nogil=True)
def _neighbours(dn, lost, line, step, near, far, count):  # type: ignore[no-untyped-def]
    """Fill in the two nearest good values of each column on one side of a line, and their number; if there is only one,
    it stands in both."""
    near[:], far[:], count[:] = 0.0, 0.0, 0
    for other in range(line + step, line + step * (REACH + 1), step):
        if other < 0 or other >= dn.shape[0]:
            break
        values, gone, n_short = dn[other], lost[other], 0
        for sample in range(near.size):
            if count[sample] < 2:
                n_short += 1
                if not gone[sample]:
                    far[sample] = values[sample]
                    near[sample] = far[sample] if count[sample] == 0 else near[sample]
                    count[sample] += 1
        if n_short == 0:
            break


@njit(cache=True, nogil=True)
def _log_good(dn, lost, line, scale, clip, near_by, good):  # type: ignore[no-untyped-def]
    """Log probability of each sample of a line if it is good, written to `good`; fills `near_by` as well.

    It is flat over the interval that the neighbours span, with the tails of a t distribution (3 degrees of freedom).
    Near an edge it is that distribution about one of the two nearest neighbours, if that is more probable.
    """
    up, up_far, down, down_far, n_up, n_down, beside = near_by
    _neighbours(dn, lost, line, -1, up, up_far, n_up)
    _neighbours(dn, lost, line, 1, down, down_far, n_down)
    _lost_near(lost, line, beside)
    for sample in range(good.size):
        value, tile = float(dn[line, sample]), scale[sample // TILE]
        clipped = value <= clip[0] or value >= clip[1]
        good[sample] = 0.0
        if n_up[sample] == 0 and n_down[sample] == 0:
            continue
        if clipped and ((n_up[sample] > 0 and up[sample] == value) or (n_down[sample] > 0 and down[sample] == value)):
            continue
        low, high, near = 1e30, -1e30, 1e30
        if n_up[sample] > 0:
            near = abs(up[sample] - value)
            on = 2 * up[sample] - up_far[sample]
            low, high = min(up[sample], on), max(up[sample], on)
        if n_down[sample] > 0:
            near = min(near, abs(down[sample] - value))
            on = 2 * down[sample] - down_far[sample]
            low, high = min(low, down[sample], on), max(high, down[sample], on)
        chance = max(_density_of_good(low, high, tile, value), _density_beside(low, high, tile, near))
        if clipped:  # it stands for every value beyond
            chance = max(chance, _share_beyond(low, high, tile, value, value >= clip[1]))
        if n_up[sample] == 0 or n_down[sample] == 0 or beside[sample]:
            chance = max(chance, EDGE_HIDDEN / (T_AREA * tile) * _along_line(dn, line, sample, tile))
        good[sample] = np.log(min(chance, MOST_CHANCE))


@njit(cache=True, nogil=True)
def _density_of_good(low, high, scale, value):  # type: ignore[no-untyped-def]
    """Probability per DN of a good sample: flat from `low` to `high`, t-distributed tails beyond, wider at an edge."""
    reach = scale + OVERSHOOT * (high - low)
    off = max(low - value, value - high, 0.0) / reach
    tail = 1.0 + off * off / 3.0
    return 1.0 / ((high - low + T_AREA * reach) * tail * tail)


@njit(cache=True, nogil=True)
def _density_beside(low, high, scale, near):  # type: ignore[no-untyped-def]
    """The same for a sample on one side of an edge, at distance `near` from the neighbour on its side, or farther where
    the edge was sharpened."""
    chance = 0.0
    for reach in (scale, scale + OVERSHOOT * (high - low)):
        off = near / reach
        tail = 1.0 + off * off / 3.0
        chance = max(chance, BESIDE / (T_AREA * reach * tail * tail))
    return chance


@njit(cache=True, nogil=True)
def _share_beyond(low, high, scale, value, upward):  # type: ignore[no-untyped-def]
    """Probability that a good sample lies beyond a value."""
    reach = scale + OVERSHOOT * (high - low)
    inside = min(max((high - value) if upward else (value - low), 0.0), high - low)
    off = max((value - high) if upward else (low - value), 0.0) / (np.sqrt(3.0) * reach)
    tail = 0.5 * np.sqrt(3.0) * (0.5 * np.pi - np.arctan(off) - off / (1.0 + off * off))  # of (1 + off^2)^-2
    return (inside + reach * tail) / (high - low + T_AREA * reach)


@njit(cache=True, nogil=True)
def _lost_near(lost, line, beside):  # type: ignore[no-untyped-def]
    """Mask of the samples that are lost in one of the two lines above or below."""
    beside[:] = False
    for other in range(max(line - 2, 0), min(line + 3, lost.shape[0])):
        if other != line:
            for sample in range(beside.size):
                beside[sample] |= lost[other, sample]


@njit(cache=True, nogil=True)
def _along_line(dn, line, sample, scale):  # type: ignore[no-untyped-def]
    """Probability of a sample given its neighbours in the line, relative to a sample equal to their mean."""
    left, right = float(dn[line, max(sample - 1, 0)]), float(dn[line, min(sample + 1, dn.shape[1] - 1)])
    value = float(dn[line, sample])
    if left == value or right == value:
        return 0.0
    off = max(min(left, right) - value, value - max(left, right), 0.0) / scale
    tail = 1.0 + off * off / 3.0
    return 1.0 / ((1.0 + abs(right - left) / (T_AREA * scale)) * tail * tail)


@njit(cache=True, nogil=True)
def _mark_line(dn, line, good, chance, state, back):  # type: ignore[no-untyped-def]
    """Most probable states of one line's samples by dynamic programming (Viterbi 1967, IEEE Trans. Inf. Theory 13:260).

    `back` (n_samples, 3) is work space for the preceding state of each state.
    """
    n = good.size
    whole = good[0]
    garbage = constant = ENTER_LINE + chance[dn[line, 0]]
    for sample in range(1, n):
        value = dn[line, sample]
        gain, repeats = chance[value], value == dn[line, sample - 1]
        best, back[sample, GOOD] = whole, GOOD
        if garbage + LEAVE > best:
            best, back[sample, GOOD] = garbage + LEAVE, GARBAGE
        if constant + LEAVE > best:
            best, back[sample, GOOD] = constant + LEAVE, CONSTANT
        own = good[sample]
        if repeats and own > LOG_COARSE:
            own = max(own, LOG_ALIKE)
        now, back[sample, GARBAGE] = garbage, GARBAGE
        if whole + ENTER_GARBAGE > now:
            now, back[sample, GARBAGE] = whole + ENTER_GARBAGE, GOOD
        if constant + ENTER_GARBAGE > now:
            now, back[sample, GARBAGE] = constant + ENTER_GARBAGE, CONSTANT
        held, back[sample, CONSTANT] = constant + (LOG_REPEAT if repeats else LOG_CHANGE + gain), CONSTANT
        if whole + ENTER_CONSTANT + gain > held:
            held, back[sample, CONSTANT] = whole + ENTER_CONSTANT + gain, GOOD
        if garbage + ENTER_CONSTANT + gain > held:
            held, back[sample, CONSTANT] = garbage + ENTER_CONSTANT + gain, GARBAGE
        whole, garbage, constant = best + own, now + gain, held
    state[n - 1] = GOOD if whole >= max(garbage, constant) else (GARBAGE if garbage >= constant else CONSTANT)
    for sample in range(n - 1, 0, -1):
        state[sample - 1] = back[sample, state[sample]]
    for sample in range(EDGE if n > EDGE else 0):
        if state[EDGE - sample] != GOOD:
            state[EDGE - sample - 1] = state[EDGE - sample]
        if state[n - 1 - EDGE + sample] != GOOD:
            state[n - EDGE + sample] = state[n - 1 - EDGE + sample]


@njit(cache=True, nogil=True)
def mark_lines(dn, scale, chance, clip, lost, wanted):  # type: ignore[no-untyped-def]
    """Find the lost samples of the `wanted` lines again and write them to `lost`.

    Samples marked before are not used as neighbours. A sample without a good neighbour in reach stays lost, since there
    is no evidence for it.
    """
    n_samples = dn.shape[1]
    lines = np.flatnonzero(wanted)
    found = np.empty((lines.size, n_samples), dtype=np.bool_)
    good, near_by = np.empty(n_samples), neighbours(n_samples)
    state, back = np.zeros(n_samples, np.int8), np.zeros((n_samples, 3), np.int8)
    for index, line in enumerate(lines):
        _log_good(dn, lost, line, scale[line // TILE], clip, near_by, good)
        _mark_line(dn, line, good, chance, state, back)
        for sample in range(n_samples):
            stays = (dn[line, sample] <= clip[0]) | (dn[line, sample] >= clip[1])
            stays |= (near_by.n_up[sample] == 0) & (near_by.n_down[sample] == 0)
            found[index, sample] = (state[sample] != GOOD) | (lost[line, sample] & stays)
    for index, line in enumerate(lines):
        for sample in range(n_samples):
            lost[line, sample] = found[index, sample]


@njit(cache=True, nogil=True)
def lines_near(lost, lines):  # type: ignore[no-untyped-def]
    """Mask of the lines within two lines of a lost sample in the given `lines`, those lines included."""
    n_lines = lost.shape[0]
    near = np.zeros(n_lines, dtype=np.bool_)
    for line in range(n_lines):
        some = False
        for sample in range(lost.shape[1] if lines[line] else 0):
            some |= lost[line, sample]
        if some:
            near[max(line - 2, 0) : min(line + 3, n_lines)] = True
    return near


@njit(cache=True, nogil=True)
def runs_of(lost, lines):  # type: ignore[no-untyped-def]
    """All runs of lost samples in the given `lines`: rows (line, first, stop), int32."""
    n_lines, n_samples = lost.shape
    n = 0
    for line in range(n_lines):
        for sample in range(n_samples if lines[line] else 0):
            if lost[line, sample] and (sample == 0 or not lost[line, sample - 1]):
                n += 1
    runs = np.zeros((n, 3), dtype=np.int32)
    n = 0
    for line in range(n_lines):
        for sample in range(n_samples if lines[line] else 0):
            if lost[line, sample]:
                if sample == 0 or not lost[line, sample - 1]:
                    runs[n, 0], runs[n, 1] = line, sample
                    n += 1
                runs[n - 1, 2] = sample + 1
    return runs


@njit(cache=True, nogil=True)
def fill_runs(runs, first, lost):  # type: ignore[no-untyped-def]
    """Set the runs (line, first, stop) in a mask whose first row is line `first`."""
    for run in range(runs.shape[0]):
        lost[runs[run, 0] - first, runs[run, 1] : runs[run, 2]] = True
