"""What the report shows: plain arrays and texts, gathered by the run. Every part may be absent, with the reason why."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calib.products.fits import FitsFile
from calib.products.provenance import Provenance

Picture = NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class ReportFigure:
    """A number that matters, with its unit; `limit` is what physics allows at best, `limit_meaning` what sets it."""

    name: str
    meaning: str
    value: float
    unit: str = ""
    limit: float | None = None
    limit_meaning: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class PicturePair:
    """The same piece of film before and after (R, C), larger is lighter, NaN where there is nothing.

    Each is stretched on its own between its 0.5 % and 99.5 % values. At most about 1600 pixels wide.
    """

    title: str
    before: Picture
    after: Picture
    before_caption: str = "as read out"
    after_caption: str = "calibrated"


@dataclass(frozen=True, slots=True, eq=False)
class QualityPicture:
    """A bit mask (R, C) seen from afar; `shares`: for each bit of quality.BITS the share of the raster (0 to 1)."""

    title: str
    mask: NDArray[np.uint16]
    shares: Mapping[int, float]
    backdrop: Picture | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SeamCheck:
    """The jump of density over each seam (K-1,), the 1-sigma that noise alone would give it, and the jump before."""

    jump: NDArray[np.floating]
    noise_floor: NDArray[np.floating]
    before: NDArray[np.floating] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ColumnSpectrum:
    """Power of the column means against spatial frequency (F,), in cycles per sample, density^2 per bin."""

    frequency: NDArray[np.floating]
    before: NDArray[np.floating]
    after: NDArray[np.floating]
    noise_floor: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class MapLayer:
    """One map product seen from afar (R, C), its title and unit."""

    title: str
    values: Picture
    unit: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class MapPicture:
    """The map products on one grid: edges (west, south, east, north) in metres, footprint as a ring in degrees."""

    layers: Sequence[MapLayer]
    edges_m: tuple[float, float, float, float]
    crs_wkt: str
    crs_name: str
    footprint_lon_deg: NDArray[np.floating]
    footprint_lat_deg: NDArray[np.floating]


@dataclass(frozen=True, slots=True, eq=False)
class ReportData:
    """Everything on the page. `facts`: label and text, in order. `absent`: why a section has nothing to show.

    Its keys are the names of the sections: frame, tone, banding, geometry, seams, spectrum, map, quality.
    """

    facts: Sequence[tuple[str, str]]
    figures: Sequence[ReportFigure]
    provenance: Provenance
    fits: FitsFile | None = None
    pairs: Sequence[PicturePair] = ()
    seams: SeamCheck | None = None
    spectrum: ColumnSpectrum | None = None
    map: MapPicture | None = None
    quality: Sequence[QualityPicture] = ()
    absent: Mapping[str, str] = field(default_factory=dict)
