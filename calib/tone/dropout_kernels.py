"""The sample-by-sample loops of the search for dropouts, compiled."""

import numpy as np

from calib.compiled import njit
from calib.tone.dropout_tiles import TILE

QUANTUM = 0.29  # scatter of a value that was rounded to whole DN
REACH = 64  # lines searched for a good neighbour
MOST_CHANCE = 0.9995  # of any value, were the sample good
LOG_REPEAT = float(np.log(0.9995))
LOG_CHANGE = float(np.log(0.0005))
ENTER = np.array([0.0, -15.0, -26.0])  # log odds of garbage, of a constant, starting at a sample
ENTER_LINE = -9.0  # ... and of a line starting in one
LEAVE = -4.0
LOG_COARSE = float(np.log(0.1))  # of a value, were it good: film so likely shows few DN,
LOG_ALIKE = float(np.log(0.85))  # and neighbours in a line are mostly alike (no source)
EDGE = 4  # samples of a line's end that go with a run that comes so near to it
MINIMUM_BLOCK = 12  # samples of a clipped run that may be a dropout
OVERSHOOT = 0.05  # of an edge's height by which a sharpened or resampled strip may pass it
BESIDE = 0.25  # chance that a good sample at an edge lies on the side of this one of its neighbours


@njit(cache=True, nogil=True)
def _neighbours(dn, lost, line, step, near, far, count):  # type: ignore[no-untyped-def]
    """The two nearest good values of each column on one side of a line, and how many there are; of one both are it."""
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
def _log_good(dn, lost, line, scale, clips, sides, counts, beside, good):  # type: ignore[no-untyped-def]
    """Log probability of a line's samples, were they good: flat over the interval that their neighbours span, tails of
    a t law (3 degrees), or by that law near one of the two next to it, as beside an edge. `sides` (4, n_samples),
    `counts` (2, n_samples) and `beside` are space for the neighbours."""
    up, up_far, down, down_far = sides
    n_up, n_down = counts
    _neighbours(dn, lost, line, -1, up, up_far, n_up)
    _neighbours(dn, lost, line, 1, down, down_far, n_down)
    _lost_near(lost, line, beside)
    for sample in range(good.size):
        value, tile = float(dn[line, sample]), scale[sample // TILE]
        clipped = value <= clips[0] or value >= clips[1]
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
        if clipped:  # it stands for all that lies beyond
            chance = max(chance, _share_beyond(low, high, tile, value, value >= clips[1]))
        if n_up[sample] == 0 or n_down[sample] == 0 or beside[sample]:
            # an edge may hide beside a lost line
            chance = max(chance, 0.1 / (2.72 * tile) * _along_line(dn, line, sample, tile))
        good[sample] = np.log(min(chance, MOST_CHANCE))


@njit(cache=True, nogil=True)
def _density_of_good(low, high, scale, value):  # type: ignore[no-untyped-def]
    """Probability per DN of a good sample: flat from `low` to `high`, beyond them a t law's tails, wider by an edge."""
    reach = scale + OVERSHOOT * (high - low)
    off = max(low - value, value - high, 0.0) / reach
    tail = 1.0 + off * off / 3.0
    return 1.0 / ((high - low + 2.72 * reach) * tail * tail)


@njit(cache=True, nogil=True)
def _density_beside(low, high, scale, near):  # type: ignore[no-untyped-def]
    """The same for a sample of one side of an edge, which lies as `near` to the neighbour of its side, or farther
    where the edge was sharpened."""
    chance = 0.0
    for reach in (scale, scale + OVERSHOOT * (high - low)):
        off = near / reach
        tail = 1.0 + off * off / 3.0
        chance = max(chance, BESIDE / (2.72 * reach * tail * tail))
    return chance


@njit(cache=True, nogil=True)
def _share_beyond(low, high, scale, value, upward):  # type: ignore[no-untyped-def]
    """The part of that law that lies beyond a value."""
    reach = scale + OVERSHOOT * (high - low)
    inside = min(max((high - value) if upward else (value - low), 0.0), high - low)
    off = max((value - high) if upward else (low - value), 0.0) / (np.sqrt(3.0) * reach)
    tail = 0.5 * np.sqrt(3.0) * (0.5 * np.pi - np.arctan(off) - off / (1.0 + off * off))  # of (1 + off^2)^-2
    return (inside + reach * tail) / (high - low + 2.72 * reach)


@njit(cache=True, nogil=True)
def _lost_near(lost, line, beside):  # type: ignore[no-untyped-def]
    """Which samples one of the two lines above or below has lost."""
    beside[:] = False
    for other in range(max(line - 2, 0), min(line + 3, lost.shape[0])):
        if other != line:
            for sample in range(beside.size):
                beside[sample] |= lost[other, sample]


@njit(cache=True, nogil=True)
def _along_line(dn, line, sample, scale):  # type: ignore[no-untyped-def]
    """How well a sample goes with its neighbours in the line, relative to one that is their mean."""
    left, right = float(dn[line, max(sample - 1, 0)]), float(dn[line, min(sample + 1, dn.shape[1] - 1)])
    value = float(dn[line, sample])
    if left == value or right == value:
        return 0.0
    off = max(min(left, right) - value, value - max(left, right), 0.0) / scale
    tail = 1.0 + off * off / 3.0
    return 1.0 / ((1.0 + abs(right - left) / (2.72 * scale)) * tail * tail)


@njit(cache=True, nogil=True)
def _mark_line(dn, line, good, chance, state, back):  # type: ignore[no-untyped-def]
    """Most probable states of one line's samples: 0 good, 1 garbage, 2 constant."""
    n = good.size
    whole = good[0]
    garbage = constant = ENTER_LINE + chance[dn[line, 0]]
    for sample in range(1, n):
        value = dn[line, sample]
        gain, repeats = chance[value], value == dn[line, sample - 1]
        best, back[sample, 0] = whole, 0
        if garbage + LEAVE > best:
            best, back[sample, 0] = garbage + LEAVE, 1
        if constant + LEAVE > best:
            best, back[sample, 0] = constant + LEAVE, 2
        own = good[sample]
        if repeats and own > LOG_COARSE:
            own = max(own, LOG_ALIKE)
        now, back[sample, 1] = garbage, 1
        if whole + ENTER[1] > now:
            now, back[sample, 1] = whole + ENTER[1], 0
        if constant + ENTER[1] > now:
            now, back[sample, 1] = constant + ENTER[1], 2
        held, back[sample, 2] = constant + (LOG_REPEAT if repeats else LOG_CHANGE + gain), 2
        if whole + ENTER[2] + gain > held:
            held, back[sample, 2] = whole + ENTER[2] + gain, 0
        if garbage + ENTER[2] + gain > held:
            held, back[sample, 2] = garbage + ENTER[2] + gain, 1
        whole, garbage, constant = best + own, now + gain, held
    state[n - 1] = 0 if whole >= max(garbage, constant) else (1 if garbage >= constant else 2)
    for sample in range(n - 1, 0, -1):
        state[sample - 1] = back[sample, state[sample]]
    for sample in range(EDGE if n > EDGE else 0):
        if state[EDGE - sample] > 0:
            state[EDGE - sample - 1] = state[EDGE - sample]
        if state[n - 1 - EDGE + sample] > 0:
            state[n - EDGE + sample] = state[n - 1 - EDGE + sample]


@njit(cache=True, nogil=True)
def mark_lines(dn, scale, chance, clip_low, clip_high, lost, wanted):  # type: ignore[no-untyped-def]
    """Find the lost samples of the `wanted` lines anew and mark them in `lost`, those marked before no longer used as
    neighbours; one that has no good neighbour in reach stays lost, since nothing speaks for it."""
    n_samples = dn.shape[1]
    lines = np.flatnonzero(wanted)
    found = np.empty((lines.size, n_samples), dtype=np.bool_)
    good, sides = np.empty(n_samples), np.empty((4, n_samples))
    counts, state = np.empty((2, n_samples), np.int8), np.zeros(n_samples, np.int8)
    back, beside = np.zeros((n_samples, 3), np.int8), np.empty(n_samples, np.bool_)
    for index, line in enumerate(lines):
        _log_good(dn, lost, line, scale[line // TILE], (clip_low, clip_high), sides, counts, beside, good)
        _mark_line(dn, line, good, chance, state, back)
        for sample in range(n_samples):
            stays = (dn[line, sample] <= clip_low) | (dn[line, sample] >= clip_high)
            stays |= (counts[0, sample] == 0) & (counts[1, sample] == 0)
            found[index, sample] = (state[sample] > 0) | (lost[line, sample] & stays)
    for index, line in enumerate(lines):
        lost[line] = found[index]


@njit(cache=True, nogil=True)
def lines_near(lost, lines):  # type: ignore[no-untyped-def]
    """Which lines hold, or lie within two lines of, a lost sample of some of the `lines`."""
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
    """Rows (line, first, stop) of all runs of lost samples in some of the `lines`, int32."""
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
    """Set the runs (line, first, stop) of lines from `first` on in a mask."""
    for run in range(runs.shape[0]):
        lost[runs[run, 0] - first, runs[run, 1] : runs[run, 2]] = True


@njit(cache=True, nogil=True)
def _is_run(dn, line, first, stop, value):  # type: ignore[no-untyped-def]
    """Whether exactly the samples `first` to `stop` of a line hold one value, no more to either side."""
    for sample in range(first, stop):
        if dn[line, sample] != value:
            return False
    if first > 0 and dn[line, first - 1] == value:
        return False
    return stop == dn.shape[1] or dn[line, stop] != value


@njit(cache=True, nogil=True)
def _goes_on_smoothly(dn, scale, near, far, first, stop, value):  # type: ignore[no-untyped-def]
    """Whether the film beside a block shows no sign of it: the line next to it is like the one after, not like it."""
    if near < 0 or near >= dn.shape[0]:
        return True
    n_off, n_like = 0, 0
    whole = stop - first == dn.shape[1]
    beyond = min(max(near + (far - near) * TILE, 0), dn.shape[0] - 1)  # where the block does not roughen the tile
    for sample in range(first, stop):
        tile = 6.0 * scale[near // TILE, sample // TILE] + 1.0
        if abs(float(dn[near, sample]) - float(value)) > min(tile, 6.0 * scale[beyond // TILE, sample // TILE] + 1.0):
            n_off += 1
        if far < 0 or far >= dn.shape[0] or abs(float(dn[near, sample]) - float(dn[far, sample])) <= tile:
            n_like += 1
    if whole:  # no film is clipped from edge to edge and then suddenly not, in more than half of its width
        return n_off >= 0.6 * (stop - first)
    return n_off >= 0.85 * (stop - first) and n_like >= 0.85 * (stop - first)


@njit(cache=True, nogil=True)
def mark_clipped_blocks(dn, scale, clip_low, clip_high, lost):  # type: ignore[no-untyped-def]
    """Mark sharp-edged rectangles of clipped samples, as dropped lines make them, in `lost`; whether there are any."""
    n_lines, n_samples = dn.shape
    some = False
    for line in range(n_lines):
        n_clipped = 0
        for sample in range(n_samples):
            n_clipped += (dn[line, sample] <= clip_low) | (dn[line, sample] >= clip_high)
        first = 0 if n_clipped >= MINIMUM_BLOCK else n_samples
        while first < n_samples:
            value = dn[line, first]
            stop = first + 1
            if clip_low < value < clip_high:
                first = stop
                continue
            while stop < n_samples and dn[line, stop] == value:
                stop += 1
            if stop - first >= MINIMUM_BLOCK and not lost[line, first]:
                end = line + 1
                while end < n_lines and _is_run(dn, end, first, stop, value):
                    end += 1
                stands_out = _goes_on_smoothly(dn, scale, line - 1, line - 2, first, stop, value)
                stands_out &= _goes_on_smoothly(dn, scale, end, end + 1, first, stop, value)
                if stands_out:
                    lost[line:end, first:stop] = True
                    some = True
            first = stop
    return some
