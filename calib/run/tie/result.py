"""The result of `calib tie`."""

from dataclasses import dataclass
from pathlib import Path

from calib.camera.resection import Resection
from calib.coordinates import Array
from calib.ground.match_windows import ScaleShift
from calib.run.tie.search import Found
from calib.run.tie.windows import Ties


@dataclass(frozen=True, slots=True, eq=False)
class FinalFit:
    """The final resection and the ties that it keeps, their sigmas as the control file states them.

    `scatter` is that of the ties in their own sigmas by matching alone. `scales` holds their common shift by
    wavelength, which shows the effect of different lighting. `shared_mm` is the 1-sigma, in each film coordinate, of
    what moves all ties alike.
    """

    ties: Ties
    resection: Resection
    scatter: float
    scales: tuple[ScaleShift, ...]
    shared_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class TieResult:
    """The final fit, how far it moves the pointing, and what is written about it.

    `out` is the control file and `page` the page beside it. `ground_m` (N,) holds the distances on the ground between
    the places that the stated and the refined pointing give to film points spread over the format. `left_out` names
    windows that matched but do not agree with the rest, `unmatched` those without a match. A film sample is `sample_m`
    long on the ground and `sample_mm` on the film. `lines` are those for frame.toml that make a run use the file.
    """

    out: Path
    page: Path
    found: Found
    final: FinalFit
    sample_m: float
    sample_mm: float
    reach_m: float
    ground_m: Array
    moved_km: float
    turned_deg: float
    left_out: tuple[str, ...]
    unmatched: tuple[str, ...]
    warnings: tuple[str, ...]
    lines: tuple[str, ...]
