"""Lines that a strip lacks or shows twice, as its ties tell: too few for its raw edges to show them.

How far on a neighbour shows the same changes along the strip as the two of them wander, smoothly, and jumps where lines
are missing, alike beside both neighbours. A jump is told by generalised least squares among the ties about each
place: an integrated Wiener process, the random function that smoothing splines are for (Wahba 1978, J. R. Statist.
Soc. B 40:364), stands for what strips wander. How rough it is the frame's own ties tell, by the middle of what they
depart from straight lines, which some that jump do not change.
"""

from collections.abc import Sequence

import numpy as np

from calib.coordinates import Array
from calib.median import MIDDLE_SQUARE
from calib.sweep.lags import Lags, LagStep
from calib.sweep.model import StripSweep
from calib.sweep.seam import WINDOW_LINES
from calib.sweep.ties import Ties

NEAR = 6  # ties on each side of a place that tell whether the lag jumps there,
FEWEST = 3  # at least
CLEAR_LINES = 0.625 * WINDOW_LINES  # on each side: a tie nearer may have seen both sides of a jump
WORST_LINES = 1.0  # 1-sigma of ties that are asked
FLOOR_LINES = 0.05  # 1-sigma of what ties have in common: their column profile, the strips' skew (as jitter of windows)
TOLD = 6.0  # 1-sigmas of a jump that is looked for in the picture
BESIDE = 2.0  # by each neighbour itself
DISAGREE = 3.5  # 1-sigmas by which two neighbours may differ
FEWEST_LINES = 0.5
SCALE = 100.0  # lines: lengths are counted in these, so that the systems are well scaled
ROUGHNESS = 2.0 ** np.arange(-16, 16)  # lines^2 per SCALE^3 that are tried,
TINY = 1e-12
ASKED, EVERY = 4, 3  # by so many strips, at every third of their places


def lag_steps(ties: Ties, sweeps: Sequence[StripSweep], line_mm: float) -> tuple[LagStep, ...]:
    """Where strips' lags jump beyond doubt beside both neighbours: of each strip the clearest jump."""
    sides = _sides(ties, sweeps, line_mm)
    roughness = _roughness(sides)
    found = (_clearest(k, pair, roughness) for k, pair in enumerate(sides) if len(pair) > 1)
    return tuple(step for step in found if step is not None)


def course(lags: Lags, lines: float, at: float, roughness: float, where: Array) -> Array:
    """The likeliest lags on lines `where` as they would be without a jump by so many `lines` at a place."""
    x, on = (lags.line - at) / SCALE, (where - at) / SCALE
    system = _bordered(x[None], lags.sigma[None], roughness, np.stack([np.ones_like(x), x], axis=-1)[None])[0]
    value = np.concatenate([lags.lag - lines * (x > 0), np.zeros(2)])
    solved = np.linalg.solve(system, value)
    return np.asarray(roughness * _cubic(on[:, None] - x) @ solved[:-2] + solved[-2] + solved[-1] * on)


def _sides(ties: Ties, sweeps: Sequence[StripSweep], line_mm: float) -> list[list[Lags]]:
    """Of each strip the lags beside its neighbours. What both strips' skew adds at a tie's sample is taken off."""
    found: list[list[Lags]] = [[] for _ in sweeps]
    for seam in np.unique(ties.strip).tolist():
        left, right = sweeps[seam], sweeps[seam + 1]
        sigma = np.hypot(np.sqrt(ties.cov[:, 0, 0]), FLOOR_LINES)
        mine = (ties.strip == seam) & (sigma < WORST_LINES)
        here, there = _in_film(ties.line[mine], left), _in_film(ties.line_right[mine], right)
        skew = _at(right, ties.sample_right[mine]) - _at(left, ties.sample[mine])
        lag, sigma = there - here + skew / line_mm, sigma[mine]
        for strip, neighbour, line, towards in ((seam, seam + 1, here, lag), (seam + 1, seam, there, -lag)):
            order = np.argsort(line, kind="stable")
            found[strip].append(Lags(neighbour, line[order], towards[order], sigma[order]))
    return [sorted(pair, key=lambda lags: lags.neighbour) for pair in found]


def _in_film(line: Array, sweep: StripSweep) -> Array:
    """Lines of a strip in the order of the film."""
    return line if sweep.y_line_mm[-1] > sweep.y_line_mm[0] else sweep.n_lines - 1 - line


def _at(sweep: StripSweep, sample: Array) -> Array:
    return np.interp(sample, np.arange(sweep.n_samples), sweep.y_sample_mm)


