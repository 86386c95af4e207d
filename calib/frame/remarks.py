"""What is to be said of a frame or of some of its strips: kept as data by all stages, put into words in one place."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from calib.frame.frame import StripRaster
from calib.frame.words import listed

MOST_CALLED = 2  # strips named with their files; more are only numbered


@dataclass(frozen=True, slots=True)
class Remark:
    """What is said, without the strips it is said of: their numbers, rising; none where it is said of the frame."""

    text: str
    strips: tuple[int, ...] = ()


def worded(remarks: Iterable[Remark], strips: Sequence[StripRaster]) -> tuple[str, ...]:
    """A line for each remark; what is said of each of several strips is said once, at the place of the first."""
    groups: dict[tuple[str, tuple[int, ...]], set[int]] = {}
    for remark in remarks:
        alike = (remark.text, () if len(remark.strips) == 1 else remark.strips)
        groups.setdefault(alike, set()).update(remark.strips)
    return tuple(_line(text, sorted(of), together, strips) for (text, together), of in groups.items())


def _line(text: str, of: Sequence[int], together: Sequence[int], strips: Sequence[StripRaster]) -> str:
    if not of:
        return text
    names = " and ".join(strips[k].called for k in of) if len(of) <= MOST_CALLED else f"strips {listed(of)}"
    each = ", each" if len(of) > 1 and not together else ""
    return f"{names}{each}: {text}"
