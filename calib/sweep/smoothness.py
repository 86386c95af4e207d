"""Which kind of random function the wander and the sweep are: the one under which the data are most likely.

The prior decides what is said between the marks: too rough a function wanders off, too smooth a one can't follow. Its
order and reach are moved along a grid, one part of the sweep after the other, as long as the restricted likelihood of
the evidence grows; weights stay those of the fit that is given, prior variances are found anew for every kernel.
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
from calib.sweep.normals import Sums, Wandering, normal_equations, sum_up, with_priors

# Where the evidence says little, the smoother side of what is likely: the search moves for a gain only.
FIRST = Smoothness(wander_x=Kernel(3, 0.5), wander_y=Kernel(3, 0.5), sweep=Kernel(3, 1.0))
# None is smoother, for kernels that can be differentiated without end are too sure of themselves where evidence is
# missing (Stein 1999, Interpolation of Spatial Data).
ORDERS = (1, 2, 3, 5)
REACHES = tuple(0.0625 * 2 ** (i / 2) for i in range(13))
SHORTEST = {"wander_y": 0.0625, "wander_x": 0.0625, "sweep": 0.5}  # in parts of the axis
# A deflection is smooth for sure. Where all marks stand at the same few samples, likelihood alone would let it swing.
ROUGHEST = {"wander_y": 1, "wander_x": 1, "sweep": 3}
ROUNDS = 3  # at most, in which the prior variances settle, begun with those of the kernel before
SETTLED = 2.0  # of the misfit, expected of a last step of the variances: a part of it is left to be gained
BETTER = 0.5  # of the misfit: less is not worth a move
HOPELESS = 10.0  # of the misfit, lost by a rougher order at a reach that suits it: no other reach is tried then
MOST_STRIPS = 32  # that are asked: the kernels are common to all, and so many have made up their mind long since;
FEW_STRIPS = 8  # tell where to begin


@dataclass(frozen=True, slots=True, eq=False)
class _Trial:
    """A smoothness with the misfit of the data under it, the prior variances found, and the data's sums, which are the
    same for every wander."""

    smoothness: Smoothness
    misfit: float
    variances: Array
    sums: Sums


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """What stays the same from trial to trial: strips and places, the evidence as it is to count, what is expected of
    the prior variances and which of them move; and the latest sums over the wander's products."""

    like: Layout
    evidence: Observations
    expected: Array
    free: Sequence[str]
    threads: int
    known: Wandering


def find_smoothness(
    like: Layout, evidence: Observations, start: Start, expected: Array, free: Sequence[str],
    begin: Smoothness = FIRST, most_strips: int = MOST_STRIPS, threads: int = 1,
) -> tuple[Smoothness, Array]:  # fmt: skip
    """The smoothness under which evidence, weighted as a fit starts, is most likely, and the prior variances under it.

    Strips and places are those of the layout `like`; `expected`, `free` as in `adjust`. Of more than `most_strips` the
    neighbours with the most evidence are asked. The search begins at `begin`, from where each gain leads on.
    """
    trust = start.weight / start.scale[evidence.kind]
    weighted = replace(evidence, information=evidence.information * trust[:, None, None])
    search = _Search(*_neighbours(like, weighted, most_strips), expected, free, threads, {})
    best = _likeliest(search, _try(search, begin, start.variances, None), "wander_y")
    along = best.smoothness.wander_y
    if along != begin.wander_y:
        best = min(best, _moved(search, best, "wander_x", along), key=lambda trial: trial.misfit)
    best = _likeliest(search, best, "wander_x")
    if begin == FIRST:  # the sweep is common to all strips: few tell it as well as all, whatever they weigh
        best = _likeliest(search, best, "sweep")
    return best.smoothness, best.variances


def _likeliest(search: _Search, best: _Trial, part: str) -> _Trial:
    """Move the reach and the order of one part as long as that helps: to rougher orders, then to smoother ones.

    Both, for the misfit may have a valley at a long and one at a short reach.
    """
    best = _climb(search, best, part)
    for step in (-1, 1):
        index = ORDERS.index(getattr(best.smoothness, part).order) + step
        while 0 <= index < len(ORDERS) and ORDERS[index] >= ROUGHEST[part]:
            there = _of_order(search, best, part, ORDERS[index])
            if step > 0 or there.misfit < best.misfit + HOPELESS:
                there = _climb(search, there, part)
            if there.misfit > best.misfit - BETTER:
                break
            best, index = there, index + step
    return best


def _of_order(search: _Search, best: _Trial, part: str, order: int) -> _Trial:
    """A trial of another order: of functions of the same look rougher ones correlate farther."""
    kernel: Kernel = getattr(best.smoothness, part)
    index = REACHES.index(kernel.reach) + (1 if order < kernel.order else -1)
    reach = max(REACHES[min(max(index, 0), len(REACHES) - 1)], SHORTEST[part])
    return _moved(search, best, part, Kernel(order, reach))


def _neighbours(like: Layout, evidence: Observations, most: int) -> tuple[Layout, Observations]:
    """The strips, no more than are asked, that have the most evidence, and what there is of it between themselves."""
    count = len(like.strips)
    if count <= most:
        return like, evidence
    first = int(np.convolve(np.bincount(evidence.a, minlength=count), np.ones(most), "valid").argmax())
    stop = first + most
    inside = (evidence.a >= first) & (evidence.a + (evidence.kind == TIE) < stop)
    if first > 0:  # marks whose place is an unknown of the strip before
        inside &= (evidence.a > first) | ~np.isin(evidence.mark, np.array(like.places[first - 1], np.int64))
    some = evidence.select(inside)
    strips = {name: getattr(like, name)[first:stop] for name in ("strips", "places", "wander")}
    return replace(like, **strips), replace(some, a=some.a - first)


def _climb(search: _Search, best: _Trial, part: str) -> _Trial:
    """Move the reach of one part along the grid as long as that helps."""
    kernel: Kernel = getattr(best.smoothness, part)
    first = index = REACHES.index(kernel.reach)
    for step in (1, -1):
        while index + step < len(REACHES) and REACHES[index + step] >= SHORTEST[part]:
            there = _moved(search, best, part, replace(kernel, reach=REACHES[index + step]))
            if there.misfit > best.misfit - BETTER:
                break
            best, index = there, index + step
        if index != first:
            break
    return best


def _moved(search: _Search, from_here: _Trial, part: str, kernel: Kernel) -> _Trial:
    """The trial with another kernel for one part."""
    sums = None if part == "sweep" else from_here.sums
    return _try(search, replace(from_here.smoothness, **{part: kernel}), from_here.variances, sums)


def _try(search: _Search, smoothness: Smoothness, variances: Array, sums: Sums | None) -> _Trial:
    """The misfit under a smoothness once the prior variances have settled; `sums` where they are known."""
    evidence, threads = search.evidence, search.threads
    layout = make_layout(search.like.strips, search.like.places, smoothness)
    if sums is None:
        batches = make_batches(layout, evidence, threads)
        sums = sum_up(layout, evidence.value, evidence.information, batches, threads)
    normals = normal_equations(layout, sums, threads, search.known)
    for _ in range(ROUNDS):
        solution = variances_chain(with_priors(layout, normals, variances), threads)
        found = misfit(layout, solution, normals, sums, variances)
        variances, gain = next_variances(layout, solution, variances, search.expected, search.free)
        if gain < SETTLED:
            break
    return _Trial(smoothness, found - gain, variances, sums)
