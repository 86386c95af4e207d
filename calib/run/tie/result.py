"""What `calib tie` found, as a value."""

from dataclasses import dataclass
from pathlib import Path

from calib.camera.resection import Resection
from calib.coordinates import Array
from calib.ground.match_windows import ScaleShift
from calib.run.tie.search import Found
from calib.run.tie.windows import Ties


@dataclass(frozen=True, slots=True, eq=False)
class TieResult:
    """What was found: the ties that stand in the control file, what they make of the pointing, and the words for it.

    `ground_m` are lengths (N,) on the ground, over the format, between where the stated and the refined pointing put
    a place; `left_out` names windows that matched but do not agree with the rest, `unmatched` those without a match.
    `shared_mm` is the 1-sigma, in each film coordinate, of what moves all ties alike. A film sample is `sample_m` long
    on the ground and `sample_mm` on the film.
    """

    out: Path
    page: Path
    found: Found
    ties: Ties
    resection: Resection
    sample_m: float
    sample_mm: float
    reach_m: float
    ground_m: Array
    moved_km: float
    turned_deg: float
    scatter: float
    shared_mm: float
    scales: tuple[ScaleShift, ...]
    left_out: tuple[str, ...]
    unmatched: tuple[str, ...]
    warnings: tuple[str, ...]
    lines: tuple[str, ...]
