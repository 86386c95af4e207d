"""Input of the report: plain arrays and texts, gathered by the run. Every part may be absent, with a reason."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calib.products.fits import FitsFile
from calib.products.provenance import Provenance

Picture = NDArray[np.floating]


@dataclass(frozen=True, slots=True)
class ReportFigure:
    """A key figure with its unit; `limit`: the best value that physics allows; `limit_meaning`: what sets it."""

    name: str
    meaning: str
    value: float
    unit: str = ""
    limit: float | None = None
    limit_meaning: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class PicturePair:
    """The same part of the film before and after calibration (R, C); larger values are lighter, NaN: no data.

    Each picture is stretched between its own 0.5 % and 99.5 % percentiles. At most 2048 pixels wide.
    """

    title: str
    before: Picture
    after: Picture
    before_caption: str = "as read out"
    after_caption: str = "calibrated"


@dataclass(frozen=True, slots=True, eq=False)
class QualityPicture:
    """A small picture of a bit mask (R, C); `shares`: for each bit of quality.BITS its share of the raster (0 to 1)."""

    title: str
    mask: NDArray[np.uint16]
    shares: Mapping[int, float]
    backdrop: Picture | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SeamJumps:
    """For each seam (K-1,): rms jump of density over its blocks, the rms that noise alone causes, and whether a warning
    of the run names the seam."""

    jump: NDArray[np.floating]
    noise_floor: NDArray[np.floating]
    stands_out: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class DensityResiduals:
    """Residuals of all evidence in the tone fit (N,): measured minus fitted density, with its 1-sigma.

    `kind` is an index in `kinds`, their names; `density` is that of the film at the place.
    """

    kinds: Sequence[str]
    kind: NDArray[np.integer]
    density: NDArray[np.floating]
    residual: NDArray[np.floating]
    sigma: NDArray[np.floating]


@dataclass(frozen=True, slots=True, eq=False)
class SampleNoise:
    """Scatter of one sample in density, as measured in the wedge patches (P,) and as predicted from the granularity.

    `grain_per_density`: variance per unit of density by Selwyn's law; None if no granularity is stated.
    """

    patch_density: NDArray[np.floating]
    patch_scatter: NDArray[np.floating]
    grain_per_density: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ColumnSpectrum:
    """Power of the column means, density^2 per bin, by spatial frequency, cycles per sample; arrays (F,).

    `pitch_samples`: columns of the joined frame per strip; None if strips were not joined.
    """

    frequency: NDArray[np.floating]
    before: NDArray[np.floating]
    after: NDArray[np.floating]
    noise_floor: float | None = None
    pitch_samples: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Globe:
    """The frame on the Moon, in degrees: footprint (N,), its centre, sub-camera and subsolar points (lon, lat)."""

    center_deg: tuple[float, float]
    camera_deg: tuple[float, float]
    sun_deg: tuple[float, float]
    footprint_lon_deg: NDArray[np.floating]
    footprint_lat_deg: NDArray[np.floating]


@dataclass(frozen=True, slots=True, eq=False)
class MapLayer:
    """A small picture of a map product (R, C), with title, unit and a note."""

    title: str
    values: Picture
    unit: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class MapPicture:
    """Map products on one grid: its edges (west, south, east, north) in metres, and the footprint ring in degrees."""

    layers: Sequence[MapLayer]
    edges_m: tuple[float, float, float, float]
    crs_wkt: str
    crs_name: str
    footprint_lon_deg: NDArray[np.floating]
    footprint_lat_deg: NDArray[np.floating]


@dataclass(frozen=True, slots=True, eq=False)
class ReportData:
    """Content of the page. `facts`: label and text, in order. `absent`: why a section is empty, by its name.

    Names of the sections: frame, tone, residuals, banding, geometry, seams, spectrum, map, quality.
    """

    facts: Sequence[tuple[str, str]]
    figures: Sequence[ReportFigure]
    provenance: Provenance
    fits: FitsFile | None = None
    pairs: Sequence[PicturePair] = ()
    seams: SeamJumps | None = None
    residuals: DensityResiduals | None = None
    noise: SampleNoise | None = None
    spectrum: ColumnSpectrum | None = None
    globe: Globe | None = None
    map: MapPicture | None = None
    quality: Sequence[QualityPicture] = ()
    absent: Mapping[str, str] = field(default_factory=dict)
