"""The tone of a frame: for each strip the conversion of DN to density, with its uncertainties.

The model of a strip k is ``density = f_k(DN) - B_k(s) - R_k(l)``: `f_k` its transfer curve as a table over all DN,
`B_k` its banding by column (what all strips share plus what it adds of its own; mean zero over the columns) and `R_k`
its slow gain drift along the lines (mean zero over the lines).
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.frame.remarks import Remark

Table32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class PatchTable:
    """Every wedge patch of every strip: one row each, all arrays of one length.

    `density` is what the patch is stated to be, `dn` the mean it was measured at, `scatter_dn` the scatter of its
    `n_samples` samples about their column means, `residual_density` measured minus stated density after the fit with
    its 1-sigma `sigma_density`; `first_line`, `stop_line` bound the lines used; `reason` says why a row is not `used`.
    """

    strip: NDArray[np.int64]
    patch: NDArray[np.int64]
    value: Array
    density: Array
    dn: Array
    n_samples: NDArray[np.int64]
    scatter_dn: Array
    residual_density: Array
    sigma_density: Array
    first_line: NDArray[np.int64]
    stop_line: NDArray[np.int64]
    used: NDArray[np.bool_]
    reason: tuple[str, ...]

    def __post_init__(self) -> None:
        n = len(self.reason)
        for field in fields(self):
            if len(getattr(self, field.name)) != n:
                raise ValueError(f"{field.name} must have {n} rows, not {len(getattr(self, field.name))}")


@dataclass(frozen=True, slots=True)
class NoiseCorrelation:
    """Correlation of noise: the readout spot covers more than one sample, and neighbouring strips show the same grain.

    `along`, `across`: correlation of a sample's noise at lags of one and two lines, and of one and two samples.
    `shared`: correlation with the noise of a neighbouring strip at the same place of the film.
    """

    along: tuple[float, float] = (0.0, 0.0)
    across: tuple[float, float] = (0.0, 0.0)
    shared: float = 0.0

    @property
    def samples(self) -> float:
        """Correlation area of the noise, in samples: 1 for white noise."""
        return (1.0 + 2.0 * sum(self.along)) * (1.0 + 2.0 * sum(self.across))


UNCORRELATED = NoiseCorrelation()


@dataclass(frozen=True, slots=True, weakref_slot=True, eq=False)
class StripTone:
    """How one strip's DN become density: ``density_of_dn[DN] - column_density[s] - line_density[l]``.

    The tables over DN have one entry for every value the raster's type can hold and are finite everywhere; beyond
    `dn_span` (inclusive, as DN) the density is held and no tone can be had. `rising` says whether density rises
    with DN. `noise_density` is the 1-sigma scatter of one sample, `curve_sigma`, `column_sigma` and `line_sigma` the
    1-sigma uncertainties of the three tables. `reason` is empty, or says why the strip had to borrow from others.
    """

    density_of_dn: Table32
    dn_span: tuple[int, int]
    rising: bool
    column_density: Array
    line_density: Array
    noise_density: Table32
    curve_sigma: Table32
    column_sigma: Array
    line_sigma: Array
    reason: str = ""
    noise_correlation: NoiseCorrelation = UNCORRELATED

    def __post_init__(self) -> None:
        if self.density_of_dn.shape not in {(256,), (65536,)}:
            raise ValueError(f"density_of_dn must have shape (256,) or (65536,), not {self.density_of_dn.shape}")
        for name in ("noise_density", "curve_sigma"):
            if getattr(self, name).shape != self.density_of_dn.shape:
                raise ValueError(f"{name} must have the shape of density_of_dn")
        for name in ("density_of_dn", "noise_density", "curve_sigma", "column_density", "line_density"):
            if not np.all(np.isfinite(getattr(self, name))):
                raise ValueError(f"{name} must be finite everywhere")
        if not 0 <= self.dn_span[0] <= self.dn_span[1] < self.density_of_dn.size:
            raise ValueError(f"dn_span must lie within the table, not {self.dn_span}")

    @property
    def n_samples(self) -> int:
        """Number of samples in a line."""
        return self.column_density.size

    @property
    def n_lines(self) -> int:
        """Number of scan lines."""
        return self.line_density.size


@dataclass(frozen=True, slots=True, eq=False)
class Scales:
    """Variances found by a fit: roughness of the strips' curves and of the common one, drift, errors of stated wedge
    values; and the number of the drift's cosine beyond which their variance falls, `corner`."""

    own_roughness: float
    common_roughness: float
    drift: float
    drift_corner: float
    wedge: float


RESIDUAL_KINDS = ("wedge patches", "unexposed film", "reseau strokes", "overlaps")


@dataclass(frozen=True, slots=True, eq=False)
class ToneResiduals:
    """Residuals of all cells of the evidence: one row each, all arrays of one length.

    `kind`: index in `RESIDUAL_KINDS`.
    `density`: density of the cell by the fitted model, including banding and drift; of an overlap, the mean of both
        strips.
    `residual_density`: measured minus fitted; of an overlap, left strip minus right strip.
    `sigma_density`: 1-sigma used as weight: that of noise, times a factor for the scatter of residuals of this kind.
    """

    strip: NDArray[np.int64]
    kind: NDArray[np.int64]
    density: Array
    residual_density: Array
    sigma_density: Array

    def __post_init__(self) -> None:
        for field in fields(self):
            if getattr(self, field.name).shape != self.strip.shape:
                raise ValueError(f"{field.name} must have shape {self.strip.shape}")


@dataclass(frozen=True, slots=True, eq=False)
class ToneFit:
    """The tone of all strips of a frame, fitted together.

    `common_column_density`, `common_column_sigma` (n_samples,): the banding that all strips share, and its 1-sigma.
    `residuals`: those of all evidence. `scales`: variances of the unknowns found by the fit. `strange`: for each strip,
    runs of lines (first, stop) that show different film from its neighbours. `figures`: plain numbers for the report.
    `warnings`: remarks for the operator.
    """

    strips: tuple[StripTone, ...]
    common_column_density: Array
    common_column_sigma: Array
    patches: PatchTable
    figures: Mapping[str, float]
    warnings: tuple[Remark, ...]
    residuals: ToneResiduals
    scales: Scales | None = None
    strange: tuple[tuple[tuple[int, int], ...], ...] = ()
