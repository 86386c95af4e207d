"""Overlaps that the curves of their two strips' own wedges contradict by far more than other overlaps.

Where a strip's video is wrong in a way that depends on more than its tone, as where bright samples smear along the
line, no curve brings its wedge and its overlaps together. Overlaps have far more cells than wedges, and a bend that is
common to all strips' curves leaves other overlaps as they were: so all strips would be bent to please one. What such an
overlap says of curves then counts as a single measurement, as far off as it is found to be.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.median import medians_by
from calib.tone.adjust import Evidence, residual_of
from calib.tone.drift import level_of_modes
from calib.tone.placing import Curves, StripSide
from calib.tone.system import Values
from calib.tone.transfer import FirstCurve

LEVELS = 8  # of density, with equally many cells, at which an overlap's two strips are compared
FEWEST_CELLS = 64  # of an overlap that tells
FEWEST = 2  # overlaps that tell how far off they usually are; two may be of one strip that is wrong
FAR = 4.0  # times that is too far (by trial, on 38 healthy frames and on some with one strip smeared),
LEAST = 0.03  # density: and more than drift is wrong by before overlaps count (by trial, on the same)
ALONE = 2.0  # times as far off is the one overlap of a strip at the frame's edge, which no second one bears out
STALE = 0.01  # density: a strip whose first curve has changed by more since it was fitted alone tells nothing


@dataclass(frozen=True, slots=True, eq=False)
class KnownAlone:
    """A fit to known film alone, before overlaps counted: its `values`, the `drift`s' covariance (n_strips, M, M), and
    of which strips it `is_stale`, their first curve having changed since."""

    values: Values
    drift: Array
    is_stale: Sequence[bool]


def strips_that_contradict(curves: Curves, evidence: Sequence[Evidence], alone: KnownAlone) -> Array:
    """By how much (density, rms over its levels) both overlaps of a strip are too far off, (n_strips,); 0 where they
    are not. Of a strip at the frame's edge, its one overlap, where the other of its neighbour is not."""
    found, whole, beyond = np.zeros(len(curves.n_lines)), {}, {}
    for each in evidence:
        told = len(each.sides) == 2 and each.sigma.size >= FEWEST_CELLS
        if told and not (alone.is_stale[each.strip] or alone.is_stale[each.strip + 1]):
            whole[each.strip], beyond[each.strip] = _off(curves, each, alone)
    if len(beyond) < FEWEST:
        return found
    rising = sorted(beyond.values())
    limit = max(LEAST, FAR * min(rising[max(len(rising) - 3, 0)], float(np.median(rising))))
    for edge, seam, other in (0, 0, 1), (-1, found.size - 2, found.size - 3):
        if beyond.get(seam, 0.0) > ALONE * limit and beyond.get(other, np.inf) <= limit:
            found[edge] = whole[seam]
    for strip in range(1, found.size - 1):
        if min(beyond.get(strip - 1, 0.0), beyond.get(strip, 0.0)) > limit:
            found[strip] = max(whole[strip - 1], whole[strip])
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


def _off(curves: Curves, each: Evidence, alone: KnownAlone) -> tuple[float, float]:
    """How far off an overlap is: the median residual of its cells at each level of density, rms over the levels.

    Also the same without what cells of the same lines share, as far as that may be drift: known film leaves the two
    strips' drifts open there by so much, between a strip's ends perhaps wholly.
    """
    residual, number = residual_of(curves, each, alone.values), each.sides[0].drift.number
    level = _level(each.sides[0].measured)
    drift = medians_by(residual, number, int(number.max()) + 1)[number]
    variance = sum(_drift_variance(curves, side, alone.drift[side.strip]) for side in each.sides)
    left = residual - drift * variance / (variance + LEAST**2)
    whole, beyond_drift = (float(np.sqrt(np.mean(medians_by(off, level, LEVELS) ** 2))) for off in (residual, left))
    return whole, beyond_drift


def _drift_variance(curves: Curves, side: StripSide, covariance: Array) -> Array:
    """Variance of a strip's drift, less its mean, at the lines of each row."""
    modes = side.drift.modes - level_of_modes(curves.n_lines[side.strip])
    return np.asarray(np.einsum("ij,ij->i", modes @ covariance, modes)[side.drift.number])


def _level(density: Array) -> NDArray[np.int64]:
    """Which of the levels each density is at."""
    rank = np.empty(density.size, np.int64)
    rank[np.argsort(density, kind="stable")] = np.arange(density.size)
    return rank * LEVELS // density.size
