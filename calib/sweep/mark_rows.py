"""Strips that took one row of marks for another: their wedge says how far off that lies.

Where marks stand in rows nearer to each other than the tolerance, and the first ones of a strip are missing, as many
are found a row farther on. The borders of the step wedge, which only the strip's transport lies between, do not follow.
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

LEAST_MARKS = 3  # in a strip, for them to say where its wedge should be
LEAST_PX, BEYOND = 10.0, 6.0  # that the wedge must lie off, and times what it does in the other strips
REACH = 0.5  # of what the wedge lies off, within which marks are looked for there


def rows_off(fit: Adjustment, seen: Observations, borders: Observations) -> dict[int, float]:
    """Strips whose wedge lies elsewhere than their marks say, and how far along y, px.

    `fit` is that of the marks `seen` alone; borders of all strips are asked, so that a wedge that is not where it is
    stated, alike in all, is not held against any.
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
    """The pairs, but of strips that lie `off` only those that lie about as far from the fit along y."""
    keep = np.ones(len(pairs), bool)
    for k, px in off.items():
        mine = np.flatnonzero(pairs.strip == k)
        along: Array = pairs.departure[mine, 1] - departure(fit, k, pairs.line[mine], pairs.sample[mine])[:, 1]
        keep[mine] = np.abs(along - px) < REACH * abs(px)
    return Pairs(*(getattr(pairs, field.name)[keep] for field in fields(pairs)))
