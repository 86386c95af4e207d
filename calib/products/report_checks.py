"""Draws the report's plots that check the tone fit: residuals against density and in sigma, noise of a sample."""

from dataclasses import dataclass
from math import erf, sqrt

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from calib.products.fits import TransferCurves
from calib.products.report_data import DensityResiduals, SampleNoise
from calib.products.report_plot import ACCENT, BAND, BEFORE, INK, MUTED, SERIES, Margins, as_one_path, panels, round_up

_DOTS = 500  # most dots per kind: enough to show a shape, few enough to load
_BINS, _MIN_COUNT = 24, 12  # number of density bins; least number of residuals in a bin
_HALF_WIDTH, _STEP = 5.0, 0.25  # of the histogram and its bins, in sigma
_LEVELS = 160  # number of densities at which the noise model is drawn


@dataclass(frozen=True, slots=True)
class Share:
    """Number of residuals of a kind, and the shares of them within 1 and within 2 sigma."""

    kind: str
    count: int
    within_1: float
    within_2: float


NORMAL_1, NORMAL_2 = erf(1 / sqrt(2)), erf(2 / sqrt(2))


def shares(residuals: DensityResiduals) -> list[Share]:
    """One row for each kind that has residuals, and one for all of them."""
    off = np.abs(_standardised(residuals))
    chosen = [(name, residuals.kind == kind) for kind, name in enumerate(residuals.kinds)]
    rows = [(name, some) for name, some in [*chosen, ("all", np.ones(off.size, bool))] if some.any()]
    return [
        Share(name, int(some.sum()), float(np.mean(off[some] < 1)), float(np.mean(off[some] < 2)))
        for name, some in rows
    ]


def _standardised(residuals: DensityResiduals) -> NDArray[np.float64]:
    return np.asarray(residuals.residual / residuals.sigma, dtype=np.float64)


def residual_figure(residuals: DensityResiduals) -> Figure:
    """Residuals against density, by kind, and the histogram of residuals in units of their own sigma."""
    figure, (left, right) = panels(3.9, 1, 2, Margins(above=0.5), width_ratios=(1.75, 1))
    _against_density(left, residuals)
    _histogram(right, _standardised(residuals))
    return figure


