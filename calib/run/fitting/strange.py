"""Leaves out lines that show different film from the neighbouring strips, before the fits are repeated.

The residuals of the first fits tell which lines these are. A strip in which they are the majority is left out whole.
"""

from collections.abc import Sequence
from dataclasses import replace

from calib.frame.remarks import Remark
from calib.frame.words import neighbours_of
from calib.run.fitting.first_places import FirstPlaces
from calib.sweep.strip_order import LeftOut
from calib.tone.dropouts import LostBlock, Reason, all_lost, with_blocks

MOST_STRANGE = 0.5  # of a strip's lines: beyond that the others agree with the neighbours by chance


def without_strange(places: FirstPlaces, strange: Sequence[Sequence[tuple[int, int]]]) -> FirstPlaces:
    """First places with the `strange` lines counted as lost: for each strip runs of lines as (first, stop)."""
    dropouts, out = list(places.dropouts), list(places.left_out)
    for k, (strip, runs) in enumerate(zip(places.frame.strips, strange, strict=True)):
        if sum(stop - first for first, stop in runs) > MOST_STRANGE * strip.n_lines:
            dropouts[k] = all_lost(strip.n_lines, strip.n_samples)
            why = f"left out: most of its lines show different film from {neighbours_of(k, len(strange))}"
            out.append(LeftOut(k, Remark(why, (k,))))
        else:
            blocks = [LostBlock(Reason.STRANGE, range(*run), range(strip.n_samples)) for run in runs]
            dropouts[k] = with_blocks(dropouts[k], blocks)
    return replace(places, dropouts=tuple(dropouts), left_out=tuple(out))
