"""Formats values, keys and numbers as short texts for mistakes and warnings."""

import re
from collections.abc import Mapping, Sequence
from datetime import date, time

SHOWN_VALUES = 4
_BARE = re.compile(r"[A-Za-z0-9_-]+")


def in_words(value: object) -> str:
    """A value in the terms of TOML; long values are cut, and line breaks escaped."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, int):
        return str(value) if abs(value) < 10**20 else "a whole number of more than 20 digits"
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "a table with " + _some([in_key(str(key)) for key in value]) if value else "an empty table"
    if isinstance(value, Sequence):
        return f"[{_some([in_words(item) for item in value[: SHOWN_VALUES + 1]], len(value))}]"
    return repr(value)


def quoted(text: str, limit: int = 60) -> str:
    """A text in quotes, cut to `limit` characters, with unprintable ones escaped."""
    cut = text if len(text) <= limit else text[: limit - 3] + "..."
    return '"' + "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in cut) + '"'


def in_key(name: str) -> str:
    """A key as written in TOML: without quotes if possible."""
    return name if _BARE.fullmatch(name) else quoted(name, 40)


def dotted(place: Sequence[str | int]) -> str:
    """The place of a value in a description, as ``film.wedge.patches[3].value``."""
    parts = [f"[{step}]" if isinstance(step, int) else f".{in_key(step)}" for step in place]
    return "".join(parts).removeprefix(".")


def listed(numbers: Sequence[int]) -> str:
    """Rising numbers as a list; three or more consecutive ones as a span, "4 to 7"."""
    spans: list[list[int]] = []
    for number in numbers:
        if spans and number == spans[-1][-1] + 1:
            spans[-1].append(number)
        else:
            spans.append([number])
    return ", ".join(
        f"{span[0]} to {span[-1]}" if len(span) > 2 else ", ".join(str(number) for number in span) for span in spans
    )


def neighbours_of(strip: int, count: int) -> str:
    """The neighbours of a strip among `count` strips, in words: "strip 1 and strip 3"."""
    return " and ".join(f"strip {k}" for k in (strip - 1, strip + 1) if 0 <= k < count)


def _some(items: list[str], total: int | None = None) -> str:
    total = len(items) if total is None else total
    shown = ", ".join(items[:SHOWN_VALUES])
    return shown if total <= SHOWN_VALUES else f"{shown}, ... {total} in all"
