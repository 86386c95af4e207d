"""Finds breaks of a strip, where lines are missing or come twice: its picture jumps along the film.

That happens where a replay was stopped or a tape changed, and no sweep can follow it. The lag between the strip and a
neighbour that shows the same film jumps too. One overlap does not tell which of its two strips has the break; the other
overlaps of both strips decide that. The line of the break is where the strip's picture changes suddenly.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from calib.coordinates import Array
from calib.frame.frame import Frame
from calib.median import TO_SIGMA
from calib.ordered import shared_out
from calib.sweep.strip_edges import (
    FOLLOWS_LINES,
    LEADERS,
    MOST_LAG_LINES,
    NEAR_WINDOWS,
    TINY,
    Bools,
    Cut,
    EdgeProfiles,
    cut_film,
    edge_texture,
    likeness,
    rough,
)

QUICKEST = 32  # the lag of film that wanders changes by at most one line in so many from one window to the next
LEAST_WINDOWS = 4  # consecutive windows required on each side of a jump
LEAST_LINES = 6  # least number of missing or repeated lines: fewer may be a quick wander
LEAST_UNSEEN = 16  # the same where no line shows the jump
MOST_PART = 3  # a jump is at most 1 / MOST_PART of the shortest strip's lines
ALIKE_LINES = 3  # lines by which two overlaps' estimates of a jump may differ, in addition to the wander of strips
ALONG = 4  # lines on each side of a line over which the unlikeness of two edges is averaged
BEYOND_DOUBT = 6.0  # drop of the summed unlikeness, in units of the texture's median size, that bounds a jump's place
BESIDE = 24  # lines on each side of where a jump may be, for the usual change from line to line
CLEAR = 8.0  # multiple of the scatter of changes from which a change belongs to the jump,
HALF = 0.5  # as do others of at least this fraction of it
NEAR = 8  # that are at most so many changes away
MARGIN = 1  # lines on each side of a jump that may show both sides of it
QUICKER = 3.0  # factor by which film may wander faster than on average for a while
FEWEST_NEAR = 28  # fewest lines beside a jump for the lag there
REACH = 6  # lines around the lag of whole windows in which the lag beside a jump is searched
LEAST_LIKENESS = 0.3  # least correlation of two edges' film beside a jump

Read = Callable[[int], tuple[NDArray, Bools]]


@dataclass(frozen=True, slots=True)
class LineBreak:
    """A place where a strip's picture jumps along the film.

    Lines `stop` to `start` (exclusive) are unusable. Between the lines before and after them, `missing` lines of film
    are not shown (beside the unusable ones); if negative, as many are shown twice. Lines are in the order of the film
    by the stated scan. `beside`: the neighbours whose overlaps show the jump.
    """

    strip: int
    stop: int
    start: int
    missing: int
    beside: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """Consecutive windows of a left edge along which the lag changes slowly: their first lines, and the lags (n,), in
    lines, at which the right edge shows the same film."""

    first: NDArray[np.int64]
    lag: NDArray[np.int64]

    def covers(self, low: int, high: int, *, of_right: bool) -> bool:
        """Whether the run covers the lines `low` to `high` of the left strip, or of the right one (`of_right`)."""
        line = self.first + self.lag if of_right else self.first
        return bool(line[0] <= low and line[-1] >= high)


@dataclass(frozen=True, slots=True, eq=False)
class _Jump:
    """A jump of the lag between a strip and a neighbour, between the lines `low` and `high` of the strip.

    `before`, `behind`: the neighbour's lag, in lines, before and after it. `windows`: number of windows between.
    `wander`: sum of the slopes of the lag, in lines per line, before and after it.
    """

    low: int
    high: int
    before: int
    behind: int
    windows: int
    wander: float

    @property
    def missing(self) -> int:
        return self.behind - self.before


def line_breaks(frame: Frame, profiles: Sequence[EdgeProfiles], read: Read, threads: int = 1) -> tuple[LineBreak, ...]:
    """The breaks of all strips, from their edges' `profiles`.

    Only strips with a jump are read: `read(k)` returns the samples and the mask of lost ones, (n_lines, n_samples), in
    the order of scanning.
    """
    n_lines = min(strip.n_lines for strip in frame.strips)
    cut = replace(cut_film(frame, 1.0), lag=min(MOST_LAG_LINES, n_lines // MOST_PART))
    if not cut.first or len(frame.strips) < 2:
        return ()
    runs = shared_out(lambda k: _runs(profiles[k], profiles[k + 1], cut), range(len(profiles) - 1), threads)
    return tuple(
        found
        for strip in range(len(profiles))
        for by_neighbour in _jumps_seen(strip, runs, cut)
        if (found := _measured(frame, strip, by_neighbour, profiles, read, cut)) is not None
    )


def _runs(left: EdgeProfiles, right: EdgeProfiles, cut: Cut) -> list[_Run]:
    """The runs of a seam, in the order of lines, along which the lag changes no faster than that of wandering film."""
    one, other = edge_texture(left, 1, cut), edge_texture(right, 0, cut)
    seen = np.flatnonzero(one.seen & other.seen)
    if seen.size == 0:
        return []
    lag, first = likeness(one, other, cut, seen, seen).argmax(axis=1) - cut.lag, np.array(cut.first)[seen]
    of_run, follows = np.arange(seen.size), max(FOLLOWS_LINES, cut.lines // QUICKEST)
    for i in range(1, seen.size):
        for j in range(i - 1, max(i - 1 - LEADERS, -1), -1):
            if first[i] - first[j] <= NEAR_WINDOWS * cut.lines and abs(lag[i] - lag[j]) <= follows:
                of_run[i] = of_run[j]
                break
    long = np.flatnonzero(np.bincount(of_run) >= LEAST_WINDOWS)
    found: list[_Run] = []
    for run in (_Run(first[of_run == k], lag[of_run == k]) for k in long.tolist()):
        if found and _is_continuous(found[-1], run, cut):
            before = found.pop()
            run = _Run(*(np.concatenate(pair) for pair in ((before.first, run.first), (before.lag, run.lag))))
        found.append(run)
    return found


def _is_continuous(a: _Run, b: _Run, cut: Cut) -> bool:
    """Whether two runs are one: they overlap, or wander as fast as within them explains the change of lag between."""
    apart = (b.first[0] - a.first[-1]) / cut.lines
    change = max(float(np.abs(np.diff(run.lag)).sum()) * cut.lines / (run.first[-1] - run.first[0]) for run in (a, b))
    wander = FOLLOWS_LINES + QUICKER * change * apart
    return bool(apart <= 0 or abs(b.lag[0] - a.lag[-1]) < max(LEAST_LINES, wander))


def _jumps(runs: Sequence[_Run], cut: Cut, *, of_right: bool) -> list[_Jump]:
    """The jumps between the runs of a seam, in lines of its left strip or of its right one (`of_right`)."""
    found = []
    for a, b in pairwise(runs):
        low, high, before, behind = int(a.first[-1]), int(b.first[0]) + cut.lines, int(a.lag[-1]), int(b.lag[0])
        windows = int(b.first[0] - a.first[-1]) // cut.lines
        wander = _slope(a.first[-LEAST_WINDOWS:], a.lag[-LEAST_WINDOWS:])
        wander += _slope(b.first[:LEAST_WINDOWS], b.lag[:LEAST_WINDOWS])
        if of_right:
            low, high, before, behind, wander = low + before, high + behind, -before, -behind, -wander
        found.append(_Jump(low, high, before, behind, windows, wander))
    return found


def _slope(line: NDArray[np.int64], lag: NDArray[np.int64]) -> float:
    """Least-squares slope of lags over lines."""
    off = line - line.mean()
    return float(off @ lag / (off @ off))


def _jumps_seen(strip: int, runs: Sequence[Sequence[_Run]], cut: Cut) -> Iterator[dict[int, _Jump]]:
    """The jumps of a strip, each by neighbour: seen by both neighbours, or by one.

    One suffices if the other overlap shows no run there and the neighbour's own other overlap runs on, so that the
    neighbour itself does not jump.
    """

    def of(seam: int) -> Sequence[_Run]:
        return runs[seam] if 0 <= seam < len(runs) else ()

    for seam, across, beyond in ((strip - 1, strip, strip - 2), (strip, strip - 1, strip + 1)):
        of_right = seam < strip
        left_or_right = strip - 1 if of_right else strip + 1
        for jump in _jumps(of(seam), cut, of_right=of_right):
            there = _jumps(of(across), cut, of_right=not of_right)
            same = next((each for each in there if _is_same(jump, each)), None)
            low, high = jump.low + jump.before, jump.high + jump.behind
            if same is not None:
                if of_right:  # the same jump is met from both seams
                    yield {left_or_right: jump, strip + 1: same}
            elif any(run.covers(low, high, of_right=of_right) for run in of(beyond)) and not any(
                run.covers(jump.low, jump.high, of_right=not of_right) for run in of(across)
            ):
                yield {left_or_right: jump}


def _is_same(one: _Jump, other: _Jump) -> bool:
    """Whether two seams show the same jump of a strip: at overlapping lines and of nearly the same size."""
    apart = abs(one.missing - other.missing)
    overlaps = max(one.low, other.low) < min(one.high, other.high)
    return overlaps and apart <= ALIKE_LINES + FOLLOWS_LINES * max(one.windows, other.windows)


def _measured(
    frame: Frame, strip: int, by_neighbour: dict[int, _Jump], profiles: Sequence[EdgeProfiles], read: Read, cut: Cut
) -> LineBreak | None:
    """A jump of a strip, measured from its samples and from the neighbours that saw it; None if these disagree or the
    jump is too small."""
    order = slice(None, None, -1 if frame.strips[strip].is_reversed else 1)
    dn, lost = (part[order] for part in read(strip))
    low, high = max(jump.low for jump in by_neighbour.values()), min(jump.high for jump in by_neighbour.values())
    low, high = _bounds(strip, by_neighbour, profiles, max(low, 0), min(high, len(dn)))
    stop, start = _sudden_change(dn, lost, low, high) or (low, high)
    least = LEAST_LINES if (stop, start) != (low, high) else LEAST_UNSEEN
    estimates: list[float] = []
    for neighbour, jump in by_neighbour.items():
        side = int(neighbour > strip)
        here = _texture_of_parts(profiles[strip], side, (0, stop, start, len(dn)))
        there = _texture_of_parts(profiles[neighbour], 1 - side, (0, frame.strips[neighbour].n_lines))
        few, many = max(cut.lines // 2, FEWEST_NEAR), 2 * cut.lines
        near, far = (_lags(here, there, jump, stop, start, n) for n in (few, many))
        if near and far and not _wanders(near, far, (many - few) / 2, start - stop + few):
            missing = far[1] - far[0] - jump.wander * cut.lines
            if abs(missing - jump.missing) <= ALIKE_LINES + FOLLOWS_LINES * jump.windows:
                estimates.append(missing)
    if not estimates or np.ptp(estimates) > ALIKE_LINES:
        return None
    most_likely = round(float(np.mean(estimates)))
    if abs(most_likely) < least:
        return None
    return LineBreak(strip, stop, start, most_likely, tuple(sorted(by_neighbour)))


def _lags(here: Array, there: Array, jump: _Jump, stop: int, start: int, n: int) -> tuple[float, float] | None:
    """The lags of the last `n` lines before a jump and of the first `n` after it; None if either is unknown."""
    before = _lag(here, there, slice(stop - n, stop), jump.before)
    behind = _lag(here, there, slice(start, start + n), jump.behind)
    return None if before is None or behind is None else (before, behind)


def _wanders(near: tuple[float, float], far: tuple[float, float], apart: float, over: float) -> bool:
    """Whether wander as fast as beside the apparent jump may explain it `over` so many lines.

    `near` and `far` are the lags (before, after) of short and of long stretches beside it, whose centres are `apart`
    lines apart.
    """
    quickest = max(abs(a - b) for a, b in zip(near, far, strict=True)) / apart
    return abs(near[1] - near[0]) <= QUICKER * quickest * over


def _bounds(
    strip: int, by_neighbour: dict[int, _Jump], profiles: Sequence[EdgeProfiles], low: int, high: int
) -> tuple[int, int]:
    """The range of lines within `low` to `high` in which a strip jumps, from its edges: lines before it are like the
    neighbours' film at the lag before the jump, lines after it like that at the lag after."""
    favours_before = np.zeros(high - low)
    for neighbour, jump in by_neighbour.items():
        side = int(neighbour > strip)
        here = _texture_of_parts(profiles[strip], side, (low, high))[low:high]
        there = _texture_of_parts(profiles[neighbour], 1 - side, (0, profiles[neighbour].value.shape[1]))
        unlike = [_unlikeness(here, there, low + lag) for lag in (jump.before, jump.behind)]
        favours_before += unlike[1] - unlike[0]
    total = np.cumsum(favours_before)
    near = np.flatnonzero(total > total.max() - BEYOND_DOUBT) if total.size else np.zeros(1, np.int64)
    return max(low + int(near[0]) + 1 - ALONG, low), min(low + int(near[-1]) + 1 + ALONG, high)


