"""Finds lines whose video is inverted, bright for dark, as when a recording loses its polarity along a strip.

From one line to the next the picture stays the same except for its sign. Nothing on the film does that, because the
readout spot covers two lines. So blocks of lines are correlated, and where one is the negative of the block two farther
on, the lines between are examined one by one. The smaller part of a strip's lines is taken to be the inverted one.
"""

import numpy as np
from numpy.typing import NDArray

# All of these are by trial, on strips of 75 frames that were inverted in part.
# First step, on blocks of lines:
BLOCK = 4  # lines averaged together
EVERY = 2  # one sample of so many is used
LOOKED_AT = 3.0  # sigma of a correlation of pure noise: blocks correlated below minus this are examined,
ONCE_SEEN = 0.3  # and once a turn is known, blocks correlated below this too: there may be a turn back
# Second step, on single lines:
ROUND = 3  # lines on either side of a turn whose means are correlated
TURNED = -0.5  # times the usual correlation: at a turn the correlation is below that,
NO_CHANCE = 5.0  # and below minus this many sigma of pure noise
STEP, ALSO = 3, 2.0  # the same, in this many sigma, for differences over STEP samples: shading and banding may invert
TOGETHER = 2.0  # samples that count as one, because the spot covers them
BESIDE = 1  # lines added at either end of a run: a line may be inverted in part


def inverted_lines(dn: NDArray) -> tuple[tuple[int, int], ...]:
    """Runs of lines (first, stop) of `dn` (n_lines, n_samples) that are inverted relative to the majority.

    Lost lines are not masked, because the first line after a turn may look lost. They do no harm: garbage and constant
    lines correlate with nothing.
    """
    n_blocks = len(dn) // BLOCK
    if n_blocks < 5:
        return ()
    block = dn[: n_blocks * BLOCK, ::EVERY].reshape(n_blocks, BLOCK, -1).mean(axis=1, dtype=np.float32)
    shape = _normalized(block)
    next_to, beyond = _correlation(shape[1:-2], shape[2:-1]), _correlation(shape[1:-3], shape[3:-1])
    lowest = np.minimum(np.minimum(next_to[:-1], next_to[1:]), beyond)
    by_noise = -LOOKED_AT * np.sqrt(TOGETHER * EVERY / dn.shape[1])
    turns = _turns(dn, lowest < by_noise)
    turns |= _turns(dn, lowest < ONCE_SEEN) if turns else set()
    ends = sorted(turn for turn in turns if not turns & {turn - k for k in range(1, ROUND + 1)})
    if not ends:
        return ()
    runs = list(zip([0, *ends], [*ends, len(dn)], strict=True))
    odd = sum(stop - first for first, stop in runs[1::2])
    fewer = runs[1::2] if 2 * odd <= len(dn) else runs[::2]
    return tuple((max(first - BESIDE, 0), min(stop + BESIDE, len(dn))) for first, stop in fewer)


def _normalized(rows: NDArray) -> NDArray:
    """Rows minus their means, scaled to unit length."""
    rows = rows - rows.mean(axis=1, keepdims=True)
    return np.asarray(rows / np.maximum(np.sqrt(np.square(rows).sum(axis=1)), 1e-6)[:, None])


def _correlation(one: NDArray, other: NDArray) -> NDArray:
    """Correlation of rows that are normalized."""
    return np.asarray(np.einsum("ij,ij->i", one, other))


def _turns(dn: NDArray, blocks: NDArray[np.bool_]) -> set[int]:
    """Lines at which the picture inverts near the blocks of a mask, whose first element stands for the third block."""
    found = (_turn(dn, int(block) + 2) for block in np.flatnonzero(blocks))
    return {turn for turn in found if turn is not None}


def _turn(dn: NDArray, block: int) -> int | None:
    """The first line after the picture inverts, searched from the block before to the block after; None if it does
    not."""
    first, stop = (block - 2) * BLOCK, (block + 3) * BLOCK
    lines = dn[first:stop].astype(np.float64)
    at = np.arange(ROUND, len(lines) - ROUND + 1)
    means = np.stack([lines[k : k + ROUND].mean(axis=0) for k in range(len(lines) - ROUND + 1)])
    alike, fine = (
        _correlation(shape[at - ROUND], shape[at])
        for shape in (_normalized(means), _normalized(means[:, STEP:] - means[:, :-STEP]))
    )
    found, usual, noise = int(alike.argmin()), float(np.median(alike)), np.sqrt(TOGETHER / dn.shape[1])
    is_turn = alike[found] < min(TURNED * usual, -NO_CHANCE * noise) and fine[found] < -ALSO * noise
    return first + int(at[found]) if is_turn else None
