"""Derives a first curve for a strip whose own wedge gives none or only part of one, from its neighbours' overlaps."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.coordinates import Array
from calib.tone.noise import NoiseModel
from calib.tone.transfer import FirstCurve

PAIRS = 10  # density bins of an overlap
FEWEST = 40  # samples of a bin
PAIR_SIGMA = 0.01  # density: 1-sigma of the pair that a bin gives
LEAST_SPREAD = 0.01  # of the typical gain: least scatter assumed between strips
ROBUST = 3.0


@dataclass(frozen=True, slots=True)
class TypicalCurve:
    """The median curve of a frame's strips, and the scatter (1-sigma) of their dark levels and gains, in DN."""

    curve: FirstCurve
    dark_sigma: float
    gain_sigma: float


def typical_curve(curves: Sequence[FirstCurve]) -> TypicalCurve:
    """The typical curve of some strips; their dark levels and gains are compared as if all had the median shape."""
    middle = np.median([[c.dark, c.gain, c.exponent, c.bend, c.deepest, c.lightest] for c in curves], axis=0)
    typical = FirstCurve(*(float(value) for value in middle))
    density = np.linspace(typical.lightest + 0.35, typical.deepest - 0.35, 12)
    shape = (typical.dn_of(density) - typical.dark) / typical.gain
    alike = np.array([np.polyfit(shape, curve.dn_of(density), 1) for curve in curves])
    typical = replace(typical, dark=float(np.median(alike[:, 1])), gain=float(np.median(alike[:, 0])))
    off = np.abs(alike - np.median(alike, axis=0))
    spread = 1.5 * np.median(off, axis=0) + LEAST_SPREAD * abs(typical.gain) * (1 + 3 / len(curves))
    return TypicalCurve(typical, float(spread[1]), float(spread[0]))


def typical_noise(noises: Sequence[NoiseModel]) -> NoiseModel:
    """The median of some noise models, term by term."""
    middle = np.median([[n.grain, n.video_dn2, n.shot_dn2] for n in noises], axis=0)
    return NoiseModel(*(float(value) for value in middle))


def steps_of_overlap(dn: Array, density: Array) -> tuple[Array, Array]:
    """Median DN and density in bins of a neighbour's density; the input arrays are flat, NaN where a strip has none."""
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


def borrowed_curve(dn: Array, density: Array, typical: TypicalCurve) -> FirstCurve:
    """A curve of the typical shape through pairs of DN and density (P,), with a dark level and a gain of its own.

    Robust least squares; the scatter of the other strips is the prior.
    """
    curve = typical.curve
    shape = (curve.dn_of(density) - curve.dark) / curve.gain
    sigma = np.maximum(PAIR_SIGMA * np.abs(curve.slope(density)), 0.5)
    prior = np.diag([1 / typical.dark_sigma**2, 1 / typical.gain_sigma**2])
    centre = np.array([curve.dark, curve.gain])
    design = np.stack([np.ones_like(shape), shape], axis=1)
    weight = 1 / sigma**2
    found = centre
    for _ in range(5):
        normal = design.T @ (design * weight[:, None]) + prior
        found = np.linalg.solve(normal, design.T @ (weight * dn) + prior @ centre)
        off = np.abs(dn - design @ found) / sigma
        weight = np.minimum(1.0, ROBUST / np.maximum(off, 1e-9)) / sigma**2
    return replace(curve, dark=float(found[0]), gain=float(found[1]))
