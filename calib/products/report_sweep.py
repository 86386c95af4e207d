"""Draws the report's plots of the scan: the sweep common to all strips, each strip's own part, and its wander."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from calib.products.fits import ScanGeometry
from calib.products.report_plot import ACCENT, BAND, INK, MUTED, SERIES, Margins, as_one_path, panels, spread_indices

_POINTS = 256  # most points per curve: the plot resolves no more
_UM = 1000.0


def sweep_curves(scan: ScanGeometry, line: NDArray[np.integer]) -> Figure:
    """Four panels: common sweep, the strips' own parts, and their wander across and along, with confidence bands."""
    figure, (common, own, across, along) = panels(5.9, 2, 2, Margins(below=0.75, down=0.8))
    _common(common, scan)
    _own(own, scan)
    _wander(across, line, scan.x_line_mm, scan.sigma_x_mm, "Across: film x less its mean")
    _wander(along, line, _without_steady_motion(scan.y_line_mm), scan.sigma_y_mm, "Along: film y less a steady motion")
    return figure


def _common(ax: Axes, scan: ScanGeometry) -> None:
    sample, values, sigma = np.arange(scan.common_mm.size), _UM * scan.common_mm, _UM * scan.common_sigma_mm
    ax.fill_between(sample, values - 2 * sigma, values + 2 * sigma, color=BAND, lw=0)
    ax.plot(sample, values, color=ACCENT, lw=1.3)
    ax.axhline(0, color=MUTED, lw=0.6)
    ax.set_title(f"Common to all strips, with 2σ; median 1σ {_sigma_text(scan.common_sigma_mm)}")
    ax.set(xlabel="sample", ylabel="film x less a linear sweep (µm)")


def _own(ax: Axes, scan: ScanGeometry) -> None:
    own = own_sweeps(scan)
    sample = np.arange(own.shape[1])
    chosen = spread_indices(own.shape[0])
    sigma = _UM * np.nanmedian(scan.sigma_x_mm) if np.isfinite(scan.sigma_x_mm).any() else 0.0
    ax.fill_between(sample, -sigma, sigma, color=BAND, lw=0)
    pick = np.unique(np.linspace(0, sample.size - 1, 64).round().astype(int))
    at = np.tile(sample[pick], (len(own), 1)).astype(float)
    ax.plot(as_one_path(at), as_one_path(_UM * own[:, pick]), color=MUTED, lw=0.5)
    for color, strip in zip(SERIES, chosen, strict=False):
        ax.plot(sample, _UM * own[strip], color=color, lw=1.3, label=f"strip {strip}")
    ax.set_title("Each strip's own part; band: median 1σ of a line's place in x")
    ax.set(xlabel="sample", ylabel="less the common sweep (µm)")


def own_sweeps(scan: ScanGeometry) -> NDArray[np.float64]:
    """Each strip's sweep minus the common one, (K, N) in mm, without its mean, which is only a shift in x.

    The sample pitch subtracted is the median of the strips; a strip with a wider sweep shows as a slope.
    """
    n = scan.common_mm.size
    steps = (scan.x_sample_mm[:, -1] - scan.x_sample_mm[:, 0]) / (n - 1)
    linear = (np.arange(n) - (n - 1) / 2) * float(np.median(steps))
    common = scan.common_mm - (scan.common_mm[-1] - scan.common_mm[0]) / (n - 1) * (np.arange(n) - (n - 1) / 2)
    own = scan.x_sample_mm - linear - common
    return np.asarray(own - own.mean(axis=1, keepdims=True))


def _without_steady_motion(y_line_mm: NDArray) -> NDArray[np.float64]:
    """Film y of each strip's lines minus a straight-line fit, (K, L) in mm; NaN beyond a strip's end."""
    out = np.full(y_line_mm.shape, np.nan)
    at = np.arange(y_line_mm.shape[1], dtype=float)
    for row, y in zip(out, y_line_mm, strict=True):
        there = np.isfinite(y)
        if there.sum() > 1:
            row[there] = y[there] - np.polyval(np.polyfit(at[there], y[there], 1), at[there])
    return out


def _wander(ax: Axes, line: NDArray[np.integer], values_mm: NDArray, sigma_mm: NDArray, title: str) -> None:
    pick = np.unique(np.linspace(0, line.size - 1, _POINTS).round().astype(int))
    for color, strip in zip(SERIES, spread_indices(values_mm.shape[0]), strict=False):
        values, sigma = values_mm[strip][pick], sigma_mm[strip][pick]
        there = np.isfinite(values) & np.isfinite(sigma)
        if not there.any():
            continue
        values = _UM * (values[there] - np.mean(values[there]))
        at, sigma = line[pick][there], _UM * sigma[there]
        ax.fill_between(at, values - 2 * sigma, values + 2 * sigma, color=color, alpha=0.22, lw=0)
        ax.plot(at, values, color=color, lw=1.0, label=f"strip {strip}")
    ax.axhline(0, color=INK, lw=0.4)
    ax.set_title(f"{title}; median 1σ {_sigma_text(sigma_mm)}")
    ax.set(xlabel="line of the raster", ylabel="µm, with 2σ")
    if ax.lines[:-1]:
        ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=4)


def _sigma_text(sigma_mm: NDArray) -> str:
    known = sigma_mm[np.isfinite(sigma_mm)]
    return f"{_UM * np.median(known):.2g} µm" if known.size else "not known"
