"""A first curve for a strip whose wedge gives none, or not a whole one: from its neighbours, through the overlaps."""

from collections.abc import Sequence

import numpy as np

from calib.coordinates import Array
from calib.tone.noise import NoiseModel
from calib.tone.transfer import FirstCurve, fit_first_curve

PAIRS = 10  # steps of density that an overlap is cut into
FEWEST = 40  # samples of a step
LEAST_SPAN = 0.15  # density: an overlap of less range says nothing of a curve's shape


def typical_curve(curves: Sequence[FirstCurve]) -> FirstCurve:
    """The middle one of some curves, parameter by parameter."""
    middle = np.median([[c.dark, c.gain, c.exponent, c.bend, c.deepest, c.lightest] for c in curves], axis=0)
    return FirstCurve(*(float(value) for value in middle))


def typical_noise(noises: Sequence[NoiseModel]) -> NoiseModel:
    """The middle one of some noise models, part by part."""
    middle = np.median([[n.grain, n.video_dn2, n.shot_dn2] for n in noises], axis=0)
    return NoiseModel(*(float(value) for value in middle))


def steps_of_overlap(dn: Array, density: Array) -> tuple[Array, Array]:
    """Median (DN, density) over steps of a neighbour's density; both flat, NaN where either strip has nothing."""
    good = np.isfinite(dn) & np.isfinite(density)
    dn, density = dn[good], density[good]
    if dn.size < 3 * FEWEST:
        return np.zeros(0), np.zeros(0)
    edges = np.quantile(density, np.linspace(0, 1, PAIRS + 1))
    which = np.clip(np.searchsorted(edges, density, side="right") - 1, 0, PAIRS - 1)
    steps = [step for step in range(PAIRS) if (which == step).sum() >= FEWEST]
    pairs = [(np.median(dn[which == step]), np.median(density[which == step])) for step in steps]
    table = np.array(pairs, dtype=np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def borrowed_curve(dn: Array, density: Array, typical: FirstCurve) -> FirstCurve:
    """A strip's curve by what little is known of it, (P,) each, in the shape of the typical curve.

    Steps that the typical curve would have are added with little weight, so that the ends do not run away.
    """
    anchor = np.linspace(typical.lightest + 0.35, typical.deepest - 0.35, 8)
    if dn.size == 0 or np.ptp(density) < LEAST_SPAN:
        shift = 0.0 if dn.size == 0 else float(np.median(dn - typical.dn_of(density)))
        return FirstCurve(
            typical.dark + shift, typical.gain, typical.exponent, typical.bend, typical.deepest, typical.lightest
        )
    match = np.polyfit(typical.dn_of(density), dn, 1)
    both = np.concatenate([dn, np.polyval(match, typical.dn_of(anchor))])
    sigma = np.concatenate([np.full(dn.size, 0.5), np.full(anchor.size, 0.04 * abs(np.ptp(both)))])
    return fit_first_curve(both, np.concatenate([density, anchor]), np.maximum(sigma, 0.5), typical)
