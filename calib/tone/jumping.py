"""Strips whose samples jump from one to the next as no film does, for instance because two converter bits are swapped.

The readout spot spreads even the sharpest edge of the film over the samples on either side, so a real step along a line
has smaller steps before and after it. A wrong bit makes isolated steps wherever the tone crosses the level at which the
bit changes, which it does in most lines of every scene.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

LOOKED_AT = 128  # lines, spread evenly along a strip; every eighth of them gives the range of the samples
RANGE = (0.01, 0.99)  # quantiles that bound the range: dropouts may lie outside
LARGE = 1 / 8  # of that range: smaller steps are ignored,
OVER_NOISE = 4.0  # and so are steps below this many times the noise of a sample
SHARP = 1 / 8  # of a step: a sharp one has smaller neighbours in its own direction (a spot of half a sample)
# A strip jumps if the share of its sharp steps exceeds MANY, and TIMES that of every other strip, because those show
# how sharp the frame's own edges are. By trial: true of none of 462 healthy strips, of which 68 had a share of 0.008 or
# more, and of 65 of 75 strips with two bits swapped.
MANY = 0.03
TIMES = 3.0


def sharp_steps(dn: NDArray, lost_lines: NDArray[np.bool_], noise_dn: float) -> float:
    """Share of the steps along a strip's lines that are large and sharp; 0 where too few lines are left.

    `dn` (n_lines, n_samples); `lost_lines` (n_lines,) are skipped; `noise_dn` is the 1-sigma noise of a sample.
    """
    left = np.flatnonzero(~lost_lines)
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
    """Indices of the strips whose share of sharp steps far exceeds that of every other strip."""
    return [
        strip
        for strip, part in enumerate(parts)
        if part > max(MANY, TIMES * max([*parts[:strip], *parts[strip + 1 :]], default=1.0))
    ]
