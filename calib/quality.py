"""The quality bits of the film and map products, for code, files and documentation."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class QualityBit:
    """One bit of a quality mask."""

    value: int
    name: str
    meaning: str


OUTSIDE = 1
DROPOUT = 2
LOW_DENSITY = 4
HIGH_DENSITY = 8
MARK = 16
FILLED = 32
NIGHT = 64
SEAM = 128
OBLIQUE = 256

BITS: tuple[QualityBit, ...] = (
    QualityBit(OUTSIDE, "outside", "not scanned; on the map: outside the format or off the Moon"),
    QualityBit(DROPOUT, "dropout", "the tape dropped out here"),
    QualityBit(LOW_DENSITY, "low_density", "at or below the low-density end of what can be calibrated"),
    QualityBit(HIGH_DENSITY, "high_density", "at or above the high-density end of what can be calibrated"),
    QualityBit(MARK, "mark_or_wedge", "a reseau mark or the step wedge"),
    QualityBit(FILLED, "filled", "filled from neighbours"),
    QualityBit(NIGHT, "night", "Sun below the horizon"),
    QualityBit(SEAM, "seam", "blended from two strips"),
    QualityBit(OBLIQUE, "very_oblique", "emission above 80 degrees"),
)
