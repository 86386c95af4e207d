"""The report's plot of a few transfer curves, large enough to see their shape, with their confidence bands."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from calib.products.fits import TransferCurves
from calib.products.report_plot import BAND, INK, MUTED, SERIES, joined, nice_up, panels, some_of

_KNOTS = 160
_LOUDER = 10  # times: a band as narrow as good ones are would not be seen beside the curve


def chosen_curves(transfer: TransferCurves) -> Figure:
    """Left: a few strips' curves over those of all, bands magnified; right: 1-sigma of each curve by density."""
    figure, (left, right) = panels(3.7, 1, 2, width_ratios=(1.25, 1))
    pick = np.unique(np.linspace(0, transfer.dn.size - 1, _KNOTS).round().astype(int))
    dn, density, sigma = transfer.dn[pick].astype(float), transfer.density[:, pick], transfer.sigma[:, pick]
    _curves(left, dn, density, sigma)
    _sigmas(right, density, sigma)
    return figure


def _curves(ax: Axes, dn: NDArray, density: NDArray, sigma: NDArray) -> None:
    ax.plot(joined(np.tile(dn, (len(density), 1))), joined(density), color=MUTED, lw=0.4, alpha=0.6)
    for color, strip in zip(SERIES, some_of(len(density)), strict=False):
        loud = _LOUDER * sigma[strip]
        ax.fill_between(dn, density[strip] - loud, density[strip] + loud, color=color, alpha=0.25, lw=0)
        ax.plot(dn, density[strip], color=color, lw=1.2, label=f"strip {strip}")
    ax.plot(dn, middle_of(density), color=INK, lw=1.0, ls=(0, (4, 2)), label="middle of all")
    ax.set(xlabel="DN", ylabel="density")
    ax.set_title(f"Some strips, with {_LOUDER} × 1σ; thin: all others")
    ax.legend(loc="best", ncols=2)


def _sigmas(ax: Axes, density: NDArray, sigma: NDArray) -> None:
    for color, strip in zip(SERIES, some_of(len(density)), strict=False):
        ax.plot(density[strip], sigma[strip], color=color, lw=1.2, label=f"strip {strip}")
    known = np.isfinite(density) & np.isfinite(sigma)
    if known.any():
        level = np.linspace(float(density[known].min()), float(density[known].max()), _KNOTS)
        rows = np.array([_at_levels(level, *row) for row in zip(density, sigma, strict=True)])
        ax.plot(level, middle_of(rows), color=INK, lw=1.0, ls=(0, (4, 2)), label="middle of all")
        ax.fill_between(level, 0, middle_of(rows), color=BAND, lw=0)
        ax.set_ylim(0, nice_up(1.05 * float(np.percentile(sigma[known], 98))))
    ax.set(xlabel="density", ylabel="1σ of the curve, density")
    ax.set_title("How well each curve is known")


def _at_levels(level: NDArray, density: NDArray, sigma: NDArray) -> NDArray[np.float64]:
    """A strip's sigma at given densities, NaN outside its curve."""
    there = np.isfinite(density) & np.isfinite(sigma)
    if not there.any():
        return np.full(level.size, np.nan)
    order = np.argsort(density[there])
    return np.interp(level, density[there][order], sigma[there][order], left=np.nan, right=np.nan)


def middle_of(rows: NDArray) -> NDArray[np.float64]:
    """Median over the strips (K, N) where all of them that have a curve are known; NaN elsewhere.

    Where some have ended the median of the rest would turn off towards them.
    """
    out = np.full(rows.shape[1], np.nan)
    alive = rows[np.isfinite(rows).any(axis=1)]
    if len(alive):
        whole = np.isfinite(alive).all(axis=0)
        out[whole] = np.median(alive[:, whole], axis=0)
    return out
