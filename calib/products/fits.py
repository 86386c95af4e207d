"""Writes fits.nc: everything that was fitted to a frame, with its 1-sigma, so that it can be judged and reused.

The file is flat. Along `line` all strips have the length of the longest (or of the chosen knots); values beyond the end
of a shorter strip are missing. Sections for which a run has no values are left out, never filled.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.products.fits_pointing import (
    ControlResiduals,
    PlaceUncertainty,
    Pointing,
    control_variables,
    pointing_variables,
    uncertainty_variables,
)
from calib.products.netcdf import Variable, write_netcdf

Floats = NDArray[np.floating]
Integers = NDArray[np.integer]


@dataclass(frozen=True, slots=True, eq=False)
class TransferCurves:
    """Density as a function of DN, for K strips: `dn` (V,) ascending; `density`, `sigma`, `noise` (K, V), NaN outside
    `first_dn` to `last_dn` (K,).

    `sigma` is that of the curve, `noise` that of one sample, both in density. Patch measurements form a table (P,):
    `patch_strip`, `patch_value` (stated density), `patch_dn`, `patch_sigma` (density), `patch_residual` (measured minus
    stated density), `patch_used`.
    """

    dn: Integers
    density: Floats
    sigma: Floats
    noise: Floats
    first_dn: Integers
    last_dn: Integers
    patch_strip: Integers
    patch_value: Floats
    patch_dn: Floats
    patch_sigma: Floats
    patch_residual: Floats
    patch_used: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Banding:
    """Density added to each column: the part `common` to all strips (N,), and each strip's `own` part (K, N), NaN for
    strips without usable samples."""

    common: Floats
    common_sigma: Floats
    own: Floats
    own_sigma: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """Density added to each line by slow gain drift: (K, L), NaN beyond a strip's end and for strips without usable
    samples."""

    density: Floats
    sigma: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ScanGeometry:
    """Film coordinates of sample s and line l: x = x_sample[s] + x_line[l], y = y_line[l] + y_sample[s], in mm.

    Arrays are (K, N) by sample and (K, L) by line; lines in the order of the raster on disk. `common_mm` (N,): sweep
    non-linearity common to all strips. `blur_mm` (K, 2): rms radius in x and y of a strip's blur in excess of the
    others', 0 where there is none.
    """

    x_sample_mm: Floats
    x_line_mm: Floats
    y_line_mm: Floats
    y_sample_mm: Floats
    sigma_x_mm: Floats
    sigma_y_mm: Floats
    common_mm: Floats
    common_sigma_mm: Floats
    blur_mm: Floats


@dataclass(frozen=True, slots=True, eq=False)
class MarkResiduals:
    """Measured reseau marks (M,). Residuals are measured minus stated film coordinates, before and after the scan fit.

    `x_mm`, `y_mm`: the stated film coordinates.
    """

    strip: Integers
    mark: Sequence[str]
    x_mm: Floats
    y_mm: Floats
    line: Floats
    sample: Floats
    sigma_line: Floats
    sigma_sample: Floats
    before_x_mm: Floats
    before_y_mm: Floats
    residual_x_mm: Floats
    residual_y_mm: Floats
    used: NDArray[np.bool_]
    reason: Sequence[str]


@dataclass(frozen=True, slots=True, eq=False)
class TieResiduals:
    """Ties (T,): the same film texture seen in `strip` and in the one to its right; mm."""

    strip: Integers
    x_mm: Floats
    y_mm: Floats
    residual_x_mm: Floats
    residual_y_mm: Floats
    sigma_x_mm: Floats
    sigma_y_mm: Floats
    used: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class FitsFile:
    """Content of fits.nc. `n_lines` (K,); `line` (L,): the lines at which values along a strip are given."""

    frame: str
    history: str
    n_lines: Integers
    line: Integers
    pointing: Pointing
    transfer: TransferCurves | None = None
    banding: Banding | None = None
    drift: Drift | None = None
    geometry: ScanGeometry | None = None
    marks: MarkResiduals | None = None
    ties: TieResiduals | None = None
    control: ControlResiduals | None = None
    uncertainty: PlaceUncertainty | None = None


def write_fits(path: str | Path, fits: FitsFile) -> None:
    """Write fits.nc completely or not at all; the same fits give the same bytes."""
    attributes = {
        "title": f"Fits of the digitised film frame {fits.frame}",
        "source": "step wedge, reseau marks, strip overlaps and control points of the frame itself",
        "history": fits.history,
        "comment": "Integer line and sample are pixel centres, in the order of the strip raster on disk. Film "
        "coordinates: mm from the centre of the format, x to the right, y down. Uncertainties are 1-sigma.",
    }
    write_netcdf(path, attributes, variables_of(fits))


def variables_of(fits: FitsFile) -> list[Variable]:
    """The variables of the file, section by section."""
    variables = [
        Variable(
            "strip", ("strip",), np.arange(fits.n_lines.size, dtype=np.int32), "number of the strip in film order"
        ),
        Variable("n_lines", ("strip",), fits.n_lines.astype(np.int32), "number of lines of the strip"),
        Variable("line", ("line",), fits.line.astype(np.int32), "line of the strip raster"),
        *_samples(fits),
        *pointing_variables(fits.pointing),
    ]
    if fits.transfer is not None:
        variables += _transfer(fits.transfer)
    if fits.banding is not None:
        variables += _banding(fits.banding)
    if fits.drift is not None:
        variables += _drift(fits.drift)
    if fits.geometry is not None:
        variables += _geometry(fits.geometry)
    if fits.marks is not None:
        variables += _marks(fits.marks)
    if fits.ties is not None:
        variables += _ties(fits.ties)
    if fits.control is not None:
        variables += control_variables(fits.control)
    if fits.uncertainty is not None:
        variables += uncertainty_variables(fits.uncertainty)
    return variables


def _samples(fits: FitsFile) -> list[Variable]:
    if fits.geometry is not None:
        count = fits.geometry.common_mm.size
    elif fits.banding is not None:
        count = fits.banding.common.size
    else:
        return []
    return [Variable("sample", ("sample",), np.arange(count, dtype=np.int32), "sample of the strip raster")]


def _transfer(t: TransferCurves) -> list[Variable]:
    curve, patch = ("strip", "dn"), ("patch",)
    return [
        Variable("dn", ("dn",), t.dn.astype(np.int32), "digital number of a sample"),
        Variable("transfer_density", curve, t.density, "density for the digital number"),
        Variable("transfer_density_sigma", curve, t.sigma, "1-sigma of transfer_density, of the curve"),
        Variable("sample_noise_density", curve, t.noise, "1-sigma random noise of one sample, in density"),
        Variable("first_dn", ("strip",), t.first_dn.astype(np.int32), "lowest digital number that can be calibrated"),
        Variable("last_dn", ("strip",), t.last_dn.astype(np.int32), "highest digital number that can be calibrated"),
        Variable("patch_strip", patch, t.patch_strip.astype(np.int32), "strip of the wedge patch"),
        Variable("patch_density", patch, t.patch_value, "stated density of the wedge patch"),
        Variable("patch_dn", patch, t.patch_dn, "mean digital number of the wedge patch"),
        Variable("patch_density_sigma", patch, t.patch_sigma, "1-sigma of the measured density of the wedge patch"),
        Variable("patch_residual", patch, t.patch_residual, "measured less stated density of the wedge patch"),
        Variable("patch_used", patch, t.patch_used, "whether the wedge patch took part in the fit"),
    ]


def _banding(b: Banding) -> list[Variable]:
    return [
        Variable("banding_common", ("sample",), b.common, "density added to the column in every strip"),
        Variable("banding_common_sigma", ("sample",), b.common_sigma, "1-sigma of banding_common"),
        Variable(
            "banding_own", ("strip", "sample"), b.own, "density added to the column in this strip beside the common"
        ),
        Variable("banding_own_sigma", ("strip", "sample"), b.own_sigma, "1-sigma of banding_own"),
    ]


def _drift(d: Drift) -> list[Variable]:
    return [
        Variable("drift_density", ("strip", "line"), d.density, "density added to the line by slow gain drift"),
        Variable("drift_density_sigma", ("strip", "line"), d.sigma, "1-sigma of drift_density"),
    ]


def _geometry(g: ScanGeometry) -> list[Variable]:
    by_sample, by_line = ("strip", "sample"), ("strip", "line")
    blur = "rms radius in film {} of what blurs the strip beyond the others, as out of focus; 0 where nothing does"
    return [
        Variable("x_sample", by_sample, g.x_sample_mm, "part of film x that goes with the sample", "mm"),
        Variable("x_line", by_line, g.x_line_mm, "part of film x that goes with the line", "mm"),
        Variable("y_line", by_line, g.y_line_mm, "part of film y that goes with the line", "mm"),
        Variable("y_sample", by_sample, g.y_sample_mm, "part of film y that goes with the sample", "mm"),
        Variable("x_sigma", by_line, g.sigma_x_mm, "1-sigma of film x along the strip", "mm"),
        Variable("y_sigma", by_line, g.sigma_y_mm, "1-sigma of film y along the strip", "mm"),
        Variable("sweep_common", ("sample",), g.common_mm, "non-linearity of the sweep common to all strips", "mm"),
        Variable("sweep_common_sigma", ("sample",), g.common_sigma_mm, "1-sigma of sweep_common", "mm"),
        Variable("blur_x", ("strip",), g.blur_mm[:, 0], blur.format("x"), "mm"),
        Variable("blur_y", ("strip",), g.blur_mm[:, 1], blur.format("y"), "mm"),
    ]


def _marks(m: MarkResiduals) -> list[Variable]:
    mark = ("mark",)
    return [
        Variable("mark_strip", mark, m.strip.astype(np.int32), "strip the reseau mark was measured in"),
        Variable("mark_id", mark, np.array(m.mark, dtype=object), "name of the reseau mark"),
        Variable("mark_x", mark, m.x_mm, "stated film x of the reseau mark", "mm"),
        Variable("mark_y", mark, m.y_mm, "stated film y of the reseau mark", "mm"),
        Variable("mark_line", mark, m.line, "measured line of the reseau mark"),
        Variable("mark_sample", mark, m.sample, "measured sample of the reseau mark"),
        Variable("mark_line_sigma", mark, m.sigma_line, "1-sigma of mark_line, in lines"),
        Variable("mark_sample_sigma", mark, m.sigma_sample, "1-sigma of mark_sample, in samples"),
        Variable("mark_x_before", mark, m.before_x_mm, "measured less stated film x, nominal scan", "mm"),
        Variable("mark_y_before", mark, m.before_y_mm, "measured less stated film y, nominal scan", "mm"),
        Variable("mark_x_residual", mark, m.residual_x_mm, "measured less stated film x, fitted scan", "mm"),
        Variable("mark_y_residual", mark, m.residual_y_mm, "measured less stated film y, fitted scan", "mm"),
        Variable("mark_used", mark, m.used, "whether the reseau mark took part in the fit"),
        Variable(
            "mark_reason", mark, np.array(m.reason, dtype=object), "why the reseau mark was left out; empty if used"
        ),
    ]


def _ties(t: TieResiduals) -> list[Variable]:
    tie = ("tie",)
    return [
        Variable("tie_strip", tie, t.strip.astype(np.int32), "left strip of the overlap"),
        Variable("tie_x", tie, t.x_mm, "film x of the tie", "mm"),
        Variable("tie_y", tie, t.y_mm, "film y of the tie", "mm"),
        Variable("tie_x_residual", tie, t.residual_x_mm, "film x in the right strip less in the left one", "mm"),
        Variable("tie_y_residual", tie, t.residual_y_mm, "film y in the right strip less in the left one", "mm"),
        Variable("tie_x_sigma", tie, t.sigma_x_mm, "1-sigma of tie_x_residual", "mm"),
        Variable("tie_y_sigma", tie, t.sigma_y_mm, "1-sigma of tie_y_residual", "mm"),
        Variable("tie_used", tie, t.used, "whether the tie took part in the fit"),
    ]
