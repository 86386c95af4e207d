"""How far on a strip's neighbours show what it shows, and where that jumps: what ties tell of lines that it lacks."""

from dataclasses import dataclass

from calib.coordinates import Array


@dataclass(frozen=True, slots=True, eq=False)
class Lags:
    """How many lines farther on than a strip the strip `neighbour` shows the same, where ties tell it: at `line` (N,)
    of the strip, rising, `lag` with its 1-sigma. All lines in the order of the film."""

    neighbour: int
    line: Array
    lag: Array
    sigma: Array


@dataclass(frozen=True, slots=True, eq=False)
class LagStep:
    """A strip's jump by so many `lines` (above 0 so many are missing) with their 1-sigma, somewhere between the lines
    `low` and `high`; what its neighbours' ties say there, and the wander's roughness."""

    strip: int
    low: int
    high: int
    lines: float
    sigma: float
    sides: tuple[Lags, ...]
    roughness: float
