"""The report's plots of tone: transfer curves, banding, drift, the spectrum of the column means."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from calib.products.fits import Banding, Drift, TransferCurves
from calib.products.report_data import ColumnSpectrum
from calib.products.report_plot import (
    ACCENT,
    BAND,
    BEFORE,
    GRID,
    INK,
    MUTED,
    WIDTH_IN,
    WRONG,
    joined,
    new_figure,
    nice_up,
    quiet,
)

_DIVERGING = LinearSegmentedColormap.from_list("around zero", ["#8c3d12", "#d99b6c", "#f4f2ee", "#7fb2bf", "#12566b"])
_KNOTS = 128  # a curve in a panel of 2 cm needs no more
_ROOM = 0.06  # of a panel's densities, above and below: no point stands on the frame
_TOP, _CURVE, _GAP, _RESIDUAL = 0.10, 0.54, 0.09, 0.20  # heights in a panel of 1, from above


def transfer_panels(t: TransferCurves) -> Figure:
    """Each strip's curve with its wedge points; below it the residuals and the curve's own 1-sigma, magnified."""
    strips = t.density.shape[0]
    across = 4 if strips <= 8 else 6 if strips <= 30 else 10
    down = -(-strips // across)
    figure = Figure(figsize=(WIDTH_IN, down * WIDTH_IN / across * 0.86 + 0.35))
    ax = figure.add_axes((0.045, 0.0, 0.95, 1.0))
    quiet(ax)
    ax.set(xlim=(0, across), ylim=(down + 0.12, -0.02))
    place = _Panels(t, across)
    place.draw(ax)
    return figure


class _Panels:
    """Panels drawn in one axes: a hundred axes of their own would take the plotting library a minute."""

    def __init__(self, t: TransferCurves, across: int) -> None:
        self._t, self._across = t, across
        pick = np.unique(np.linspace(0, t.dn.size - 1, _KNOTS).round().astype(int))
        self._dn, self._density, self._sigma = t.dn[pick], t.density[:, pick], t.sigma[:, pick]
        strips = np.arange(t.density.shape[0])
        self._left, self._top = strips % across + 0.0, strips // across + 0.0
        known = np.concatenate([self._density[np.isfinite(self._density)], t.patch_value[np.isfinite(t.patch_value)]])
        low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
        room, self._labelled = _ROOM * (high - low), (low, high)
        self._low, self._high = low - room, high + room
        spread = np.abs(t.patch_residual[t.patch_used])
        self._reach = nice_up(1.1 * float(np.nanmax(spread, initial=1e-4)))

    def _x(self, dn: NDArray) -> NDArray:
        return 0.06 + 0.86 * dn / max(int(self._t.dn[-1]), 1)

    def _y(self, density: NDArray) -> NDArray:
        return _TOP + _CURVE * (1 - (density - self._low) / (self._high - self._low or 1))

    def _y_residual(self, residual: NDArray) -> NDArray:
        middle = _TOP + _CURVE + _GAP + _RESIDUAL / 2
        return middle - np.clip(residual / self._reach, -1, 1) * _RESIDUAL / 2

    def draw(self, ax: Axes) -> None:
        self._frames(ax)
        left, top = self._left[:, None], self._top[:, None]
        x, y = left + self._x(self._dn)[None, :], top + self._y(self._density)
        self._bands(ax, x, top)
        ax.plot(joined(x), joined(y), color=ACCENT, lw=1.1)
        self._points(ax, self._t.patch_used, color=INK, face=INK, size=2.2)
        self._points(ax, ~self._t.patch_used, color=WRONG, face="none", size=3.4)

    def _points(self, ax: Axes, chosen: NDArray[np.bool_], *, color: str, face: str, size: float) -> None:
        t, strip = self._t, self._t.patch_strip[chosen]
        x, top = self._left[strip] + self._x(t.patch_dn[chosen]), self._top[strip]
        residual, sigma = t.patch_residual[chosen], t.patch_sigma[chosen]
        ends = np.column_stack([top + self._y_residual(residual + side * sigma) for side in (-1, 1)])
        ax.plot(joined(np.column_stack([x, x])), joined(ends), color=color, lw=0.6)
        for y in (top + self._y(t.patch_value[chosen]), top + self._y_residual(residual)):
            ax.plot(x, y, ls="", marker="o", ms=size, mew=0.6, mfc=face, mec=color)

    def _bands(self, ax: Axes, x: NDArray, top: NDArray) -> None:
        upper, lower = self._y_residual(self._sigma), self._y_residual(-self._sigma)
        around = [top + self._y(self._density + side * self._sigma) for side in (-1, 1)]
        polygons = []
        for k in range(x.shape[0]):
            for one, other in ((top[k] + upper[k], top[k] + lower[k]), (around[0][k], around[1][k])):
                there = np.isfinite(one) & np.isfinite(other)
                if there.any():
                    edge = [np.column_stack([x[k][there], side[there]]) for side in (one, other)]
                    polygons.append(np.vstack([edge[0], edge[1][::-1]]))
        ax.add_collection(PolyCollection(polygons, facecolor=BAND, edgecolor="none"), autolim=False)

    def _frames(self, ax: Axes) -> None:
        zero = float(self._y_residual(np.array(0.0)))
        floor, foot = _TOP + _CURVE, _TOP + _CURVE + _GAP + _RESIDUAL
        lines = []
        for left, top in zip(self._left, self._top, strict=True):
            for at in (floor, zero):
                lines.append(((left + 0.06, top + at), (left + 0.92, top + at)))
            lines.append(((left + 0.06, top + _TOP), (left + 0.06, top + foot)))
        ax.add_collection(LineCollection(lines, colors=GRID, linewidths=0.7), autolim=False)
        for k, (left, top) in enumerate(zip(self._left, self._top, strict=True)):
            ax.text(left + 0.09, top + 0.07, f"{k}", fontsize=8, fontweight="bold", va="center")
        self._scales(ax, foot)

    def _scales(self, ax: Axes, foot: float) -> None:
        small: dict[str, Any] = {"fontsize": 6.8, "color": MUTED}
        beside = 0.045 - 0.34 * self._across / WIDTH_IN  # clear of the numbers, however narrow the panels are
        for top in np.unique(self._top):
            for value in self._labelled:
                at = top + float(self._y(np.array(value)))
                ax.text(0.045, at, f"{value:.1f}", ha="right", va="center", **small)
            for sign in (1, -1):
                at = top + float(self._y_residual(np.array(sign * self._reach)))
                ax.text(0.045, at, f"{sign * self._reach:+g}", ha="right", va="center", **small)
            ax.text(beside, top + _TOP + _CURVE / 2, "density", rotation=90, ha="center", va="center", **small)
        last = self._top.max()
        for left in np.unique(self._left[self._top == last]):
            ax.text(left + 0.06, last + foot + 0.06, "DN 0", ha="left", va="center", **small)
            ax.text(left + 0.92, last + foot + 0.06, f"{int(self._t.dn[-1])}", ha="right", va="center", **small)


def banding_profiles(banding: Banding) -> Figure:
    """The profile that all strips share with its 2-sigma band, and what each strip adds, as a picture."""
    figure = new_figure(5.2)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(1, 1.15))
    sample = np.arange(banding.common.size)
    upper.fill_between(
        sample, banding.common - 2 * banding.common_sigma, banding.common + 2 * banding.common_sigma, color=BAND, lw=0
    )
    upper.plot(sample, banding.common, color=ACCENT, lw=0.9)
    upper.axhline(0, color=MUTED, lw=0.6)
    upper.set_title("Common to all strips, with 2σ")
    upper.set_ylabel("density")
    reach = _robust_reach(banding.own)
    strips = banding.own.shape[0]
    image = lower.imshow(
        banding.own, aspect="auto", cmap=_DIVERGING, vmin=-reach, vmax=reach, interpolation="nearest",
        extent=(-0.5, banding.own.shape[1] - 0.5, strips - 0.5, -0.5),
    )  # fmt: skip
    lower.grid(False)
    lower.set_title(f"Each strip's own part; median 1σ {np.nanmedian(banding.own_sigma):.1e}")
    lower.set(xlabel="sample", ylabel="strip")
    lower.yaxis.set_major_locator(MaxNLocator(integer=True))
    figure.colorbar(image, ax=lower, pad=0.01, aspect=14, label="density").outline.set_visible(False)
    return figure


def drift_picture(drift: Drift, line: NDArray[np.integer]) -> Figure:
    """The slow gain drift of all strips, as a picture: strip against line."""
    figure = new_figure(2.5)
    ax = figure.subplots()
    reach = _robust_reach(drift.density)
    image = ax.imshow(
        drift.density, aspect="auto", cmap=_DIVERGING, vmin=-reach, vmax=reach, interpolation="nearest",
        extent=(float(line[0]), float(line[-1]), drift.density.shape[0] - 0.5, -0.5),
    )  # fmt: skip
    ax.grid(False)
    ax.set_title(f"Gain drift along the strips; median 1σ {np.nanmedian(drift.sigma):.1e}")
    ax.set(xlabel="line of the raster", ylabel="strip")
    ax.yaxis.set_major_locator(MaxNLocator(integer=True))
    figure.colorbar(image, ax=ax, pad=0.01, aspect=10, label="density").outline.set_visible(False)
    return figure


def column_spectrum(spectrum: ColumnSpectrum) -> Figure:
    """Power of the column means before and after, on logarithmic axes."""
    figure = new_figure(3.1)
    ax = figure.subplots()
    shown = spectrum.frequency > 0
    for power, color, label in ((spectrum.before, BEFORE, "before"), (spectrum.after, ACCENT, "after")):
        ax.loglog(spectrum.frequency[shown], power[shown], color=color, lw=0.5, alpha=0.35)
        ax.loglog(*_octave_parts(spectrum.frequency[shown], power[shown]), color=color, lw=1.5, label=label)
    if spectrum.noise_floor is not None:
        ax.axhline(spectrum.noise_floor, color=MUTED, lw=0.9, ls=(0, (4, 3)), label="noise of a column mean")
    ax.set(xlabel="cycles per sample", ylabel="density² per bin")
    ax.legend(loc="lower left", ncols=3)
    return figure


def _octave_parts(frequency: NDArray[np.floating], power: NDArray[np.floating]) -> tuple[NDArray, NDArray]:
    """Mean power in eighths of an octave, at their mean frequency: single bins scatter by their own size."""
    part = np.floor(8 * np.log2(frequency / frequency[0])).astype(int)
    _, where, count = np.unique(part, return_inverse=True, return_counts=True)
    return np.bincount(where, frequency) / count, np.bincount(where, power) / count


def _robust_reach(values: NDArray[np.floating]) -> float:
    known = np.abs(values[np.isfinite(values)])
    return nice_up(float(np.percentile(known, 99))) if known.size else 1.0
