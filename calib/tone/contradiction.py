"""Finds overlaps that contradict the curves of their strips' own wedges by far more than other overlaps do.

If the error of a strip's video depends on more than its tone, for instance if bright samples smear along the line, no
curve fits both its wedge and its overlaps. Overlaps have far more cells than wedges, and a bend common to the curves of
all strips leaves the other overlaps as they are. So the fit would bend all curves to satisfy one bad strip. Such an
overlap is therefore counted as a single measurement with a sigma as large as its contradiction.
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

LEVELS = 8  # bins of density with equally many cells, in which an overlap's two strips are compared
FEWEST_CELLS = 64  # of an overlap that is judged
# Overlaps that must be judged; the typical contradiction ignores the two largest, which may be of one wrong strip.
FEWEST = 2
FAR = 4.0  # times the typical contradiction is too far (by trial: 38 healthy frames, and some with one strip smeared),
LEAST = 0.03  # density: and more than the error of drift before overlaps count (by trial, on the same)
ALONE = 2.0  # stricter factor for a strip at the frame's edge, whose only overlap is not confirmed by another
STALE = 0.01  # density: a strip whose first curve has changed by more since the fit to known film is not judged


@dataclass(frozen=True, slots=True, eq=False)
class KnownFilmFit:
    """The fit to known film alone, without overlaps: its `values`, the covariance of the `drift`s (n_strips, M, M), and
    the mask `is_stale` of the strips whose first curve has changed since."""

    values: Values
    drift: Array
    is_stale: Sequence[bool]


def strips_that_contradict(curves: Curves, evidence: Sequence[Evidence], alone: KnownFilmFit) -> Array:
    """Contradiction (n_strips,) of each strip's wedge with both its overlaps: density, rms over the levels; 0 if none.

    A strip at the frame's edge has one overlap; it counts if its neighbour's other overlap is not contradicted.
    """
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
    """Whether a strip's first curve has changed by more than `STALE`."""
    if before is None or now is None:
        return True
    density = np.linspace(max(before.lightest, now.lightest), min(before.deepest, now.deepest), LEVELS)
    return bool(np.abs(now.density_of(before.dn_of(density)) - density).max() > STALE)


def counted_once(evidence: Sequence[Evidence], contradicts: Array) -> list[Evidence]:
    """The evidence with each overlap of a contradicting strip counted as one measurement whose sigma is the strip's
    contradiction, `contradicts` (n_strips,)."""

    def share(each: Evidence) -> float:
        off = max(contradicts[side.strip] for side in each.sides)
        return min(1.0, 1.0 / (off**2 * float(np.sum(each.sigma**-2)))) if len(each.sides) == 2 and off else 1.0

    return [replace(each, share=share(each)) for each in evidence]


def _off(curves: Curves, each: Evidence, alone: KnownFilmFit) -> tuple[float, float]:
    """Contradiction of an overlap: the median residual of its cells at each level of density, rms over the levels.

    Also the same after removing errors that cells of the same lines share, as far as drift may explain them: known film
    determines the drifts of the two strips there only to a certain variance, in the middle of a strip perhaps not at
    all.
    """
    residual, number = residual_of(curves, each, alone.values), each.sides[0].drift.number
    level = _level(each.sides[0].measured)
    drift = medians_by(residual, number, int(number.max()) + 1)[number]
    variance = sum(_drift_variance(curves, side, alone.drift[side.strip]) for side in each.sides)
    left = residual - drift * variance / (variance + LEAST**2)
    whole, beyond_drift = (float(np.sqrt(np.mean(medians_by(off, level, LEVELS) ** 2))) for off in (residual, left))
    return whole, beyond_drift


def _drift_variance(curves: Curves, side: StripSide, covariance: Array) -> Array:
    """Variance of a strip's drift about its mean, at the lines of each row."""
    modes = side.drift.modes - level_of_modes(curves.n_lines[side.strip])
    return np.asarray(np.einsum("ij,ij->i", modes @ covariance, modes)[side.drift.number])


def _level(density: Array) -> NDArray[np.int64]:
    """The level of each density: the number of its bin."""
    rank = np.empty(density.size, np.int64)
    rank[np.argsort(density, kind="stable")] = np.arange(density.size)
    return rank * LEVELS // density.size
