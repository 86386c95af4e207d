"""At which line a strip's picture jumps by how many lines, once its ties tell that and about where.

Before the jump an edge shows what its neighbour shows by the lags before it, and behind it by those behind. Of all
lines and whole numbers of lines the likeliest are taken, by both edges together; a jump that the edges do not bear out
against a wander that goes on smoothly is none. Between ties strips wander farther than edges with much texture leave
open: the edges make the lags better, by a polynomial, which a jump is not.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from calib.coordinates import Array
from calib.median import MIDDLE_SQUARE
from calib.sweep.lag_steps import course
from calib.sweep.lags import LagStep
from calib.sweep.line_breaks import LineBreak
from calib.sweep.strip_edges import TINY, EdgeProfiles

ROOM_LINES = 48  # on each side of where the jump may be, by which edges and noise are compared
SIGMAS = 3.0  # by which the number of lines may differ from what the ties tell,
WITHIN = 0.5  # beside this
MOST = 9.0  # in chi-squared, that a line may say: what is no noise says no more
AS_LIKELY = 9.0  # in chi-squared: of lines that differ by less any may be the one (3 sigma)
BORNE_OUT = 30.0  # in chi-squared: so much likelier than a wander is a jump by chance at one place in 10^6 or fewer
SHARP_LINES = 24  # over which the line may be open: what goes over more of them is a wander (by trial, 34 frames)
ORDER = 5  # of the polynomials that lags and levels over those lines follow beside their course,
BENT_LINES = 0.3  # 1-sigma by which the lags may, some of what ties half a hundred lines off leave open
TURNS = 4  # of Gauss and Newton: by then lags have settled to a hundredth of a line (by trial)
MARGIN = 1  # line on each side of a jump that may be of both

Lines = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class _Edge:
    """What an edge shows on some lines (N,) about a jump, NaN where nothing is known, and its neighbour's as a function
    of the line, with where that is known; the lags between them without the jump, and what the edge shows beside the
    neighbour's: so many times as much, and a level (N,) more. `variance` of what is left."""

    line: Lines
    here: Array
    there: CubicSpline
    known: NDArray[np.bool_]
    lag: Array
    gain: float
    level: Array
    variance: float = np.inf

    def shown(self, lag: Array, derivative: int = 0) -> Array:
        """What the neighbour shows at a `lag`, or how that changes from line to line."""
        at = self.line + lag
        near = np.rint(at).astype(np.int64)
        told = (near >= 0) & (near < self.known.size)
        told &= self.known[near.clip(0, self.known.size - 1)]
        return np.where(told, self.there(at, derivative), np.nan)

    def off(self, jump: Array | int) -> Array:
        """By how much each line differs from what the neighbour shows, with the lag `jump` lines longer."""
        return np.asarray(self.here - self.gain * self.shown(self.lag + jump) - self.level)


@dataclass(frozen=True, slots=True, eq=False)
class _Trial:
    """A jump by so many lines at the line where it is likeliest, and the edges' lags and levels with it."""

    missing: int
    at: int
    edges: tuple[_Edge, ...]


def placed(step: LagStep, profiles: Mapping[int, EdgeProfiles]) -> LineBreak | None:
    """The jump of a strip by its and its neighbours' edge `profiles`; None where these do not bear it out."""
    n_lines = profiles[step.strip].value.shape[1]
    line = np.arange(max(step.low - ROOM_LINES, 0), min(step.high + ROOM_LINES, n_lines))
    inside = (line >= step.low) & (line <= step.high)
    if not inside.any():
        return None
    smooth = _trial(step, profiles, line, inside, 0)
    trials = [_trial(step, profiles, line, inside, missing) for missing in _numbers(step)]
    variance = np.min([[edge.variance for edge in trial.edges] for trial in (smooth, *trials)], axis=0)
    if not trials or not np.isfinite(variance).all():
        return None
    against = [_against(trial, variance)[inside] for trial in trials]
    best = int(np.argmin([each.min() for each in against]))
    if against[best].min() > _against(smooth, variance)[0] - BORNE_OUT:
        return None
    near = line[inside][against[best] < against[best].min() + AS_LIKELY]
    if np.ptp(near) > SHARP_LINES:
        return None
    stop, start = int(near[0]) - MARGIN, int(near[-1]) + MARGIN
    return LineBreak(step.strip, stop, start, trials[best].missing, tuple(lags.neighbour for lags in step.sides))