def _against_density(ax: Axes, residuals: DensityResiduals) -> None:
    edges = np.linspace(float(residuals.density.min()), float(residuals.density.max()) + 1e-9, _BINS + 1)
    middle = (edges[1:] + edges[:-1]) / 2
    reach = round_up(float(np.percentile(np.abs(residuals.residual), 97.5)))
    low, high = (_binned(residuals.density, residuals.residual, edges, q) for q in (15.87, 84.13))
    ax.fill_between(middle, low, high, color=BAND, lw=0, step="mid", label="68 % of all")
    ax.axhline(0, color=MUTED, lw=0.6)
    for kind, name in enumerate(residuals.kinds):
        chosen = np.flatnonzero(residuals.kind == kind)
        if chosen.size == 0:
            continue
        color = SERIES[kind % len(SERIES)]
        dots = chosen[:: -(-chosen.size // _DOTS)]
        shown = np.clip(residuals.residual[dots], -reach, reach)
        _dots(ax, residuals.density[dots], shown, edges[-1] - edges[0], color)
        medians = _binned(residuals.density[chosen], residuals.residual[chosen], edges, 50)
        ax.plot(middle, medians, color=color, lw=1.3, marker="o", ms=3.4, label=name)
        median_sigma = _median_sigmas(residuals.density[chosen], residuals.residual[chosen], edges)
        ends = np.column_stack([medians - median_sigma, medians + median_sigma])
        ax.plot(as_one_path(np.column_stack([middle, middle])), as_one_path(ends), color=color, lw=1.0)
    ax.set(xlabel="density", ylabel="measured less fitted density", ylim=(-1.05 * reach, 1.05 * reach))
    ax.set_title("Residuals against density: dots, and the median of each bin with its 1σ", pad=22)
    ax.legend(loc="lower left", bbox_to_anchor=(-0.01, 0.985), ncols=5, columnspacing=1.2, handlelength=1.4)


def _dots(ax: Axes, x: NDArray, y: NDArray, span: float, color: str) -> None:
    """Dots drawn as one path of short dashes with round ends, which keeps the page small."""
    dash = 4e-4 * (span or 1.0)
    ax.plot(
        as_one_path(np.column_stack([x - dash, x + dash])), as_one_path(np.column_stack([y, y])),
        color=color, lw=1.5, alpha=0.4, solid_capstyle="round",
    )  # fmt: skip


def _binned(at: NDArray, values: NDArray, edges: NDArray, percent: float) -> NDArray[np.float64]:
    """A percentile of the values in each bin of `at`; NaN for bins with too few values."""
    where = np.digitize(at, edges) - 1
    parts = [values[where == k] for k in range(edges.size - 1)]
    return np.array([np.percentile(part, percent) if part.size >= _MIN_COUNT else np.nan for part in parts])


def _median_sigmas(at: NDArray, values: NDArray, edges: NDArray) -> NDArray[np.float64]:
    """1-sigma of the medians of bins, 1.2533 sigma / sqrt(N) for independent Gaussian values."""
    low, high = (_binned(at, values, edges, percent) for percent in (15.87, 84.13))
    count, _ = np.histogram(at, edges)
    return np.asarray(1.2533 * (high - low) / 2 / np.sqrt(np.maximum(count, 1)))


def _histogram(ax: Axes, z: NDArray[np.float64]) -> None:
    edges = np.arange(-_HALF_WIDTH, _HALF_WIDTH + _STEP / 2, _STEP)
    count, _ = np.histogram(z, edges)
    ax.stairs(count / (z.size * _STEP), edges, fill=True, color=BAND)
    ax.stairs(count / (z.size * _STEP), edges, color=ACCENT, lw=1.1, label="all kinds")
    at = np.linspace(-_HALF_WIDTH, _HALF_WIDTH, 201)
    ax.plot(at, np.exp(-(at**2) / 2) / np.sqrt(2 * np.pi), color=INK, lw=1.1, ls=(0, (4, 2)), label="unit normal")
    off = np.abs(z)
    within = f"within 1σ {100 * np.mean(off < 1):.1f} %\nwithin 2σ {100 * np.mean(off < 2):.1f} %"
    text = f"{within}\nbeyond {_HALF_WIDTH:g}σ: {int(np.sum(off > _HALF_WIDTH))}"
    ax.text(0.02, 0.97, text, transform=ax.transAxes, va="top")
    ax.set(xlabel="residual in its own 1σ", ylabel="share per σ", xlim=(-_HALF_WIDTH, _HALF_WIDTH))
    ax.set_ylim(0, 1.25 * max(0.4, float(count.max()) / (z.size * _STEP)))
    ax.set_title("Residuals in their own sigma", pad=22)
    ax.legend(loc="upper right")


def noise_figure(transfer: TransferCurves, noise: SampleNoise | None) -> Figure:
    """1-sigma of one sample against density: the strips' noise model, the patches' scatter, the stated grain's part."""
    figure, (ax,) = panels(2.9, room=Margins(above=0.1))
    level, rows = _noise_at_levels(transfer)
    low, middle, high = _percentiles(rows)
    ax.fill_between(level, low, high, color=BAND, lw=0, label="model, 16 % to 84 % of the strips")
    ax.plot(level, middle, color=ACCENT, lw=1.4, label="model, middle strip")
    shown = [high]
    if noise is not None:
        known = np.isfinite(noise.patch_density) & np.isfinite(noise.patch_scatter)
        at, scatter = noise.patch_density[known], noise.patch_scatter[known]
        ax.plot(at, scatter, ls="", marker="o", ms=2.2, color=INK, alpha=0.45, label="scatter in a wedge patch")
        shown.append(scatter)
        if noise.grain_per_density is not None:
            grain = np.sqrt(noise.grain_per_density * np.maximum(level, 0.0))
            ax.plot(level, grain, color=BEFORE, lw=1.2, ls=(0, (4, 2)), label="grain of the stated granularity")
            shown.append(grain)
    values = np.concatenate(shown)
    top = float(np.percentile(values[np.isfinite(values)], 98)) if np.isfinite(values).any() else 0.01
    ax.set(xlabel="density", ylabel="1σ of a sample, density", ylim=(0, 1.35 * top))
    ax.legend(loc="upper center", ncols=4)
    return figure


def _noise_at_levels(transfer: TransferCurves) -> tuple[NDArray, NDArray]:
    """Densities (L,) and each strip's noise there (K, L), in density; NaN outside the strip's curve."""
    known = transfer.density[np.isfinite(transfer.density)]
    level = np.linspace(float(known.min()), float(known.max()), _LEVELS) if known.size else np.zeros(_LEVELS)
    rows = np.full((transfer.density.shape[0], _LEVELS), np.nan)
    for row, density, sigma in zip(rows, transfer.density, transfer.noise, strict=True):
        there = np.isfinite(density) & np.isfinite(sigma)
        if there.any():
            order = np.argsort(density[there])
            row[:] = np.interp(level, density[there][order], sigma[there][order], left=np.nan, right=np.nan)
    return level, rows


def _percentiles(rows: NDArray) -> NDArray[np.float64]:
    """16th, 50th and 84th percentile (3, L) of the rows (K, L) that have any value; NaN where one of them is NaN."""
    out = np.full((3, rows.shape[1]), np.nan)
    with_curve = rows[np.isfinite(rows).any(axis=1)]
    if len(with_curve):
        complete = np.isfinite(with_curve).all(axis=0)
        out[:, complete] = np.percentile(with_curve[:, complete], [15.87, 50, 84.13], axis=0)
    return out
