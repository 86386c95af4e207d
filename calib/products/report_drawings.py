"""Draws all plots of the report as SVG, by name; those of the fits can be drawn before film and map are made."""

import numpy as np
from matplotlib.figure import Figure

from calib.products.fits import FitsFile
from calib.products.report_checks import noise_figure, residual_figure
from calib.products.report_columns import banding_profiles, column_spectrum
from calib.products.report_curves import chosen_curves
from calib.products.report_data import ColumnSpectrum, DensityResiduals, Globe, SampleNoise, SeamJumps
from calib.products.report_geometry import control_residuals, mark_residuals, seam_jumps
from calib.products.report_globe import globe_figure
from calib.products.report_plot import drawing, style
from calib.products.report_sweep import sweep_curves
from calib.products.report_tone import drift_picture, transfer_panels

Plots = dict[str, tuple[Figure, str]]  # by name: plot and its description


def fit_drawings(
    fits: FitsFile | None, residuals: DensityResiduals | None, noise: SampleNoise | None, globe: Globe | None
) -> dict[str, str]:
    """SVG texts, by name, of the plots of the fits for which there is data."""
    with style():
        return _drawn({**_tone_figures(fits, residuals, noise), **_geometry_figures(fits, globe)})


def product_drawings(seams: SeamJumps | None, spectrum: ColumnSpectrum | None) -> dict[str, str]:
    """SVG texts, by name, of the plots of measurements on the products."""
    plots: Plots = {}
    with style():
        if seams is not None and seams.jump.size:
            plots["seams"] = seam_jumps(seams), "Jump of density over each seam against the noise floor"
        if spectrum is not None:
            plots["spectrum"] = column_spectrum(spectrum), "Power spectrum of the column means, before and after"
        return _drawn(plots)


def _drawn(plots: Plots) -> dict[str, str]:
    return {name: drawing(figure, name, description) for name, (figure, description) in plots.items()}


def _tone_figures(fits: FitsFile | None, residuals: DensityResiduals | None, noise: SampleNoise | None) -> Plots:
    plots: Plots = {}
    if fits is not None and fits.transfer is not None and np.isfinite(fits.transfer.density).any():
        plots["curves"] = chosen_curves(fits.transfer), "Transfer curves of some strips with confidence bands"
        plots["transfer"] = transfer_panels(fits.transfer), "Transfer curve of each strip with wedge points"
        plots["noise"] = noise_figure(fits.transfer, noise), "Noise of a sample against density"
    if residuals is not None and residuals.residual.size:
        plots["residuals"] = residual_figure(residuals), "Tone residuals against density and in their own sigma"
    if fits is not None and fits.banding is not None:
        plots["banding"] = banding_profiles(fits.banding), "Banding profiles, common and of each strip"
    if fits is not None and fits.drift is not None:
        plots["drift"] = drift_picture(fits.drift, fits.line), "Gain drift of each strip along its lines"
    return plots


def _geometry_figures(fits: FitsFile | None, globe: Globe | None) -> Plots:
    plots: Plots = {}
    if fits is not None and fits.marks is not None and fits.marks.x_mm.size:
        plots["marks"] = mark_residuals(fits.marks), "Residuals of the reseau marks as arrows, before and after"
    if fits is not None and fits.geometry is not None:
        plots["sweep"] = (
            sweep_curves(fits.geometry, fits.line),
            "Sweep curves and wander of the strips with their bands",
        )
    if fits is not None and fits.control is not None and fits.control.x_mm.size:
        plots["control"] = control_residuals(fits.control), "Residuals of the control points, before and after"
    if globe is not None and globe.footprint_lon_deg.size:
        plots["globe"] = globe_figure(globe), "The frame's footprint on the Moon, with night shaded"
    return plots
