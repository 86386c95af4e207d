"""Results of the sweep stage: the measured marks and ties, and the sweeps fitted to them."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from calib.coordinates import Array
from calib.frame.remarks import Remark
from calib.sweep.model import StripSweep

EVERY_SAMPLE = slice(None)


class ReadWindow(Protocol):
    """A reader of some samples of lines `first` to `stop` (exclusive) of a strip: values and 1-sigma noise, each
    (stop - first, n); sigma is inf where there is no signal."""

    def __call__(
        self, first: int, stop: int, samples: slice = EVERY_SAMPLE
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]: ...


GOOD = "used"
OUTSIDE = "outside"
CUT = "cut by the edge"
NOT_SEEN = "not seen"
BAD_RESIDUAL = "residual too large"
ODD_STROKE = "strokes unlike the other marks'"
DISAGREES = "disagrees with the sweep"


@dataclass(frozen=True, slots=True, eq=False)
class MarkTable:
    """Reseau marks looked for in the strips, one entry each (arrays of shape (M,)).

    `line`, `sample` are the measured place, `var_line`, `var_sample`, `cov` its covariance in px^2; `chi2` is the
    reduced chi-square of the mark's window; `reason` is `GOOD` or why the mark was left out. Residuals (mm) are film
    place by the sweep minus stated place, after the fit and against the nominal sweep. `stroke_value` is the value
    inside the strokes, freed of blur, in the units of the window it was measured in.
    """

    strip: NDArray[np.int64]
    mark: NDArray[np.int64]
    line: Array
    sample: Array
    var_line: Array
    var_sample: Array
    cov: Array
    chi2: Array
    used: NDArray[np.bool_]
    reason: tuple[str, ...]
    residual_x_mm: Array
    residual_y_mm: Array
    first_residual_x_mm: Array
    first_residual_y_mm: Array
    stroke_value: Array
    stroke_sigma: Array

    def __len__(self) -> int:
        return self.strip.size

    def with_columns(self, **columns: Any) -> Self:
        """The same table with some columns replaced."""
        return replace(self, **columns)


@dataclass(frozen=True, slots=True, eq=False)
class TieTable:
    """Ties between neighbouring strips, one entry a window of the overlap (arrays of shape (T,)).

    `strip` is the left strip; `x_mm`, `y_mm` the film place; `dx_mm`, `dy_mm` the displacement of the right strip's
    picture from the left one's by the sweeps it was measured with; `sigma_..` its 1-sigma; `residual_..` after the fit.
    """

    strip: NDArray[np.int64]
    x_mm: Array
    y_mm: Array
    dx_mm: Array
    dy_mm: Array
    sigma_x_mm: Array
    sigma_y_mm: Array
    residual_x_mm: Array
    residual_y_mm: Array
    used: NDArray[np.bool_]

    def __len__(self) -> int:
        return self.strip.size


@dataclass(frozen=True, slots=True, eq=False)
class FirstLook:
    """The strips placed by marks on raw DN.

    `expected` and `strength` (K,): the number of marks that a strip should show, and the weight of those found.
    `unmarked`: strips whose marks were not found although those of others were, each with the number of its marks that
    are not lost.
    """

    sweeps: tuple[StripSweep, ...]
    expected: NDArray[np.int64]
    strength: Array
    unmarked: Mapping[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class SweepFit:
    """The fitted sweeps of all strips with the evidence they rest on.

    `common_sweep_mm` (n_samples,): by how much the sweep that all strips share departs from the nominal one, with
        its 1-sigma, `common_sigma_mm`.
    `spot_px`: rms radius of the readout's spot across (samples) and along (lines); None where no mark told it.
    `soft_mm` (K, 2): rms radius x and y of what blurs a strip beyond that spot, as out of focus; 0 where nothing does.
    `figures`: plain numbers by name. `warnings`: remarks for the operator.
    """

    sweeps: tuple[StripSweep, ...]
    marks: MarkTable
    ties: TieTable
    common_sweep_mm: Array
    common_sigma_mm: Array
    spot_px: tuple[float, float] | None
    soft_mm: Array
    figures: dict[str, float]
    warnings: tuple[Remark, ...]
