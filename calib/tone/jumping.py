"""Strips whose samples jump from one to the next as no film does, as where bits of the converter are exchanged.

The readout's spot shows an edge of the film, however sharp, to the samples on either side as well: a step along the
line has smaller ones before and behind it. A wrong bit makes steps without any, wherever the picture's tone passes the
place at which it changes, in most lines of every scene.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.tone.dropouts import Dropouts

LOOKED_AT = 128  # lines, evenly along a strip, of which one in eight tells the range of its samples
RANGE = (0.01, 0.99)  # quantiles between which a strip's samples range: what the tape lost may lie outside
LARGE = 1 / 8  # of that range: a smaller step is not looked at,
OVER_NOISE = 4.0  # nor one of less than so many times the noise of a sample
SHARP = 1 / 8  # of a step, by which those beside it may lead the same way if it is sharp: a spot of half a sample
# A strip jumps if its sharp steps are more than MANY of all, and more than TIMES as many as in any other strip: those
# tell how sharp the frame's own edges are. By trial: so were none of 462 healthy strips, of which 68 had 0.008 or more,
# and 65 of 75 strips with two bits exchanged.
MANY = 0.03
TIMES = 3.0


def sharp_steps(dn: NDArray, found: Dropouts, noise_dn: float) -> float:
    """The part of the steps along a strip's lines, `dn` (n_lines, n_samples), that are large and sharp; `noise_dn` is
    the noise of a sample. What the tape lost, as far as it was `found`, makes no step."""
    left = np.flatnonzero(~found.whole_lines())
    if left.size < LOOKED_AT or dn.shape[1] < 4:
        return 0.0
    at = left[np.linspace(0, left.size - 1, LOOKED_AT).astype(np.intp)]
    lines = dn[at].astype(np.int32)
    low, high = np.quantile(lines[::8], RANGE)
    step = np.diff(lines, axis=1)
    size, way = np.abs(step[:, 1:-1]), np.sign(step[:, 1:-1])
    beside = np.maximum(way * step[:, :-2], way * step[:, 2:])
    is_sharp = (size > max(LARGE * (high - low), OVER_NOISE * noise_dn)) & (beside < SHARP * size)
    return float(is_sharp.mean())


def strips_that_jump(parts: Sequence[float]) -> list[int]:
    """The strips of which far more steps are sharp than of any other, by the parts that are."""
    return [
        strip
        for strip, part in enumerate(parts)
        if part > max(MANY, TIMES * max([*parts[:strip], *parts[strip + 1 :]], default=1.0))
    ]
