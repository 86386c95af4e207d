"""Draws the report's plots of the tone of all strips: transfer curves and drift."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from calib.products.fits import Drift, TransferCurves
from calib.products.readable import number
from calib.products.report_plot import (
    ACCENT,
    BAND,
    GRID,
    INK,
    MUTED,
    WIDTH_IN,
    WRONG,
    Margins,
    as_one_path,
    color_bar,
    finite_median,
    hide_frame,
    panels,
    round_up,
)

DIVERGING = LinearSegmentedColormap.from_list("around zero", ["#8c3d12", "#d99b6c", "#f4f2ee", "#7fb2bf", "#12566b"])
_KNOTS = 128  # most points of a curve: enough for a panel of 2 cm
_MARGIN = 0.06  # above and below, as a share of a panel's density range: keeps points off the frame
_TOP, _CURVE, _GAP, _RESIDUAL = 0.10, 0.54, 0.09, 0.20  # heights of a panel's parts, from above; the panel is 1


def transfer_panels(transfer: TransferCurves) -> Figure:
    """Each strip's curve with its wedge points; below it the residuals and the curve's 1-sigma, magnified."""
    strips = transfer.density.shape[0]
    across = 4 if strips <= 8 else 6 if strips <= 30 else 10
    down = -(-strips // across)
    figure = Figure(figsize=(WIDTH_IN, down * WIDTH_IN / across * 0.86 + 0.35))
    ax = figure.add_axes((0.045, 0.0, 0.95, 1.0))
    hide_frame(ax)
    ax.set(xlim=(0, across), ylim=(down + 0.12, -0.02))
    _Panels(transfer, across).draw(ax)
    return figure


class _Panels:
    """Panels drawn in one axes, because the plotting library takes a minute for a hundred separate axes."""

    def __init__(self, transfer: TransferCurves, across: int) -> None:
        self._transfer, self._across = transfer, across
        pick = np.unique(np.linspace(0, transfer.dn.size - 1, _KNOTS).round().astype(int))
        self._dn, self._density, self._sigma = transfer.dn[pick], transfer.density[:, pick], transfer.sigma[:, pick]
        strips = np.arange(transfer.density.shape[0])
        self._left, self._top = strips % across + 0.0, strips // across + 0.0
        known = np.concatenate([self._density.ravel(), transfer.patch_value])
        known = known[np.isfinite(known)]
        low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
        room, self._labelled = _MARGIN * (high - low), (low, high)
        self._low, self._high = low - room, high + room
        spread = np.abs(transfer.patch_residual[transfer.patch_used])
        self._reach = round_up(1.1 * float(np.nanmax(spread, initial=1e-4)))

    def _x(self, dn: NDArray) -> NDArray:
        return 0.06 + 0.86 * dn / max(int(self._transfer.dn[-1]), 1)

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
        ax.plot(as_one_path(x), as_one_path(y), color=ACCENT, lw=1.1)
        self._points(ax, self._transfer.patch_used, color=INK, face=INK, size=2.2)
        self._points(ax, ~self._transfer.patch_used, color=WRONG, face="none", size=3.4)

    def _points(self, ax: Axes, chosen: NDArray[np.bool_], *, color: str, face: str, size: float) -> None:
        transfer, strip = self._transfer, self._transfer.patch_strip[chosen]
        x, top = self._left[strip] + self._x(transfer.patch_dn[chosen]), self._top[strip]
        residual, sigma = transfer.patch_residual[chosen], transfer.patch_sigma[chosen]
        ends = np.column_stack([top + self._y_residual(residual + side * sigma) for side in (-1, 1)])
        ax.plot(as_one_path(np.column_stack([x, x])), as_one_path(ends), color=color, lw=0.6)
        for y in (top + self._y(transfer.patch_value[chosen]), top + self._y_residual(residual)):
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
        beside = 0.045 - 0.34 * self._across / WIDTH_IN  # left of the numbers, however narrow the panels are
        for top in np.unique(self._top):
            for value in self._labelled:
                at = top + float(self._y(np.array(value)))
                ax.text(0.045, at, f"{round(value, 1) + 0.0:.1f}", ha="right", va="center", **small)
            for sign in (1, -1):
                at = top + float(self._y_residual(np.array(sign * self._reach)))
                ax.text(0.045, at, f"{sign * self._reach:+g}", ha="right", va="center", **small)
            ax.text(beside, top + _TOP + _CURVE / 2, "density", rotation=90, ha="center", va="center", **small)
        last = float(self._top.max())
        for left in np.unique(self._left[self._top == last]):
            ax.text(left + 0.06, last + foot + 0.06, "DN 0", ha="left", va="center", **small)
            ax.text(left + 0.92, last + foot + 0.06, f"{int(self._transfer.dn[-1])}", ha="right", va="center", **small)


def drift_picture(drift: Drift, line: NDArray[np.integer]) -> Figure:
    """The slow gain drift of all strips as a picture, strip by line."""
    figure, (ax,) = panels(2.5, room=Margins(right=1.15))
    reach = robust_reach(drift.density)
    image = ax.imshow(
        drift.density, aspect="auto", cmap=DIVERGING, vmin=-reach, vmax=reach, interpolation="nearest",
        extent=(float(line[0]), float(line[-1]), drift.density.shape[0] - 0.5, -0.5),
    )  # fmt: skip
    ax.grid(False)
    ax.set_title(f"Gain drift along the strips; median 1σ {number(finite_median(drift.sigma), 2)}")
    ax.set(xlabel="line of the raster", ylabel="strip")
    ax.yaxis.set_major_locator(MaxNLocator(integer=True))
    color_bar(image, ax, "density")
    return figure


def robust_reach(values: NDArray[np.floating]) -> float:
    """The 99th percentile of the absolute values, rounded up to a round number; 1 if there are no values."""
    known = np.abs(values[np.isfinite(values)])
    return round_up(float(np.percentile(known, 99))) if known.size else 1.0
