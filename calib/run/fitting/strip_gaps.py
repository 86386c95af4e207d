"""What speaks for it that strips are missing before one, and how many: their numbers, overlaps, the wedge, the format.

Marks that lie a pitch apart fit the next place as well. Then something else must tell, and marks need only allow it.
"""

from collections.abc import Sequence

from calib.frame.coherence import scanned_film
from calib.frame.frame import Frame
from calib.frame.strips import numbers_lacking
from calib.sweep.strip_order import Overlaps
from calib.sweep.wedge_end import SHOWN

MOST_MISSING = 2  # strips in a row
LEAST_TURNED = 2  # strips: a single one may have been turned by itself

Ends = Sequence[tuple[float, float]]  # of every strip, as `wedge_shown` gives them


def suspected(frame: Frame, overlaps: Overlaps, ends: Ends, start: int) -> tuple[int, str]:
    """How many strips may be missing before strip `start`, which does not continue the one before, and what tells that;
    none and nothing where marks alone could tell."""
    lacking = numbers_lacking(frame.strips, start)
    is_turned = _shows_turned(ends, start)
    if 0 < lacking <= MOST_MISSING:
        if start and overlaps.other[start - 1]:
            return lacking, "number and overlap"
        if is_turned and lacking % 2:
            return lacking, "number and the end of the wedge"
        if abs(_off_middle_mm(frame, lacking)) < abs(_off_middle_mm(frame, 0)):
            return lacking, "number and the format"
    if is_turned and not lacking and start and len(ends) - start >= LEAST_TURNED:
        return 1, "the end of the wedge"
    return 0, ""


def _shows_turned(ends: Ends, start: int) -> bool:
    """Whether all strips from `start` on that show the wedge at one end alone show it where it is not said to be, and
    all those before where it is: every second strip is scanned the other way, and one is missing."""
    stated = [k for k, (here, other) in enumerate(ends) if here > SHOWN >= other]
    turned = [k for k, (here, other) in enumerate(ends) if other > SHOWN >= here]
    return bool(turned) and min(turned) >= start > max(stated, default=-1)


def _off_middle_mm(frame: Frame, missing: int) -> float:
    """How far the middle of the film scanned lies from that of the format, in x, were so many strips more scanned."""
    low, high = scanned_film(frame.scan, frame.strips).x_mm
    return (low + high + missing * frame.scan.pitch_mm) / 2