def _numbers(step: LagStep) -> list[int]:
    """How many lines it may be."""
    reach = SIGMAS * step.sigma + WITHIN
    return [n for n in range(int(np.ceil(step.lines - reach)), int(np.floor(step.lines + reach)) + 1) if n]


def _trial(
    step: LagStep, profiles: Mapping[int, EdgeProfiles], line: Lines, inside: NDArray[np.bool_], missing: int
) -> _Trial:
    """A jump by so many lines where it is likeliest."""
    at = (step.low + step.high) // 2
    edges = [_edge(step, side, profiles, line, missing) for side in range(len(step.sides))]
    bend = np.asarray(np.polynomial.legendre.legvander(np.linspace(-1, 1, line.size), ORDER), np.float64)
    for _ in range(TURNS):
        edges = [_fitted(edge, np.where(line >= at, missing, 0), bend) for edge in edges]
        trial = _Trial(missing, at, tuple(edges))
        at = int(line[inside][_against(trial, [edge.variance for edge in edges])[inside].argmin()])
    return replace(trial, at=at)


def _edge(step: LagStep, side: int, profiles: Mapping[int, EdgeProfiles], line: Lines, missing: int) -> _Edge:
    """An edge beside a neighbour, with the lags that ties tell if so many lines are missing."""
    lags = step.sides[side]
    right = int(lags.neighbour > step.strip)
    own, other = profiles[step.strip], profiles[lags.neighbour]
    here = np.where(own.missing[right], np.nan, own.value[right].astype(np.float64))[line]
    there, known = other.value[1 - right].astype(np.float64), ~other.missing[1 - right]
    every = np.arange(there.size)
    whole = np.interp(every, every[known], there[known]) if known.any() else there
    lag = course(lags, missing, (step.low + step.high) / 2, step.roughness, line.astype(np.float64))
    return _Edge(line, here, CubicSpline(every, whole), known, lag, 0.0, np.zeros(line.size))


def _fitted(edge: _Edge, jump: Array, bend: Array) -> _Edge:
    """An edge with the gain, level and lags by which it is most like its neighbour's, one step of Gauss and Newton on;
    `bend` (N, M): what lags and levels may add to their course."""
    shown, slope = edge.shown(edge.lag + jump), edge.shown(edge.lag + jump, 1)
    off = edge.off(jump)
    known = np.isfinite(off) & np.isfinite(slope)
    if np.count_nonzero(known) <= 2 * bend.shape[1] + 1:
        return edge
    known &= off**2 <= MOST * edge.variance if np.isfinite(edge.variance) else known
    design = np.column_stack([edge.gain * slope[:, None] * bend, bend, shown])
    prior = np.concatenate([np.full(bend.shape[1], BENT_LINES**-2.0), np.zeros(bend.shape[1] + 1)])
    noise = edge.variance if np.isfinite(edge.variance) else float(np.var(edge.here[known]))
    found = np.linalg.lstsq(
        np.concatenate([design[known], np.diag(np.sqrt(prior * noise))]),
        np.concatenate([off[known], np.zeros(prior.size)]),
    )[0]
    bent, level, gain = found[: bend.shape[1]], found[bend.shape[1] : -1], float(found[-1])
    better = replace(edge, lag=edge.lag + bend @ bent, gain=edge.gain + gain, level=edge.level + bend @ level)
    left = better.off(jump)
    return replace(better, variance=max(float(np.nanmedian(left**2)) / MIDDLE_SQUARE, TINY))


def _against(trial: _Trial, variance: Sequence[float]) -> Array:
    """What all lines say, in chi-squared, against a trial's jump at each of them."""
    before, behind = np.zeros(trial.edges[0].line.size), np.zeros(trial.edges[0].line.size)
    for edge, of_edge in zip(trial.edges, variance, strict=True):
        for against, jump in ((before, 0), (behind, trial.missing)):
            against += np.minimum(np.nan_to_num(edge.off(jump) ** 2 / of_edge), MOST)
    return np.asarray(np.cumsum(before) - before + np.cumsum(behind[::-1])[::-1])