def _unlikeness(here: Array, there: Array, first: int) -> Array:
    """Smoothed absolute difference, line by line, between a stretch of an edge and the neighbour's lines from `first`
    on: the smallest over lags of up to `FOLLOWS_LINES`, which allows for wander."""
    around = np.pad(there, here.size + FOLLOWS_LINES)[first + here.size :][: here.size + 2 * FOLLOWS_LINES]
    shown = np.lib.stride_tricks.sliding_window_view(around, here.size)
    return np.asarray(uniform_filter1d(np.abs(here - shown), 2 * ALONG + 1, axis=1).min(axis=0))


def _sudden_change(dn: NDArray, lost: Bools, low: int, high: int) -> tuple[int, int] | None:
    """The lines (stop, start) of a jump within `low` to `high` by the strip's picture; None if no change from one line
    to the next stands out. Lines of which half the samples are lost are skipped."""
    seen = np.flatnonzero(2 * np.count_nonzero(lost, axis=1) < dn.shape[1])
    seen = seen[(seen >= low - BESIDE) & (seen < high + BESIDE)]
    values = np.where(lost[seen], np.nan, dn[seen].astype(np.float64))
    change = np.nanmean(np.abs(np.diff(values, axis=0)), axis=1) if seen.size > 1 else np.zeros(0)
    inside = (seen[1:] > low) & (seen[:-1] < high)
    if not inside.any():
        return None
    usual = float(np.median(change))
    over = np.where(inside, change - usual, 0.0)
    if over.max() < CLEAR * TO_SIGMA * float(np.median(np.abs(change - usual))):
        return None
    at = np.flatnonzero(over > HALF * over.max())
    at = at[np.abs(at - over.argmax()) <= NEAR]
    return int(seen[at[0]]) + 1 - MARGIN, int(seen[at[-1] + 1]) + MARGIN


