"""What a benchmark finds: figures, what they are to reach, and what others leave of the same frame."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from math import inf, isfinite
from pathlib import Path

from calib.products.atomic import write_text


@dataclass(frozen=True, slots=True)
class Reach:
    """The span, ends included, in which a figure is to lie."""

    low: float = -inf
    high: float = inf

    def holds(self, value: float) -> bool:
        """Whether `value` is reached."""
        return self.low <= value <= self.high

    def __str__(self) -> str:
        if self.low == -inf:
            return f"<= {self.high:g}"
        return f">= {self.low:g}" if self.high == inf else f"{self.low:g} to {self.high:g}"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of one scene; `reach` is None where it only explains another, `beside` holds rivals and bounds."""

    scene: str
    name: str
    found: float
    unit: str = ""
    reach: Reach | None = None
    beside: Mapping[str, float] = field(default_factory=dict)

    @property
    def reached(self) -> bool | None:
        """Whether it is reached; None where nothing is to be reached or nothing could be measured."""
        return self.reach.holds(self.found) if self.reach is not None and isfinite(self.found) else None


def write_json(path: Path, figures: Sequence[Figure]) -> None:
    """Write figures as a JSON list; what is not finite becomes null."""
    rows = []
    for figure in figures:
        reach = None if figure.reach is None else [_plain(figure.reach.low), _plain(figure.reach.high)]
        beside = {name: _plain(value) for name, value in figure.beside.items()}
        row = asdict(figure) | {"found": _plain(figure.found), "reach": reach, "beside": beside}
        rows.append(row | {"reached": figure.reached})
    write_text(path, json.dumps(rows, indent=1) + "\n")


def _plain(value: float) -> float | None:
    return float(value) if isfinite(value) else None
