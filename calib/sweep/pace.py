"""A term of the fit without which the likeliest sweep is one that nearly stands still.

Marks and ties tell at which sample a place of the film was read: the sample s is what was measured. The fit takes their
departures in x for the measurement. Where evidence stands at few samples, departures that fall by a px from sample to
sample then explain both its noise and the wander: the pace dx/ds = 1 + u is next to none there, and the fit likes it.
What is missing is the factor by which the density of a measured x differs from that of a measured s: a power of the
pace, for each piece of evidence. The power is its part in the fit (the wander it settles, in px) and its squared
residual. To second order log(1 + u) is -(u - 1)^2 / 2 and a constant, so each factor acts as a measurement that found
u = 1 with a variance of 1.
"""

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.sweep.evidence import ARM, PACE, TIE, Observations, join

PACE_SAMPLES = 8.0  # over which evidence counts together
CELLS = 2**32  # more than a strip has


def with_paces(evidence: Observations, weight: Array) -> tuple[Observations, Array]:
    """Evidence, and its weights, followed by the paces where its samples were measured.

    After the evidence's own, `weight` (N or more,) may hold those that paces had in a fit before: where there are as
    many now they begin with them, otherwise with the sums of the evidence's.
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


def pace_weights(evidence: Observations, pull: Array) -> Array:
    """Weights (N,) of paces: the sum of what the evidence in their cells pulls."""
    at = _cells(evidence)[2]
    return np.asarray(np.bincount(at, np.where(evidence.kind >= ARM, 0.0, pull))[at], np.float64)


def _cells(evidence: Observations) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """The cells of strips' widths in which samples were measured, a tie's in its right strip: strip and number of each,
    and in which of them each observation (N,) lies."""
    is_tie = evidence.kind == TIE
    strip, sample = evidence.a + is_tie, np.where(is_tie, evidence.sample_b, evidence.sample_a)
    cell = np.round(sample / PACE_SAMPLES).astype(np.int64)
    _, some, at = np.unique(strip * CELLS + cell, return_index=True, return_inverse=True)
    return strip[some], cell[some], at
