"""Finds missing and repeated lines: where a replay stopped or a tape was changed, the picture jumps along the film.

No sweep can follow such a jump. It shows as a jump of the lag between a strip and its neighbour along their overlap.
One overlap does not tell in which of the two strips it is; their other overlaps do. The line of the jump is where the
strip's picture changes suddenly.
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

QUICKEST = 32  # one line in so many may film wander from one window to the next
LEAST_WINDOWS = 4  # that follow each other, on each side of a jump
LEAST_LINES = 6  # that are missing or come twice: fewer may be a quick wander
LEAST_UNSEEN = 16  # where no line shows the jump
MOST_PART = 3  # of a strip's lines: more are not looked for
ALIKE_LINES = 3  # by which what two overlaps say of a jump may differ, beside what strips wander
ALONG = 4  # lines on each side of one that tell whether edges are like each other there
BEYOND_DOUBT = 6.0  # in the sum of what edges differ by, in multiples of their texture's median size
BESIDE = 24  # lines on each side of where a jump may be that tell how lines change there
CLEAR = 8.0  # times what they scatter by: such a change is the jump's,
HALF = 0.5  # and so are others of this part of its size,
NEAR = 8  # so many lines from it at most
MARGIN = 1  # line on each side of a jump that may be of both
QUICKER = 3.0  # times than on the mean may film wander for a while
FEWEST_NEAR = 28  # lines beside a jump that tell the lag there
REACH = 6  # lines about the lag of whole windows in which it is looked for there
LEAST_LIKENESS = 0.3  # of two edges' film beside a jump

Read = Callable[[int], tuple[NDArray, Bools]]


@dataclass(frozen=True, slots=True)
class LineBreak:
    """A jump of a strip's picture along the film, lines in the order of the film by the description.

    Lines `stop` to `start` - 1 are unusable. Between the lines before and after them `missing` lines of film are not
    shown; below 0 as many are shown twice. `beside`: indices of the neighbours that reveal the jump.
    """

    strip: int
    stop: int
    start: int
    missing: int
    beside: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    """Consecutive windows of a left edge with smooth lags: their first lines, and the lags of the right edge."""

    first: NDArray[np.int64]
    lag: NDArray[np.int64]

    def covers(self, low: int, high: int, *, of_right: bool) -> bool:
        """Whether it shows lines of the left strip, or of the right one, from before one to behind another."""
        line = self.first + self.lag if of_right else self.first
        return bool(line[0] <= low and line[-1] >= high)


@dataclass(frozen=True, slots=True, eq=False)
class _Jump:
    """Of what a strip and a neighbour show: between which lines (low, high) of the strip, and how far on the neighbour
    shows the same before it and behind it. `windows`: how many lie between; `wander`: by how much more a line that goes
    on the lag grows, before and behind together."""

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
    """Missing and repeated lines of all strips, found by their edges' `profiles`.

    Only the strips concerned are read, by `read`: samples and the mask of lost ones (n_lines, n_samples), lines as
    scanned.
    """
    n_lines = min(strip.n_lines for strip in frame.strips)
    cut = replace(cut_film(frame, 1.0), lag=min(MOST_LAG_LINES, n_lines // MOST_PART))
    if not cut.first or len(frame.strips) < 2:
        return ()
    runs = shared_out(lambda k: _runs(profiles[k], profiles[k + 1], cut), range(len(profiles) - 1), threads)
    return tuple(
        found
        for strip in range(len(profiles))
        for of_neighbours in _told(strip, runs, cut)
        if (found := _measured(frame, strip, of_neighbours, profiles, read, cut)) is not None
    )


def _runs(left: EdgeProfiles, right: EdgeProfiles, cut: Cut) -> list[_Run]:
    """The runs of a seam along which the lag changes no faster than by wander, in the order of lines."""
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
        if found and _is_one(found[-1], run, cut):
            before = found.pop()
            run = _Run(*(np.concatenate(pair) for pair in ((before.first, run.first), (before.lag, run.lag))))
        found.append(run)
    return found


def _is_one(a: _Run, b: _Run, cut: Cut) -> bool:
    """Whether two runs may be one: wander as fast as in either may lead from one to the other, or they interleave."""
    apart = (b.first[0] - a.first[-1]) / cut.lines
    change = max(float(np.abs(np.diff(run.lag)).sum()) * cut.lines / (run.first[-1] - run.first[0]) for run in (a, b))
    wander = FOLLOWS_LINES + QUICKER * change * apart
    return bool(apart <= 0 or abs(b.lag[0] - a.lag[-1]) < max(LEAST_LINES, wander))


def _jumps(runs: Sequence[_Run], cut: Cut, *, of_right: bool) -> list[_Jump]:
    """The jumps of a seam, in lines of its left or of its right strip."""
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
    off = line - line.mean()
    return float(off @ lag / (off @ off))


def _told(strip: int, runs: Sequence[Sequence[_Run]], cut: Cut) -> Iterator[dict[int, _Jump]]:
    """A strip's jumps by its neighbours: confirmed by both, or by one if the other shows nothing and the first one's
    other overlap proves that it does not jump itself."""

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
                if of_right:  # once for both
                    yield {left_or_right: jump, strip + 1: same}
            elif any(run.covers(low, high, of_right=of_right) for run in of(beyond)) and not any(
                run.covers(jump.low, jump.high, of_right=not of_right) for run in of(across)
            ):
                yield {left_or_right: jump}


def _is_same(one: _Jump, other: _Jump) -> bool:
    apart = abs(one.missing - other.missing)
    near = max(one.low, other.low) < min(one.high, other.high)
    return near and apart <= ALIKE_LINES + FOLLOWS_LINES * max(one.windows, other.windows)


def _measured(
    frame: Frame, strip: int, told: dict[int, _Jump], profiles: Sequence[EdgeProfiles], read: Read, cut: Cut
) -> LineBreak | None:
    """A jump located exactly by the strip's samples and the neighbours that revealed it; None if they disagree."""
    order = slice(None, None, -1 if frame.strips[strip].is_reversed else 1)
    dn, lost = (part[order] for part in read(strip))
    low, high = max(jump.low for jump in told.values()), min(jump.high for jump in told.values())
    low, high = _bounds(strip, told, profiles, max(low, 0), min(high, len(dn)))
    stop, start = _sudden(dn, lost, low, high) or (low, high)
    least = LEAST_LINES if (stop, start) != (low, high) else LEAST_UNSEEN
    said = []
    for neighbour, jump in told.items():
        side = int(neighbour > strip)
        here = _parted(profiles[strip], side, (0, stop, start, len(dn)))
        there = _parted(profiles[neighbour], 1 - side, (0, frame.strips[neighbour].n_lines))
        few, many = max(cut.lines // 2, FEWEST_NEAR), 2 * cut.lines
        near, far = (_lags(here, there, jump, stop, start, n) for n in (few, many))
        if near and far and not _wanders(near, far, (many - few) / 2, start - stop + few):
            missing = far[1] - far[0] - jump.wander * cut.lines
            said += [missing] if abs(missing - jump.missing) <= ALIKE_LINES + FOLLOWS_LINES * jump.windows else []
    if not said or np.ptp(said) > ALIKE_LINES:
        return None
    most_likely = round(float(np.mean(said)))
    return LineBreak(strip, stop, start, most_likely, tuple(sorted(told))) if abs(most_likely) >= least else None


def _lags(here: Array, there: Array, jump: _Jump, stop: int, start: int, n: int) -> tuple[float, float] | None:
    """The lags of the last `n` lines before a jump and of the first `n` after it; None if they are not found."""
    before = _lag(here, there, slice(stop - n, stop), jump.before)
    behind = _lag(here, there, slice(start, start + n), jump.behind)
    return None if before is None or behind is None else (before, behind)


def _wanders(near: tuple[float, float], far: tuple[float, float], apart: float, over: float) -> bool:
    """Whether film that wanders as quickly as it does there may show what looks like a jump over so many lines; the
    lags `near` it are those of lines that lie `apart` from those of the lags farther off."""
    quickest = max(abs(a - b) for a, b in zip(near, far, strict=True)) / apart
    return abs(near[1] - near[0]) <= QUICKER * quickest * over


def _bounds(
    strip: int, told: dict[int, _Jump], profiles: Sequence[EdgeProfiles], low: int, high: int
) -> tuple[int, int]:
    """The lines between `low` and `high` between which a strip jumps as its edges show: up to there they are like the
    neighbours' film before it, and from there on like that behind it."""
    for_before = np.zeros(high - low)
    for neighbour, jump in told.items():
        side = int(neighbour > strip)
        here = _parted(profiles[strip], side, (low, high))[low:high]
        there = _parted(profiles[neighbour], 1 - side, (0, profiles[neighbour].value.shape[1]))
        unlike = [_unlike(here, there, low + lag) for lag in (jump.before, jump.behind)]
        for_before += unlike[1] - unlike[0]
    up_to = np.cumsum(for_before)
    near = np.flatnonzero(up_to > up_to.max() - BEYOND_DOUBT) if up_to.size else np.zeros(1, np.int64)
    return max(low + int(near[0]) + 1 - ALONG, low), min(low + int(near[-1]) + 1 + ALONG, high)


def _unlike(here: Array, there: Array, first: int) -> Array:
    """Difference, line by line, between a stretch of an edge and the neighbour from line `first` on, tolerant of
    wander."""
    around = np.pad(there, here.size + FOLLOWS_LINES)[first + here.size :][: here.size + 2 * FOLLOWS_LINES]
    shown = np.lib.stride_tricks.sliding_window_view(around, here.size)
    return np.asarray(uniform_filter1d(np.abs(here - shown), 2 * ALONG + 1, axis=1).min(axis=0))


def _sudden(dn: NDArray, lost: Bools, low: int, high: int) -> tuple[int, int] | None:
    """The lines (stop, start), from `low` to `high`, between which a strip's picture jumps; None if no change between
    adjacent lines stands out."""
    told = np.flatnonzero(2 * np.count_nonzero(lost, axis=1) < dn.shape[1])
    told = told[(told >= low - BESIDE) & (told < high + BESIDE)]
    some = np.where(lost[told], np.nan, dn[told].astype(np.float64))
    change = np.nanmean(np.abs(np.diff(some, axis=0)), axis=1) if told.size > 1 else np.zeros(0)
    inside = (told[1:] > low) & (told[:-1] < high)
    if not inside.any():
        return None
    usual = float(np.median(change))
    over = np.where(inside, change - usual, 0.0)
    if over.max() < CLEAR * TO_SIGMA * float(np.median(np.abs(change - usual))):
        return None
    at = np.flatnonzero(over > HALF * over.max())
    at = at[np.abs(at - over.argmax()) <= NEAR]
    return int(told[at[0]]) + 1 - MARGIN, int(told[at[-1] + 1]) + MARGIN


def _parted(profile: EdgeProfiles, side: int, ends: Sequence[int]) -> Array:
    """The texture of an edge, in parts of it by themselves; of every second one nothing."""
    found = np.zeros(profile.value.shape[1])
    for first, stop in zip(ends[::2], ends[1::2], strict=True):
        found[first:stop] = rough(profile.value[side, first:stop], profile.missing[side, first:stop])[0]
    return found


def _lag(here: Array, there: Array, lines: slice, about: int) -> float | None:
    """Lag of the neighbour on some lines of an edge, to a fraction of a line; None if it is not found."""
    room = slice(lines.start + about - REACH, lines.stop + about + REACH)
    if min(lines.start, room.start) < 0 or lines.stop > here.size or room.stop > there.size:
        return None
    window, around = here[lines], there[room]
    square = np.convolve(around**2, np.ones(window.size), "valid") * np.sum(window**2)
    alike = np.correlate(around, window, "valid") / np.sqrt(np.maximum(square, TINY))
    best = int(alike.argmax())
    if alike[best] < LEAST_LIKENESS or not 0 < best < alike.size - 1:
        return None
    a, b, c = alike[best - 1 : best + 2].tolist()
    return float(about - REACH + best + 0.5 * (a - c) / (a - 2 * b + c))
