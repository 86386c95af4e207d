"""Evidence that strips are missing before a given one, and how many: file numbers, overlaps, wedge and format.

Where marks lie one strip pitch apart, they fit the next place just as well. Then one of these must show the gap, and
the marks need only agree with it.
"""

from collections.abc import Sequence

from calib.frame.coherence import scanned_film
from calib.frame.frame import Frame
from calib.frame.strips import missing_numbers
from calib.sweep.strip_order import Overlaps
from calib.sweep.wedge_end import SHOWN

MOST_MISSING = 2  # strips in a row
LEAST_TURNED = 2  # strips: a single one may have been scanned the other way by mistake

WedgeEnds = Sequence[tuple[float, float]]  # of every strip, as `wedge_shown` gives them


def suspected(frame: Frame, overlaps: Overlaps, ends: WedgeEnds, start: int) -> tuple[int, str]:
    """How many strips may be missing before strip `start`, and the evidence in words.

    Strip `start` does not continue the one before it. Returns (0, "") where only marks could show a gap.
    """
    lacking = missing_numbers(frame.strips, start)
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


def _shows_turned(ends: WedgeEnds, start: int) -> bool:
    """Whether the wedge changes ends at strip `start`.

    It does where all earlier strips show it at the stated end, and all from `start` on at the other one; strips that
    show it at both ends or at none do not count. Every second strip is scanned backwards, so one missing strip turns
    all that follow.
    """
    stated = [k for k, (here, other) in enumerate(ends) if here > SHOWN >= other]
    turned = [k for k, (here, other) in enumerate(ends) if other > SHOWN >= here]
    return bool(turned) and min(turned) >= start > max(stated, default=-1)


def _off_middle_mm(frame: Frame, missing: int) -> float:
    """Distance in x between the middle of the scanned film and that of the format, if `missing` strips are added."""
    low, high = scanned_film(frame.scan, frame.strips).x_mm
    return (low + high + missing * frame.scan.pitch_mm) / 2
