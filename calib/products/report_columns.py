"""Draws the report's plots by column: banding profiles with confidence bands, and the spectrum of the column means."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator, NullFormatter
from numpy.typing import NDArray

from calib.products.fits import Banding
from calib.products.readable import number
from calib.products.report_data import ColumnSpectrum
from calib.products.report_plot import (
    ACCENT,
    BAND,
    BEFORE,
    GRID,
    MUTED,
    SERIES,
    Margins,
    color_bar,
    finite_median,
    panels,
    power_of_ten,
    spread_indices,
)
from calib.products.report_tone import DIVERGING, robust_reach

_STRIPS = 3  # number of strips whose own profiles are drawn as curves
_HARMONICS = 24  # most harmonics of the strip pitch drawn: higher ones are closer than the lines are wide


def banding_profiles(banding: Banding) -> Figure:
    """The common profile and the own parts of a few strips, with 2-sigma bands, and all own parts as a picture."""
    room = Margins(right=1.15, down=0.4)
    figure, (upper, middle, lower) = panels(7.0, 3, 1, room, sharex=True, height_ratios=(1, 1.1, 1.1))
    _with_band(upper, banding.common, banding.common_sigma, ACCENT, BAND, "")
    upper.axhline(0, color=MUTED, lw=0.6)
    upper.set_title(f"Common to all strips, with 2σ; median 1σ {number(finite_median(banding.common_sigma), 2)}")
    upper.set_ylabel("density")
    _own_profiles(middle, banding)
    reach = robust_reach(banding.own)
    strips = banding.own.shape[0]
    image = lower.imshow(
        banding.own, aspect="auto", cmap=DIVERGING, vmin=-reach, vmax=reach, interpolation="nearest",
        extent=(-0.5, banding.own.shape[1] - 0.5, strips - 0.5, -0.5),
    )  # fmt: skip
    lower.grid(False)
    lower.set_title("Each strip's own part")
    lower.set(xlabel="sample", ylabel="strip")
    lower.yaxis.set_major_locator(MaxNLocator(integer=True))
    color_bar(image, lower, "density")
    return figure


def _with_band(ax: Axes, values: NDArray, sigma: NDArray, color: str, band: str, label: str) -> None:
    at = np.arange(values.size)
    ax.fill_between(at, values - 2 * sigma, values + 2 * sigma, color=band, lw=0, alpha=1.0 if band == BAND else 0.25)
    ax.plot(at, values, color=color, lw=0.9, label=label)


def _own_profiles(ax: Axes, banding: Banding) -> None:
    """The own parts of a few strips, one above the other, each about its own zero line."""
    known = np.flatnonzero(np.isfinite(banding.own_sigma).all(axis=1))
    chosen = known[spread_indices(known.size, _STRIPS)]
    step = 2.0 * robust_reach(banding.own[chosen])
    for place, (strip, color) in enumerate(zip(chosen, SERIES, strict=False)):
        level = -step * place
        _with_band(ax, level + banding.own[strip], banding.own_sigma[strip], color, color, f"strip {strip}")
        ax.axhline(level, color=MUTED, lw=0.5)
    ax.set_yticks(
        [-step * place + side * step / 4 for place in range(chosen.size) for side in (-1, 0, 1)],
        [f"{side * step / 4:+g}" if side else "0" for _ in range(chosen.size) for side in (-1, 0, 1)],
    )
    ax.set_ylabel("density")
    sigma = number(finite_median(banding.own_sigma), 2)
    ax.set_title(f"The own parts of some strips, with 2σ; median 1σ of all {sigma}")
    if chosen.size:
        ax.legend(loc="upper right", ncols=_STRIPS, bbox_to_anchor=(1.0, 1.17), borderaxespad=0.0)


def column_spectrum(spectrum: ColumnSpectrum) -> Figure:
    """Power of the column means before and after calibration, on logarithmic axes, with harmonics of the pitch."""
    figure, (ax,) = panels(3.3)
    shown = spectrum.frequency > 0
    if spectrum.pitch_samples is not None:
        _harmonics(ax, spectrum.pitch_samples, float(spectrum.frequency.max()))
    for power, color, label in ((spectrum.before, BEFORE, "before"), (spectrum.after, ACCENT, "after")):
        ax.loglog(spectrum.frequency[shown], power[shown], color=color, lw=0.5, alpha=0.35)
        ax.loglog(*_octave_parts(spectrum.frequency[shown], power[shown]), color=color, lw=1.5, label=label)
    if spectrum.noise_floor is not None:
        ax.axhline(spectrum.noise_floor, color=MUTED, lw=0.9, ls=(0, (4, 3)), label="noise of a column mean")
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(FuncFormatter(power_of_ten))
        axis.set_minor_formatter(NullFormatter())
    ax.set(xlabel="cycles per column of the joined frame", ylabel="density² per bin")
    ax.set_xlim(float(spectrum.frequency[shown].min()), float(spectrum.frequency.max()))
    ax.legend(loc="lower left", ncols=4)
    return figure


def _harmonics(ax: Axes, pitch_samples: float, highest: float) -> None:
    """A line for each of the first harmonics of one cycle per strip, numbered where there is room."""
    orders = [n for n in range(1, _HARMONICS + 1) if n / pitch_samples <= highest]
    for n in orders:
        ax.axvline(n / pitch_samples, color=GRID, lw=1.4, zorder=0.5)
        if n <= 4 or n in {6, 8, 12, 16, 24}:
            ax.text(
                n / pitch_samples, 1.01, f"{n}", transform=ax.get_xaxis_transform(), ha="center", fontsize=7,
                color=MUTED,
            )  # fmt: skip
    if orders:
        ax.plot([], [], color=GRID, lw=1.4, label="harmonics of the strips' pitch")
    ax.grid(False, axis="x")


def _octave_parts(frequency: NDArray[np.floating], power: NDArray[np.floating]) -> tuple[NDArray, NDArray]:
    """Mean frequency and mean power in bins of 1/8 octave: the power of a single frequency scatters by its own size."""
    part = np.floor(8 * np.log2(frequency / frequency[0])).astype(int)
    _, where, count = np.unique(part, return_inverse=True, return_counts=True)
    return np.bincount(where, frequency) / count, np.bincount(where, power) / count
