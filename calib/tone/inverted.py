"""Lines whose video is inverted, bright for dark, as where a recording's polarity is lost along a strip.

From one line to the next the picture across the strip goes on as it was, but for its sign; nothing on the film does
that, for the readout's spot covers two lines. So blocks of lines are compared, and where one is the negative of that
two farther on, the lines between are looked at one by one. Which of a strip's lines are inverted nothing here tells but
that they are fewer than the others.
"""

import numpy as np
from numpy.typing import NDArray

# All of these are by trial, on strips of 75 frames that were inverted in part.
# The first look, at blocks of lines:
BLOCK = 4  # lines averaged together
EVERY = 2  # samples, of which one is looked at
LOOKED_AT = 3.0  # 1-sigma of noise's correlation: blocks correlated by less than minus that are looked at closely
ONCE_SEEN = 0.3  # blocks correlated by less than that too, where one turn is known: there may be one back
# The close look, at single lines:
ROUND = 3  # lines on either side, of which means are compared
TURNED = -0.5  # times the correlation where the picture goes on: where it turns over it is lower than that,
NO_CHANCE = 5.0  # and lower than minus so many times what noise makes of it
STEP, ALSO = 3, 2.0  # the same, so many times, of differences over STEP samples: shades and banding may be opposite
TOGETHER = 2.0  # samples count as one, since the spot covers them
BESIDE = 1  # line at either end of a run of inverted ones may hold both


def inverted_lines(dn: NDArray) -> tuple[tuple[int, int], ...]:
    """Runs of lines of `dn` (n_lines, n_samples), first and stop, that are inverted against most others.

    What the tape lost is looked at too, for where a picture turns over a line may seem to be lost; garbage and constant
    lines are alike to nothing, not even turned over."""
    n_blocks = len(dn) // BLOCK
    if n_blocks < 5:
        return ()
    block = dn[: n_blocks * BLOCK, ::EVERY].reshape(n_blocks, BLOCK, -1).mean(axis=1, dtype=np.float32)
    shape = _shapes(block)
    next_to, beyond = _alike(shape[1:-2], shape[2:-1]), _alike(shape[1:-3], shape[3:-1])
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


def _shapes(rows: NDArray) -> NDArray:
    """Rows without their means, of length one."""
    rows = rows - rows.mean(axis=1, keepdims=True)
    return np.asarray(rows / np.maximum(np.sqrt(np.square(rows).sum(axis=1)), 1e-6)[:, None])


def _alike(one: NDArray, other: NDArray) -> NDArray:
    """Correlation of rows of length one."""
    return np.asarray(np.einsum("ij,ij->i", one, other))


def _turns(dn: NDArray, blocks: NDArray[np.bool_]) -> set[int]:
    """Where the picture turns over about some blocks, of which the first is the third."""
    found = (_turn(dn, int(block) + 2) for block in np.flatnonzero(blocks))
    return {turn for turn in found if turn is not None}


def _turn(dn: NDArray, block: int) -> int | None:
    """The first line behind the one at which the picture turns over, from the block before to the one behind; None
    where it does so nowhere from one line to the next."""
    first, stop = (block - 2) * BLOCK, (block + 3) * BLOCK
    lines = dn[first:stop].astype(np.float64)
    at = np.arange(ROUND, len(lines) - ROUND + 1)
    means = np.stack([lines[k : k + ROUND].mean(axis=0) for k in range(len(lines) - ROUND + 1)])
    alike, fine = (
        _alike(shape[at - ROUND], shape[at]) for shape in (_shapes(means), _shapes(means[:, STEP:] - means[:, :-STEP]))
    )
    found, usual, noise = int(alike.argmin()), float(np.median(alike)), np.sqrt(TOGETHER / dn.shape[1])
    is_turn = alike[found] < min(TURNED * usual, -NO_CHANCE * noise) and fine[found] < -ALSO * noise
    return first + int(at[found]) if is_turn else None
