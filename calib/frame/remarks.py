"""Remarks about a frame or some of its strips: all stages keep them as data, and they are worded here."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from calib.frame.frame import StripRaster
from calib.frame.words import listed

MOST_NAMED = 2  # strips named with their files; more strips are only listed by number


@dataclass(frozen=True, slots=True)
class Remark:
    """A remark: its text, and the rising numbers of the strips concerned; none if it is about the frame."""

    text: str
    strips: tuple[int, ...] = ()


def worded(remarks: Iterable[Remark], strips: Sequence[StripRaster]) -> tuple[str, ...]:
    """A line for each remark; equal remarks about single strips are merged at the place of the first."""
    groups: dict[tuple[str, tuple[int, ...]], set[int]] = {}
    for remark in remarks:
        alike = (remark.text, () if len(remark.strips) == 1 else remark.strips)
        groups.setdefault(alike, set()).update(remark.strips)
    return tuple(_line(text, sorted(of), together, strips) for (text, together), of in groups.items())


def _line(text: str, of: Sequence[int], together: Sequence[int], strips: Sequence[StripRaster]) -> str:
    if not of:
        return text
    names = " and ".join(strips[k].called for k in of) if len(of) <= MOST_NAMED else f"strips {listed(of)}"
    each = ", each" if len(of) > 1 and not together else ""
    return f"{names}{each}: {text}"
