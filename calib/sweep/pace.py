"""Adds observations of the sweep's pace to the fit, without which the likeliest sweep nearly stands still.

Marks and ties show at which sample s a place of the film was read, so s is what was measured. The fit treats their
departures in x as the measurement. If evidence stands at few samples, departures that fall by one px per sample explain
both its noise and the wander: the pace dx/ds = 1 + u is then near 0, and the likelihood is too high. What is missing is
the Jacobian between the densities of a measured x and a measured s, a power of the pace for each observation. The
exponent is the observation's leverage in the fit (the wander it determines, in px) plus its squared residual. To second
order log(1 + u) is -(u - 1)^2 / 2 plus a constant, so each factor acts like a measurement u = 1 with variance 1.
"""

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.sweep.evidence import ARM, PACE, TIE, Observations, join

PACE_SAMPLES = 8.0  # width of a cell whose evidence shares one pace
CELLS = 2**32  # more than the number of cells of a strip


def with_paces(evidence: Observations, weight: Array) -> tuple[Observations, Array]:
    """The evidence followed by a pace observation for each cell of samples with evidence, and the weights of all.

    `weight` (N or more,) holds the weights of the evidence, then those of the paces in an earlier fit, if any. These
    are used if the number of paces is the same; otherwise a pace starts with the sum of its cell's weights.
    """
    strip, cell, at = _cells(evidence)
    weight, before = weight[: len(evidence)], weight[len(evidence) :]
    total = np.bincount(at, weight * (evidence.information[:, 0, 0] > 0) * (evidence.kind < ARM))
    strip, cell, total = strip[total > 0], cell[total > 0], total[total > 0]
    count = total.size
    none = np.zeros(count)
    value, information = np.zeros((count, 2)), np.zeros((count, 2, 2))
    value[:, 0] = information[:, 0, 0] = 1.0
    sample = np.asarray(cell * PACE_SAMPLES, np.float64)
    paces = Observations(
        kind=np.full(count, PACE), a=strip, line_a=none, sample_a=sample - 0.5, line_b=none, sample_b=sample + 0.5,
        value=value, information=information, mark=np.full(count, -1), per_power=none,
    )  # fmt: skip
    return join([evidence, paces]), np.concatenate([weight, before if before.size == count else total])


def pace_weights(evidence: Observations, exponent: Array) -> Array:
    """Weights (N,) of paces: the sum over the evidence in their cell of the exponents (N,) described above."""
    at = _cells(evidence)[2]
    return np.asarray(np.bincount(at, np.where(evidence.kind >= ARM, 0.0, exponent))[at], np.float64)


def _cells(evidence: Observations) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """The cells of samples with evidence (a tie counts in its right strip): strip and number (C,) of each, and the
    index (N,) of each observation's cell."""
    is_tie = evidence.kind == TIE
    strip, sample = evidence.a + is_tie, np.where(is_tie, evidence.sample_b, evidence.sample_a)
    cell = np.round(sample / PACE_SAMPLES).astype(np.int64)
    _, some, at = np.unique(strip * CELLS + cell, return_index=True, return_inverse=True)
    return strip[some], cell[some], at
