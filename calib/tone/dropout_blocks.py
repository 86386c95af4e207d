"""Finds sharp-edged blocks of clipped samples, as dropped lines leave them; film that is clipped has softer borders."""

import numpy as np

from calib.compiled import njit
from calib.tone.dropout_tiles import TILE

MINIMUM_BLOCK = 12  # samples: shortest clipped run that may be a dropout
STANDS_OUT = 6.0  # the line beside a block differs from it by this many times the tile's scatter plus 1 DN, ...
MOSTLY = 0.85  # ... and resembles the line after it, in at least this share of its samples,
MOSTLY_WHOLE = 0.6  # or differs in this share, if the block is as wide as the strip


@njit(cache=True, nogil=True)
def _is_run(dn, line, first, stop, value):  # type: ignore[no-untyped-def]
    """Whether samples `first` to `stop` of a line all have this value, and the next ones on both sides do not."""
    for sample in range(first, stop):
        if dn[line, sample] != value:
            return False
    if first > 0 and dn[line, first - 1] == value:
        return False
    return stop == dn.shape[1] or dn[line, stop] != value


@njit(cache=True, nogil=True)
def _goes_on_smoothly(dn, scale, near, far, first, stop, value, is_film):  # type: ignore[no-untyped-def]
    """Whether the film beside a block is unaffected: the line `near` resembles the next one, `far`, not the block.

    Beyond the strip's end there is no line; then the answer is whether clipped film cannot read this value (`is_film`).
    """
    if near < 0 or near >= dn.shape[0]:
        return not is_film
    n_off, n_like = 0, 0
    whole = stop - first == dn.shape[1]
    beyond = min(max(near + (far - near) * TILE, 0), dn.shape[0] - 1)  # a tile whose scatter the block does not raise
    for sample in range(first, stop):
        tile = STANDS_OUT * scale[near // TILE, sample // TILE] + 1.0
        least = min(tile, STANDS_OUT * scale[beyond // TILE, sample // TILE] + 1.0)
        if abs(float(dn[near, sample]) - float(value)) > least:
            n_off += 1
        if far < 0 or far >= dn.shape[0] or abs(float(dn[near, sample]) - float(dn[far, sample])) <= tile:
            n_like += 1
    if whole:  # film clipped from edge to edge does not end at one line in more than half of its width
        return n_off >= MOSTLY_WHOLE * (stop - first)
    return min(n_off, n_like) >= MOSTLY * (stop - first)


@njit(cache=True, nogil=True)
def mark_clipped_blocks(dn, scale, clip, lost):  # type: ignore[no-untyped-def]
    """Mark sharp-edged rectangles of clipped samples in `lost`; returns whether there are any."""
    n_lines, n_samples = dn.shape
    (clip_low, clip_high), some, top = clip, False, np.iinfo(dn.dtype).max
    for line in range(n_lines):
        n_clipped = 0
        for sample in range(n_samples):
            n_clipped += (dn[line, sample] <= clip_low) | (dn[line, sample] >= clip_high)
        first = 0 if n_clipped >= MINIMUM_BLOCK else n_samples
        while first < n_samples:
            value = dn[line, first]
            stop = first + 1
            if clip_low < value < clip_high:
                first = stop
                continue
            while stop < n_samples and dn[line, stop] == value:
                stop += 1
            if stop - first >= MINIMUM_BLOCK and not lost[line, first]:
                end = line + 1
                while end < n_lines and _is_run(dn, end, first, stop, value):
                    end += 1
                is_film = 0 < value < top  # lost samples mostly read as an end of the data type
                stands_out = _goes_on_smoothly(dn, scale, line - 1, line - 2, first, stop, value, is_film)
                stands_out &= _goes_on_smoothly(dn, scale, end, end + 1, first, stop, value, is_film)
                if stands_out:
                    lost[line:end, first:stop] = True
                    some = True
            first = stop
    return some
