"""Selects the prior's kernels of the wander and the sweep by maximum restricted likelihood of the evidence.

The prior determines the fit between the marks: with too rough a kernel it deviates from the truth, with too smooth a
one it cannot follow it. Order and reach are changed along a grid, one part of the sweep after the other, as long as the
restricted likelihood grows. The evidence keeps the weights of the given fit; prior variances are estimated for every
kernel.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.chain import variances_chain
from calib.coordinates import Array
from calib.sweep.adjust import Start, make_batches, misfit, next_variances
from calib.sweep.evidence import TIE, Observations
from calib.sweep.layout import Layout, Smoothness, make_layout
from calib.sweep.modes import Kernel
from calib.sweep.normals import Sums, WanderProducts, normal_equations, sum_up, with_priors

# Start of the search, on the smooth side: it changes only for a gain, so this stays where the evidence is weak.
FIRST = Smoothness(wander_x=Kernel(3, 0.5), wander_y=Kernel(3, 0.5), sweep=Kernel(3, 1.0))
# No smoother orders: kernels that can be differentiated infinitely often understate the uncertainty where evidence is
# missing (Stein 1999, Interpolation of Spatial Data).
ORDERS = (1, 2, 3, 5)
REACHES = tuple(0.0625 * 2 ** (i / 2) for i in range(13))
SHORTEST = {"wander_y": 0.0625, "wander_x": 0.0625, "sweep": 0.5}  # reach, fractions of the axis
# The deflection is known to be smooth. If all marks stand at the same few samples, likelihood alone lets it oscillate.
ROUGHEST = {"wander_y": 1, "wander_x": 1, "sweep": 3}
ROUNDS = 3  # at most, of the estimation of the prior variances, which starts from those of the previous kernel
SETTLED = 2.0  # gain in misfit expected of a round, below which the variances have settled nearly enough
BETTER = 0.5  # least gain in misfit that justifies another kernel
HOPELESS = 10.0  # loss in misfit by a rougher order, at a suitable reach, after which no other reach of it is tried
MOST_STRIPS = 32  # used for the search: the kernels are common to all strips, and so many determine them well;
FEW_STRIPS = 8  # the number that determine where to start


@dataclass(frozen=True, slots=True, eq=False)
class _Trial:
    """A smoothness, its misfit, the prior variances estimated with it, and the sums over the evidence, which are the
    same for every kernel of the wander."""

    smoothness: Smoothness
    misfit: float
    variances: Array
    sums: Sums


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """What all trials share: strips and places (those of the layout `like`), the weighted evidence, the expected prior
    variances and those that are `free`; and the cache of `normal_equations`."""

    like: Layout
    evidence: Observations
    expected: Array
    free: Sequence[str]
    threads: int
    cache: WanderProducts


def find_smoothness(
    like: Layout, evidence: Observations, start: Start, expected: Array, free: Sequence[str],
    begin: Smoothness = FIRST, most_strips: int = MOST_STRIPS, threads: int = 1,
) -> tuple[Smoothness, Array]:  # fmt: skip
    """The smoothness of greatest restricted likelihood, and the prior variances estimated with it.

    The evidence is weighted as at the `start` of a fit. Strips and places are those of the layout `like`; `expected`
    and `free` as in `adjust`. Of more than `most_strips` strips, the adjacent ones with the most evidence are used. The
    search starts at `begin`.
    """
    trust = start.weight / start.scale[evidence.kind]
    weighted = replace(evidence, information=evidence.information * trust[:, None, None])
    search = _Search(*_strips_with_evidence(like, weighted, most_strips), expected, free, threads, {})
    best = _best_kernel(search, _trial(search, begin, start.variances, None), "wander_y")
    along = best.smoothness.wander_y
    if along != begin.wander_y:
        best = min(best, _with_kernel(search, best, "wander_x", along), key=lambda trial: trial.misfit)
    best = _best_kernel(search, best, "wander_x")
    if begin == FIRST:  # not again later: the sweep is common to all strips, so few strips determine it as well as all
        best = _best_kernel(search, best, "sweep")
    return best.smoothness, best.variances


def _best_kernel(search: _Search, best: _Trial, part: str) -> _Trial:
    """The best trial over reach and order of one part: rougher orders are tried, then smoother ones.

    Both directions are tried, because the misfit may have one minimum at a long and one at a short reach.
    """
    best = _best_reach(search, best, part)
    for step in (-1, 1):
        index = ORDERS.index(getattr(best.smoothness, part).order) + step
        while 0 <= index < len(ORDERS) and ORDERS[index] >= ROUGHEST[part]:
            trial = _of_order(search, best, part, ORDERS[index])
            if step > 0 or trial.misfit < best.misfit + HOPELESS:
                trial = _best_reach(search, trial, part)
            if trial.misfit > best.misfit - BETTER:
                break
            best, index = trial, index + step
    return best


def _of_order(search: _Search, best: _Trial, part: str, order: int) -> _Trial:
    """A trial of another order. A rougher order gets a longer reach, so that the functions look similar."""
    kernel: Kernel = getattr(best.smoothness, part)
    index = REACHES.index(kernel.reach) + (1 if order < kernel.order else -1)
    reach = max(REACHES[min(max(index, 0), len(REACHES) - 1)], SHORTEST[part])
    return _with_kernel(search, best, part, Kernel(order, reach))


def _strips_with_evidence(like: Layout, evidence: Observations, most: int) -> tuple[Layout, Observations]:
    """The layout of the `most` adjacent strips with the most evidence, and the evidence that involves only these."""
    count = len(like.strips)
    if count <= most:
        return like, evidence
    first = int(np.convolve(np.bincount(evidence.a, minlength=count), np.ones(most), "valid").argmax())
    stop = first + most
    inside = (evidence.a >= first) & (evidence.a + (evidence.kind == TIE) < stop)
    if first > 0:  # without marks whose place is an unknown of the strip before
        inside &= (evidence.a > first) | ~np.isin(evidence.mark, np.array(like.places[first - 1], np.int64))
    some = evidence.select(inside)
    strips = {name: getattr(like, name)[first:stop] for name in ("strips", "places", "wander")}
    return replace(like, **strips), replace(some, a=some.a - first)


def _best_reach(search: _Search, best: _Trial, part: str) -> _Trial:
    """The best trial over the reach of one part: hill climbing along the grid."""
    kernel: Kernel = getattr(best.smoothness, part)
    first = index = REACHES.index(kernel.reach)
    for step in (1, -1):
        while index + step < len(REACHES) and REACHES[index + step] >= SHORTEST[part]:
            trial = _with_kernel(search, best, part, replace(kernel, reach=REACHES[index + step]))
            if trial.misfit > best.misfit - BETTER:
                break
            best, index = trial, index + step
        if index != first:
            break
    return best


def _with_kernel(search: _Search, origin: _Trial, part: str, kernel: Kernel) -> _Trial:
    """A trial with another kernel for one part, starting from another trial."""
    sums = None if part == "sweep" else origin.sums
    return _trial(search, replace(origin.smoothness, **{part: kernel}), origin.variances, sums)


def _trial(search: _Search, smoothness: Smoothness, variances: Array, sums: Sums | None) -> _Trial:
    """A trial of a smoothness: estimates the prior variances, starting from `variances`; `sums` if they are known."""
    evidence, threads = search.evidence, search.threads
    layout = make_layout(search.like.strips, search.like.places, smoothness)
    if sums is None:
        batches = make_batches(layout, evidence, threads)
        sums = sum_up(layout, evidence.value, evidence.information, batches, threads)
    normals = normal_equations(layout, sums, threads, search.cache)
    for _ in range(ROUNDS):
        solution = variances_chain(with_priors(layout, normals, variances), threads)
        found = misfit(layout, solution, normals, sums, variances)
        variances, gain = next_variances(layout, solution, variances, search.expected, search.free)
        if gain < SETTLED:
            break
    return _Trial(smoothness, found - gain, variances, sums)
