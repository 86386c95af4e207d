"""Draws the report's plot of a few transfer curves with confidence bands, large enough to see their shape."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from calib.products.fits import TransferCurves
from calib.products.report_plot import BAND, INK, MUTED, SERIES, as_one_path, panels, round_up, spread_indices

_KNOTS = 160  # most points per curve
_BAND_SCALE = 10  # magnification of the confidence bands: those of good curves would be too narrow to see


def chosen_curves(transfer: TransferCurves) -> Figure:
    """Left: curves of a few strips over those of all, with magnified bands; right: 1-sigma of these against density."""
    figure, (left, right) = panels(3.7, 1, 2, width_ratios=(1.25, 1))
    pick = np.unique(np.linspace(0, transfer.dn.size - 1, _KNOTS).round().astype(int))
    dn, density, sigma = transfer.dn[pick].astype(float), transfer.density[:, pick], transfer.sigma[:, pick]
    _curves(left, dn, density, sigma)
    _sigmas(right, density, sigma)
    return figure


def _curves(ax: Axes, dn: NDArray, density: NDArray, sigma: NDArray) -> None:
    ax.plot(as_one_path(np.tile(dn, (len(density), 1))), as_one_path(density), color=MUTED, lw=0.4, alpha=0.6)
    for color, strip in zip(SERIES, spread_indices(len(density)), strict=False):
        band = _BAND_SCALE * sigma[strip]
        ax.fill_between(dn, density[strip] - band, density[strip] + band, color=color, alpha=0.25, lw=0)
        ax.plot(dn, density[strip], color=color, lw=1.2, label=f"strip {strip}")
    ax.plot(dn, median_curve(density), color=INK, lw=1.0, ls=(0, (4, 2)), label="middle of all")
    ax.set(xlabel="DN", ylabel="density")
    ax.set_title(f"Some strips, with {_BAND_SCALE} × 1σ; thin: all others")
    ax.legend(loc="best", ncols=2)


def _sigmas(ax: Axes, density: NDArray, sigma: NDArray) -> None:
    for color, strip in zip(SERIES, spread_indices(len(density)), strict=False):
        ax.plot(density[strip], sigma[strip], color=color, lw=1.2, label=f"strip {strip}")
    known = np.isfinite(density) & np.isfinite(sigma)
    if known.any():
        level = np.linspace(float(density[known].min()), float(density[known].max()), _KNOTS)
        rows = np.array([_at_levels(level, *row) for row in zip(density, sigma, strict=True)])
        ax.plot(level, median_curve(rows), color=INK, lw=1.0, ls=(0, (4, 2)), label="middle of all")
        ax.fill_between(level, 0, median_curve(rows), color=BAND, lw=0)
        ax.set_ylim(0, round_up(1.05 * float(np.percentile(sigma[known], 98))))
    ax.set(xlabel="density", ylabel="1σ of the curve, density")
    ax.set_title("How well each curve is known")


def _at_levels(level: NDArray, density: NDArray, sigma: NDArray) -> NDArray[np.float64]:
    """A strip's sigma at given densities; NaN outside its curve."""
    there = np.isfinite(density) & np.isfinite(sigma)
    if not there.any():
        return np.full(level.size, np.nan)
    order = np.argsort(density[there])
    return np.interp(level, density[there][order], sigma[there][order], left=np.nan, right=np.nan)


def median_curve(rows: NDArray) -> NDArray[np.float64]:
    """Median (N,) over the strips (K, N) that have any value; NaN where one of them is NaN.

    Where some curves have ended, the median of the rest would bend towards those.
    """
    out = np.full(rows.shape[1], np.nan)
    with_curve = rows[np.isfinite(rows).any(axis=1)]
    if len(with_curve):
        complete = np.isfinite(with_curve).all(axis=0)
        out[complete] = np.median(with_curve[:, complete], axis=0)
    return out