def _roughness(sides: Sequence[Sequence[Lags]]) -> float:
    """The least roughness of the wander under which the middle one of the jumps, at places all over some strips, is no
    larger than what no jump at all would make of it."""
    some = [pair for pair in sides if pair]
    some = [some[i] for i in np.unique(np.linspace(0, len(some) - 1, ASKED).round().astype(int))] if some else []
    asked = [(lags, _places(pair)[::EVERY]) for pair in some for lags in pair]

    def is_enough(roughness: float) -> bool:
        squared = [np.square(np.divide(*_jumps(lags, at, roughness))) for lags, at in asked]
        told = np.concatenate([np.zeros(0), *squared])
        told = told[told > 0]
        return bool(told.size == 0 or np.median(told) <= MIDDLE_SQUARE)

    low, high = 0, ROUGHNESS.size - 1
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if is_enough(float(ROUGHNESS[middle])) else (middle + 1, high)
    return float(ROUGHNESS[low])


def _places(sides: Sequence[Lags]) -> Array:
    """The places of a strip, half as far from each other as ties must be clear of one, at which it may jump."""
    step = CLEAR_LINES / 2
    cells = np.unique(np.floor(np.concatenate([lags.line for lags in sides]) / step))
    return np.asarray((cells[1:] + cells[:-1] + 1) / 2 * step)


def _clearest(strip: int, sides: Sequence[Lags], roughness: float) -> LagStep | None:
    """The clearest jump of a strip that both its neighbours show."""
    at = _places(sides)
    if at.size == 0:
        return None
    lines, sigma = (np.stack(part) for part in zip(*(_jumps(lags, at, roughness) for lags in sides), strict=True))
    weight = sigma**-2.0
    both_sigma = np.maximum(weight.sum(axis=0), TINY) ** -0.5
    both = np.sum(lines * weight, axis=0) * both_sigma**2
    times = np.abs(both) / both_sigma
    agree = np.abs(lines[0] - lines[1]) < DISAGREE * np.hypot(*sigma)
    agree &= np.all(np.sign(both) * lines > BESIDE * sigma, axis=0) & (np.abs(both) > FEWEST_LINES)
    best = int(np.where(agree, times, 0.0).argmax())
    if not agree[best] or times[best] < TOLD:
        return None
    like = np.flatnonzero(times < 0.5 * times[best])
    first, last = (like[like < best].max(initial=-1) + 1, like[like > best].min(initial=at.size) - 1)
    low, high = int(at[first] - CLEAR_LINES), int(np.ceil(at[last] + CLEAR_LINES))
    near = tuple(_about(lags, float(at[best])) for lags in sides)
    return LagStep(strip, low, high, float(both[best]), float(both_sigma[best]), near, roughness)


def _about(lags: Lags, at: float) -> Lags:
    """The ties nearest to a place on each side, but for those that may have seen both sides."""
    low, high = np.searchsorted(lags.line, (at - CLEAR_LINES, at + CLEAR_LINES))
    near = np.r_[max(low - NEAR, 0) : low, high : min(high + NEAR, lags.line.size)]
    return Lags(lags.neighbour, lags.line[near], lags.lag[near], lags.sigma[near])


def _jumps(lags: Lags, at: Array, roughness: float) -> tuple[Array, Array]:
    """By how much lags jump at places (N,), and the 1-sigma of that, infinite where too few ties tell."""
    low, high = np.searchsorted(lags.line, at - CLEAR_LINES), np.searchsorted(lags.line, at + CLEAR_LINES)
    told = (low >= FEWEST) & (lags.line.size - high >= FEWEST)
    jump, sigma = np.zeros(at.size), np.full(at.size, np.inf)
    if not told.any():
        return jump, sigma
    before, behind = low[told, None] - NEAR + np.arange(NEAR), high[told, None] + np.arange(NEAR)
    of = np.concatenate([before, behind], axis=1)
    there = (of >= 0) & (of < lags.line.size)
    of = of.clip(0, lags.line.size - 1)
    x = (lags.line[of] - at[told, None]) / SCALE
    behind_it = np.broadcast_to(np.arange(2 * NEAR) >= NEAR, x.shape)
    drift = np.stack([np.ones_like(x), x, behind_it], axis=-1)
    system = _bordered(x, np.where(there, lags.sigma[of], 1e3), roughness, drift)
    asked = np.zeros((*system.shape[:2], 2))
    asked[:, : 2 * NEAR, 0], asked[:, -1, 1] = lags.lag[of], 1.0
    solved = np.linalg.solve(system, asked)[:, -1]
    jump[told], sigma[told] = solved[:, 0], np.sqrt(np.maximum(-solved[:, 1], 0.0))
    return jump, sigma


def _bordered(x: Array, sigma: Array, roughness: float, drift: Array) -> Array:
    """The systems (M, n + d, n + d) of generalised least squares of values at `x` (M, n) with what they drift by."""
    n, d = drift.shape[1:]
    system = np.zeros((len(x), n + d, n + d))
    system[:, :n, :n] = roughness * _cubic(x[:, :, None] - x[:, None])
    system[:, np.arange(n), np.arange(n)] += sigma**2
    system[:, :n, n:], system[:, n:, :n] = drift, drift.swapaxes(1, 2)
    return system


def _cubic(apart: Array) -> Array:
    """The generalised covariance of an integrated Wiener process of unit roughness."""
    return np.asarray(np.abs(apart) ** 3 / 12)
