"""Overlaps that the curves of their two strips' own wedges contradict by far more than other overlaps.

Where a strip's video is wrong in a way that depends on more than its tone, as where bright samples smear along the
line, no curve brings its wedge and its overlaps together. Overlaps have far more cells than wedges, and a bend that is
common to all strips' curves leaves other overlaps as they were: so all strips would be bent to please one. What such an
overlap says of curves then counts as a single measurement, as far off as it is found to be.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.median import medians_by
from calib.tone.adjust import Evidence, residual_of
from calib.tone.placing import Curves
from calib.tone.system import Values
from calib.tone.transfer import FirstCurve

LEVELS = 8  # of density, with equally many cells, at which an overlap's two strips are compared
FEWEST_CELLS = 64  # of an overlap that tells
FEWEST = 2  # overlaps that tell how far off they usually are; two may be of one strip that is wrong
FAR = 4.0  # times that is too far (by trial, on 38 healthy frames and on some with one strip smeared),
LEAST = 0.03  # density: and more than drift is wrong by before overlaps count (by trial, on the same)
ALONE = 2.0  # times as far off is the one overlap of a strip at the frame's edge, which no second one bears out
STALE = 0.01  # density: a strip whose first curve has changed by more since it was fitted alone tells nothing


def strips_that_contradict(
    curves: Curves, evidence: Sequence[Evidence], values: Values, is_stale: Sequence[bool]
) -> Array:
    """By how much (density, rms over its levels) both overlaps of a strip are too far off, (n_strips,); 0 where they
    are not. Of a strip at the frame's edge, its one overlap, where the other of its neighbour is not. `values` are
    those of a fit to known film alone, before overlaps counted, by first curves that have changed since where one
    `is_stale`."""
    found = np.zeros(len(curves.n_lines))
    off = {
        each.strip: _off(curves, each, values)
        for each in evidence
        if len(each.sides) == 2
        and each.sigma.size >= FEWEST_CELLS
        and not (is_stale[each.strip] or is_stale[each.strip + 1])
    }
    if len(off) < FEWEST:
        return found
    rising = sorted(off.values())
    limit = max(LEAST, FAR * min(rising[max(len(rising) - 3, 0)], float(np.median(rising))))
    for edge, seam, beyond in (0, 0, 1), (-1, found.size - 2, found.size - 3):
        if off.get(seam, 0.0) > ALONE * limit and off.get(beyond, np.inf) <= limit:
            found[edge] = off[seam]
    for strip in range(1, found.size - 1):
        least = min(off.get(strip - 1, 0.0), off.get(strip, 0.0))
        found[strip] = max(off[strip - 1], off[strip]) if least > limit else 0.0
    return found


def is_stale(before: FirstCurve | None, now: FirstCurve | None) -> bool:
    """Whether a strip's first curve is another than before."""
    if before is None or now is None:
        return True
    density = np.linspace(max(before.lightest, now.lightest), min(before.deepest, now.deepest), LEVELS)
    return bool(np.abs(now.density_of(before.dn_of(density)) - density).max() > STALE)


def counted_once(evidence: Sequence[Evidence], contradicts: Array) -> list[Evidence]:
    """The evidence, with all overlaps of strips that contradict theirs, (n_strips,), as single measurements that may be
    so far off."""

    def share(each: Evidence) -> float:
        off = max(contradicts[side.strip] for side in each.sides)
        return min(1.0, 1.0 / (off**2 * float(np.sum(each.sigma**-2)))) if len(each.sides) == 2 and off else 1.0

    return [replace(each, share=share(each)) for each in evidence]


def _off(curves: Curves, each: Evidence, values: Values) -> float:
    """Root mean square, over levels of density, of what the cells of each have in common."""
    residual = residual_of(curves, each, values)
    return float(np.sqrt(np.mean(medians_by(residual, _level(each.sides[0].measured), LEVELS) ** 2)))


def _level(density: Array) -> NDArray[np.int64]:
    """Which of the levels each density is at."""
    rank = np.empty(density.size, np.int64)
    rank[np.argsort(density, kind="stable")] = np.arange(density.size)
    return rank * LEVELS // density.size
