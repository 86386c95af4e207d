"""Finds strips in which one row of marks was taken for another; the place of their wedge shows the error.

If rows of marks are closer than the tolerance and the first ones of a strip are missing, as many marks are found when
the strip is shifted by a row. The step wedge then does not lie where these marks put it.
"""

from collections.abc import Mapping
from dataclasses import fields

import numpy as np

from calib.coordinates import Array
from calib.median import MIDDLE_SIZE
from calib.sweep.adjust import Adjustment
from calib.sweep.constellation import Pairs
from calib.sweep.evidence import EDGE, MARK, Observations
from calib.sweep.nominal import departure

LEAST_MARKS = 3  # in a strip, to predict the place of its wedge
LEAST_PX, BEYOND = 10.0, 6.0  # least displacement of a wedge, in px and times that in the other strips
REACH = 0.5  # of that displacement: range within which marks are searched at the shifted place


def rows_off(fit: Adjustment, seen: Observations, borders: Observations) -> dict[int, float]:
    """Strips whose wedge is displaced from where their marks put it, and the displacement along y, px.

    `fit` is that to the marks `seen` alone. It is compared with the other strips' displacements, so that a wedge that
    is not at its stated place in any strip counts against none.
    """
    off: dict[int, float] = {}
    for k in range(len(fit.layout.strips)):
        mine = (borders.a == k) & (borders.kind == EDGE)
        if mine.any() and np.sum((seen.a == k) & (seen.kind == MARK)) >= LEAST_MARKS:
            expected = departure(fit, k, borders.line_a[mine], borders.sample_a[mine])[:, 1]
            off[k] = float(np.median(borders.value[mine, 1] - expected))
    if not off:
        return {}
    every = np.array(list(off.values()))
    middle = float(np.median(every))
    scatter = float(np.median(np.abs(every - middle))) / MIDDLE_SIZE
    most = max(LEAST_PX, BEYOND * scatter)
    return {k: value - middle for k, value in off.items() if abs(value - middle) > most}


def without_rows(pairs: Pairs, fit: Adjustment, off: Mapping[int, float]) -> Pairs:
    """The pairs; of strips that lie `off`, only those displaced by about as much from the fit along y."""
    keep = np.ones(len(pairs), bool)
    for k, px in off.items():
        mine = np.flatnonzero(pairs.strip == k)
        along: Array = pairs.departure[mine, 1] - departure(fit, k, pairs.line[mine], pairs.sample[mine])[:, 1]
        keep[mine] = np.abs(along - px) < REACH * abs(px)
    return Pairs(*(getattr(pairs, field.name)[keep] for field in fields(pairs)))
