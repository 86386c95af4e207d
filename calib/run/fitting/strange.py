"""Lines that show other film than the strips beside theirs, as the fits have told: left out before these are made anew.

A strip of which most lines do is left out whole.
"""

from collections.abc import Sequence
from dataclasses import replace

from calib.frame.remarks import Remark
from calib.frame.words import beside
from calib.run.fitting.first_places import FirstPlaces
from calib.sweep.strip_order import LeftOut
from calib.tone.dropouts import LostBlock, Reason, all_lost, with_blocks

MOST = 0.5  # of a strip's lines: what is left of them is by chance alike


def without_strange(places: FirstPlaces, strange: Sequence[Sequence[tuple[int, int]]]) -> FirstPlaces:
    """The strips' first places without lines, first and stop of runs by strip, that are `strange`."""
    dropouts, out = list(places.dropouts), list(places.left_out)
    for k, (strip, runs) in enumerate(zip(places.frame.strips, strange, strict=True)):
        if sum(stop - first for first, stop in runs) > MOST * strip.n_lines:
            dropouts[k] = all_lost(strip.n_lines, strip.n_samples)
            why = f"left out: most of its lines show different film from {beside(k, len(strange))}"
            out.append(LeftOut(k, Remark(why, (k,))))
        else:
            blocks = [LostBlock(Reason.STRANGE, range(*run), range(strip.n_samples)) for run in runs]
            dropouts[k] = with_blocks(dropouts[k], blocks)
    return replace(places, dropouts=tuple(dropouts), left_out=tuple(out))