def _texture_of_parts(profile: EdgeProfiles, side: int, ends: Sequence[int]) -> Array:
    """The texture (n_lines,) of an edge, computed separately in the parts from ends[0] to ends[1], ends[2] to ends[3]
    and so on; 0 elsewhere."""
    found = np.zeros(profile.value.shape[1])
    for first, stop in zip(ends[::2], ends[1::2], strict=True):
        found[first:stop] = rough(profile.value[side, first:stop], profile.missing[side, first:stop])[0]
    return found


def _lag(here: Array, there: Array, lines: slice, expected: int) -> float | None:
    """The lag, in lines with fractions, at which the neighbour's edge `there` shows what an edge shows on some `lines`.

    It is the maximum of the correlation within REACH of the lag `expected`, refined by a parabola; None if that lies
    outside the strips, at the end of the range, or is too low.
    """
    room = slice(lines.start + expected - REACH, lines.stop + expected + REACH)
    if min(lines.start, room.start) < 0 or lines.stop > here.size or room.stop > there.size:
        return None
    window, around = here[lines], there[room]
    square = np.convolve(around**2, np.ones(window.size), "valid") * np.sum(window**2)
    correlation = np.correlate(around, window, "valid") / np.sqrt(np.maximum(square, TINY))
    best = int(correlation.argmax())
    if correlation[best] < LEAST_LIKENESS or not 0 < best < correlation.size - 1:
        return None
    a, b, c = correlation[best - 1 : best + 2].tolist()
    return float(expected - REACH + best + 0.5 * (a - c) / (a - 2 * b + c))
