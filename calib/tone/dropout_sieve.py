"""A fast test that proves most lines free of dropouts, so that only a few lines need the full search.

The search for lost samples (`dropout_kernels`) leaves the state "good" only where some stretch of a line gains more as
garbage or as a constant than entering that state costs. Here the gain of each sample is bounded from above in single
precision, without logarithms: the base-2 logarithm of a positive float is at most `LOG2_SLACK` above its bits read as
a number (exponent and mantissa side by side). If even these bounds cannot pay for an entry, the most probable chain is
"good" throughout, and the search would find the same. The bound may underrate good samples; then a line is searched
without need.
"""

import numpy as np

from calib.compiled import njit
from calib.tone.dropout_kernels import (
    BESIDE,
    ENTER_CONSTANT,
    ENTER_GARBAGE,
    ENTER_LINE,
    LEAVE,
    LOG_CHANGE,
    MOST_CHANCE,
    OVERSHOOT,
    T_AREA,
)
from calib.tone.dropout_tiles import TILE

SURE = 0.01  # log odds: many times the sum of single-precision rounding errors along a line
LOG2 = np.float32(np.log(2.0))
LOG2_SLACK = np.float32(0.0862)  # error of a logarithm that is linear between powers of two: at most 0.08607
ONE_MANTISSA = np.float32(2.0**-23)
STEP = 16  # samples
LEAST_LOSS = np.float32(-np.log(MOST_CHANCE))
WIDTH, THIRD, BEYOND = np.float32(T_AREA), np.float32(1.0 / 3.0), np.float32(OVERSHOOT)
ONE_SIDE = np.float32(T_AREA / BESIDE)


@njit(cache=True, nogil=True, error_model="numpy")
def widths(far_above, above, here, below, far_below, scale, wide):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Write to `wide` the inverse probability of each sample of a line if it is good, from two lines on each side."""
    for sample in range(here.size):
        value, up, down = np.int32(here[sample]), np.int32(above[sample]), np.int32(below[sample])
        up_on = np.int32(up + up - np.int32(far_above[sample]))
        down_on = np.int32(down + down - np.int32(far_below[sample]))
        low, high = min(min(up, up_on), min(down, down_on)), max(max(up, up_on), max(down, down_on))
        span = np.float32(np.int32(high - low))
        reach = scale[sample] + BEYOND * span
        per_reach = np.float32(1.0) / reach
        off = np.float32(max(max(np.int32(low - value), np.int32(value - high)), np.int32(0))) * per_reach
        tail = np.float32(1.0) + off * off * THIRD
        near = np.float32(min(abs(np.int32(value - up)), abs(np.int32(value - down)))) * per_reach
        of_side = np.float32(1.0) + near * near * THIRD
        wide[sample] = min((span + WIDTH * reach) * tail * tail, ONE_SIDE * reach * of_side * of_side)


@njit(cache=True, nogil=True, error_model="numpy")
def bounded_gains(lines, wide_bits, clip, chances, top, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Upper bounds for each sample: its loss as a good one, its gain as garbage, its gain in the better bad state.

    They are written to the three rows of `out`. `lines` are the line before, the line itself and the line after;
    `chances` are the greatest log probabilities of garbage within the scale and at its two ends, 0 and `top`.
    """
    (above, here, below), (loss, gain, either) = lines, out
    for sample in range(here.size):
        value = here[sample]
        log2 = np.float32(wide_bits[sample]) * ONE_MANTISSA - np.float32(127.0) + LOG2_SLACK
        lost = max(log2 * LOG2, LEAST_LOSS)
        clipped = (value <= clip[0]) | (value >= clip[1])
        lost = np.float32(0.0) if clipped & ((value == above[sample]) | (value == below[sample])) else lost
        chance = chances[1] if (value == 0) | (value == top) else chances[0]
        loss[sample] = lost
        gain[sample] = lost + chance
    either[0] = gain[0]
    for sample in range(1, here.size):
        repeats = here[sample] == here[sample - 1]
        either[sample] = max(loss[sample], gain[sample]) if repeats else gain[sample]


@njit(cache=True, nogil=True, fastmath={"reassoc", "nsz", "nnan"})
def may_leave_good(either):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether some chain of states might pay for an entry: a bound from sums over steps of STEP samples.

    Within a step a chain gains at most the positive gains; a chain through the whole step gains their sum. `either` is
    padded with zeros to whole steps.
    """
    entry = np.float32(ENTER_LINE)
    best = np.float32(-1e9)
    for step in range(either.size // STEP):
        total, positive = np.float32(0.0), np.float32(0.0)
        for index in range(STEP):
            value = either[step * STEP + index]
            total += value
            positive += max(value, np.float32(0.0))
        if max(best, entry) + positive > -SURE:
            return True
        best = max(best + total, entry + positive)
        entry = np.float32(ENTER_GARBAGE)
    return False


@njit(cache=True, nogil=True)
def leaves_good(here, loss, gain):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Whether any chain may beat "good" throughout: the recursion of the search on the bounds, relative to good."""
    garbage = ENTER_LINE + gain[0]
    constant = garbage
    for sample in range(1, here.size):
        if max(garbage, constant) + LEAVE > -SURE:
            return True
        before = garbage
        garbage = max(garbage, max(constant, 0.0) + ENTER_GARBAGE) + gain[sample]
        stays = loss[sample] if here[sample] == here[sample - 1] else LOG_CHANGE + gain[sample]
        constant = max(constant + stays, max(before, 0.0) + ENTER_CONSTANT + gain[sample])
    return max(garbage, constant) > -SURE


@njit(cache=True, nogil=True)
def lines_to_search(dn, scale, chance, clip, near_lost):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mask of lines to search: those `near_lost`, the two at each end, and those not proved whole."""
    n_lines, n_samples = dn.shape
    top = chance.size - 1
    likeliest = chance[1]
    for number in range(2, top):
        likeliest = max(likeliest, chance[number])
    chances = (np.float32(likeliest), np.float32(max(chance[0], chance[top])))
    local, wide = np.empty(n_samples, np.float32), np.empty(n_samples, np.float32)
    loss, gain = np.empty(n_samples, np.float32), np.empty(n_samples, np.float32)
    either = np.zeros((n_samples + STEP - 1) // STEP * STEP, np.float32)
    search = np.ones(n_lines, np.bool_)
    row = -1
    for line in range(2, n_lines - 2):
        if near_lost[line]:
            continue
        if line // TILE != row:
            row = line // TILE
            for sample in range(n_samples):
                local[sample] = scale[row, sample // TILE]
        above, here, below = dn[line - 1], dn[line], dn[line + 1]
        widths(dn[line - 2], above, here, below, dn[line + 2], local, wide)
        bits = wide.view(np.int32)
        bounded_gains((above, here, below), bits, clip, chances, top, (loss, gain, either))
        search[line] = may_leave_good(either) and leaves_good(here, loss, gain)
    return search
