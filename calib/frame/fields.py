"""Types of the fields of a description, with the checks of single values."""

from datetime import UTC, datetime
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from calib.frame.words import in_words

YEARS = (1960, 2099)  # first and last for which the Sun's position can be computed


class MismatchError(ValueError):
    """A value that fails a check: `found` and `expected` in words, and the keys `below` the checked place."""

    def __init__(self, found: str, expected: str, *below: str | int) -> None:
        self.found, self.expected, self.below = found, expected, below
        super().__init__(f"found {found}, expected {expected}")


class Table(BaseModel):
    """A table of the description."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def above_zero(most: float, unit: str, **default: Any) -> Any:
    """A field for a number above 0 and up to `most`; larger values suggest a wrong unit."""
    in_unit = f" ({unit})" if unit else ""
    return Field(gt=0, le=most, description=f"a number above 0 and up to {most:g}{in_unit}", **default)


def within(least: float, most: float, unit: str, **default: Any) -> Any:
    """A field for a number from `least` to `most`."""
    return Field(ge=least, le=most, description=f"a number from {least:g} to {most:g} ({unit})", **default)


FilmMm = Annotated[float, Field(ge=-1e4, le=1e4)]
SizeMm = Annotated[float, Field(gt=0, le=1e4)]
MapMetres = Annotated[float, Field(ge=-1e9, le=1e9)]
Density = Annotated[float, Field(ge=0, le=10)]
LogExposure = Annotated[float, Field(ge=-10, le=10)]
Longitude = Annotated[float, Field(ge=-360, le=360)]
Latitude = Annotated[float, Field(ge=-90, le=90)]
Speed = Annotated[float, Field(ge=-100, le=100)]  # km/s
TurnRate = Annotated[float, Field(ge=-360, le=360)]  # deg/s


def rising(pair: tuple[float, ...]) -> tuple[float, ...]:
    """The pair itself; MismatchError unless its second value is above its first."""
    if not pair[0] < pair[1]:
        raise MismatchError(in_words(pair), "the second value above the first")
    return pair


def in_utc(time: datetime) -> datetime:
    """The date-time converted to UTC; MismatchError if it has no offset or its year is out of range."""
    expected = f"a date-time with Z or its offset from UTC, in the years {YEARS[0]} to {YEARS[1]}"
    if time.tzinfo is None or not YEARS[0] - 1 <= time.year <= YEARS[1] + 1:
        raise MismatchError(in_words(time), expected)
    moved = time.astimezone(UTC)
    if not YEARS[0] <= moved.year <= YEARS[1]:
        raise MismatchError(in_words(time), expected)
    return moved


def single_line(text: str) -> str:
    """The text itself; MismatchError unless it is one printable line."""
    if not text.strip() or not text.isprintable():
        raise MismatchError(in_words(text), "a text of one printable line")
    return text


def rising_dn(pair: tuple[int, int]) -> tuple[int, int]:
    """The pair of DN itself; MismatchError unless 0 <= low < high."""
    if not 0 <= pair[0] < pair[1]:
        raise MismatchError(in_words(pair), "[low, high] in DN, low of 0 or more, high above low")
    return pair


def an_area(bounds: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """The bounds themselves; MismatchError unless both sides are longer than 0."""
    if not (bounds[0] < bounds[2] and bounds[1] < bounds[3]):
        raise MismatchError(in_words(bounds), "[xmin, ymin, xmax, ymax] with xmin < xmax and ymin < ymax")
    return bounds


RisingPair = Annotated[tuple[FilmMm, FilmMm], AfterValidator(rising)]
Text = Annotated[str, AfterValidator(single_line)]
Area = Annotated[tuple[MapMetres, MapMetres, MapMetres, MapMetres], AfterValidator(an_area)]
Saturation = Annotated[tuple[int, int], AfterValidator(rising_dn)]
Moment = Annotated[datetime, AfterValidator(in_utc)]
