"""What measuring the sample, not the film place, asks of the fit: no sweep is likely because it nearly stands still.

Marks and ties tell at which sample a place of the film was read, yet the fit takes their departures in x as what was
measured. Then the pace 1 + u = dx/ds there would rather be none: where evidence stands at few samples, departures that
fall by a px from sample to sample explain both its noise and the wander. The density of what was measured has a factor
more: of each piece of evidence the pace to the power of its part in the fit (the wander it settles, in px) and of its
squared residual. To second order the logarithm of a pace is that of a measurement of u: as 1, with a variance of 1.
"""

import numpy as np

from calib.coordinates import Array
from calib.sweep.adjust import PACE, PACE_SAMPLES, Observations, join, pace_cells


def with_paces(o: Observations, weight: Array) -> tuple[Observations, Array]:
    """Evidence, and its weights (N,), with the paces where its samples were measured: a tie's in its right strip."""
    place, at = np.unique(pace_cells(o), axis=0, return_inverse=True)
    total = np.bincount(at, weight * (o.information[:, 0, 0] > 0))
    place, total = place[total > 0], total[total > 0]
    count = total.size
    none = np.zeros(count)
    value, information = np.zeros((count, 2)), np.zeros((count, 2, 2))
    value[:, 0] = information[:, 0, 0] = 1.0
    sample = np.asarray(place[:, 1] * PACE_SAMPLES, np.float64)
    paces = Observations(
        kind=np.full(count, PACE), a=place[:, 0], line_a=none, sample_a=sample, line_b=none, sample_b=none,
        value=value, information=information, mark=np.full(count, -1),
    )  # fmt: skip
    return join([o, paces]), np.concatenate([weight, total])
