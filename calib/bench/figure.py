"""Results of a benchmark: figures with their targets and comparison values."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from math import inf, isfinite
from pathlib import Path

from calib.products.atomic import write_text


@dataclass(frozen=True, slots=True)
class Reach:
    """The target range of a figure, limits included."""

    low: float = -inf
    high: float = inf

    def holds(self, value: float) -> bool:
        """Whether `value` is in the range."""
        return self.low <= value <= self.high

    def __str__(self) -> str:
        if self.low == -inf:
            return f"<= {self.high:g}"
        return f">= {self.low:g}" if self.high == inf else f"{self.low:g} to {self.high:g}"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of one scene; `reach` is its target, None for explanatory ones; `beside` holds comparison values."""

    scene: str
    name: str
    found: float
    unit: str = ""
    reach: Reach | None = None
    beside: Mapping[str, float] = field(default_factory=dict)

    @property
    def reached(self) -> bool | None:
        """Whether the target is reached; None if there is no target or the figure could not be measured."""
        return self.reach.holds(self.found) if self.reach is not None and isfinite(self.found) else None


def write_json(path: Path, figures: Sequence[Figure]) -> None:
    """Write figures as a JSON list; numbers that are not finite become null."""
    rows = []
    for figure in figures:
        reach = None if figure.reach is None else [_plain(figure.reach.low), _plain(figure.reach.high)]
        beside = {name: _plain(value) for name, value in figure.beside.items()}
        row = asdict(figure) | {"found": _plain(figure.found), "reach": reach, "beside": beside}
        rows.append(row | {"reached": figure.reached})
    write_text(path, json.dumps(rows, indent=1) + "\n")


def _plain(value: float) -> float | None:
    return float(value) if isfinite(value) else None
