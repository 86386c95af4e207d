"""Which kind of random function the wander and the sweep are: the one under which the data are most likely.

The prior decides what is said between the marks: too rough a function wanders off, too smooth a one can't follow. Its
order and reach are moved along a grid, one part of the sweep after the other, as long as the restricted likelihood of
the evidence grows; weights stay those of the fit that is given, prior variances are found anew for every kernel.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from calib.coordinates import Array
from calib.sweep.adjust import Adjustment, Observations, make_batches, misfit, next_variances
from calib.sweep.chain import solve_chain
from calib.sweep.layout import Smoothness, make_layout
from calib.sweep.modes import Kernel
from calib.sweep.normals import Sums, normal_equations, sum_up, with_priors

# Where the evidence says little, the smoother side of what is likely: the search moves for a gain only.
FIRST = Smoothness(wander_x=Kernel(3, 0.5), wander_y=Kernel(3, 0.5), sweep=Kernel(3, 1.0))
# In the order tried: rougher ones only while each is better than the one before. None is smoother, for kernels that can
# be differentiated without end are too sure of themselves where evidence is missing (Stein 1999, Interpolation of
# Spatial Data).
ORDERS = (3, 2, 1, 5)
REACHES = tuple(0.0625 * 2 ** (i / 2) for i in range(13))
SHORTEST = {"wander_y": 0.0625, "wander_x": 0.0625, "sweep": 0.5}  # in parts of the axis
# A deflection is smooth for sure. Where all marks stand at the same few samples, likelihood alone would let it swing.
ROUGHEST = {"wander_y": 1, "wander_x": 1, "sweep": 3}
ROUNDS = 2  # in which the prior variances settle, begun with those of the kernel before
BETTER = 0.5  # of the misfit: less is not worth a step


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
    """What stays the same from trial to trial: the evidence, the fit whose weights count, and which variances move."""

    o: Observations
    fit: Adjustment
    start: Array
    free: Sequence[str]


def find_smoothness(o: Observations, fit: Adjustment, start: Array, free: Sequence[str]) -> Smoothness:
    """The smoothness under which evidence weighted as in `fit` is most likely; `start`, `free` as in `adjust`."""
    search = _Search(o, fit, start, free)
    best = _try(search, FIRST, fit.variances, None)
    for part in ("wander_y", "sweep", "wander_x"):
        if part == "wander_x":
            best = min(best, _moved(search, best, part, best.smoothness.wander_y), key=lambda trial: trial.misfit)
        best = _climb(search, best, part)
        for order in ORDERS:
            kernel: Kernel = getattr(best.smoothness, part)
            if order in (kernel.order, ORDERS[0]) or order < ROUGHEST[part]:
                continue
            if order == 1 and kernel.order != 2:
                continue
            other = _climb(search, _moved(search, best, part, replace(kernel, order=order)), part)
            best = other if other.misfit < best.misfit - BETTER else best
    return best.smoothness


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
    o, fit = search.o, search.fit
    layout = make_layout(fit.layout.strips, fit.layout.places, smoothness)
    if sums is None:
        information = o.information * (fit.weight / fit.scale[o.kind])[:, None, None]
        sums = sum_up(layout, o.value, information, make_batches(layout, o))
    normals = normal_equations(layout, sums)
    for _ in range(ROUNDS):
        solution = solve_chain(with_priors(layout, normals, variances))
        before, variances = variances, next_variances(layout, solution, variances, search.start, search.free)
    return _Trial(smoothness, misfit(layout, solution, sums, before), variances, sums)
