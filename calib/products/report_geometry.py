"""Draws the report's plots of geometry: residuals of marks and control points as arrows, and jumps over the seams."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from calib.products.fits import MarkResiduals
from calib.products.fits_pointing import ControlResiduals
from calib.products.report_data import SeamJumps
from calib.products.report_plot import ACCENT, BAND, BEFORE, INK, WRONG, Margins, as_one_path, panels, round_up

_ARROW_SHARE = 0.05  # length of the arrow for the 95th percentile of the residuals, as a share of the plotted range
_HEAD_SHARE = 0.28  # length of an arrow's head, as a share of the arrow
_PANEL_IN, _AROUND_IN = 5.1, 1.1  # width of one of two panels; height of its title, scale and labels
_MANY = 40  # arrows; a plot with no more is drawn smaller


def mark_residuals(marks: MarkResiduals) -> Figure:
    """Residuals of the reseau marks with the nominal and with the fitted scan, each panel magnified on its own."""
    before, after = (marks.before_x_mm, marks.before_y_mm), (marks.residual_x_mm, marks.residual_y_mm)
    return _before_and_after(marks.x_mm, marks.y_mm, before, after, marks.used, ("Nominal scan", "Fitted scan"))


def control_residuals(control: ControlResiduals) -> Figure:
    """Residuals of the control points with the stated and with the refined pointing."""
    before, after = (control.before_x_mm, control.before_y_mm), (control.residual_x_mm, control.residual_y_mm)
    titles = ("Pointing as stated", "Pointing as refined")
    return _before_and_after(control.x_mm, control.y_mm, before, after, control.used, titles)


def _before_and_after(
    x: NDArray,
    y: NDArray,
    before: tuple[NDArray, NDArray],
    after: tuple[NDArray, NDArray],
    used: NDArray[np.bool_],
    titles: tuple[str, str],
) -> Figure:
    span_x, span_y = float(np.ptp(x)) or 1.0, float(np.ptp(y)) or 1.0
    margin = 0.06 * max(span_x, span_y)
    height_in = _PANEL_IN * (span_y + 2 * margin) / (span_x + 2 * margin) + _AROUND_IN
    height_in = float(np.clip(height_in, 2.4, 6.4 if x.size > _MANY else 4.0))
    figure, axes = panels(height_in, 1, 2, Margins(above=0.5, across=0.3), sharex=True, sharey=True)
    for ax, (dx, dy), title, color in zip(axes, (before, after), titles, (BEFORE, ACCENT), strict=True):
        _arrows(ax, x, y, dx, dy, used, color, title)
        ax.set_aspect("equal", adjustable="box")
        ax.set(xlim=(x.min() - margin, x.max() + margin), ylim=(y.max() + margin, y.min() - margin))
        ax.set_xlabel("film x (mm)")
    axes[0].set_ylabel("film y (mm)")
    return figure


def _arrows(
    ax: Axes, x: NDArray, y: NDArray, dx: NDArray, dy: NDArray, used: NDArray[np.bool_], color: str, title: str
) -> None:
    length = np.hypot(dx, dy)
    known = length[used & np.isfinite(length)]
    scale_mm = round_up(float(np.percentile(known, 95))) if known.size else 1.0
    drawn_mm = _ARROW_SHARE * max(float(np.ptp(x)), float(np.ptp(y)), 1.0)
    factor = drawn_mm / scale_mm
    per_axis = float(np.sqrt(np.mean(known**2) / 2)) if known.size else float("nan")
    ax.set_title(f"{title}: rms {_length(per_axis)} per axis, {known.size} used", pad=20)
    for chosen, shade in ((used, color), (~used & np.isfinite(length), WRONG)):
        # Arrows of gross errors are cut at three scale lengths, which keeps them inside the plot.
        reach = np.minimum(1.0, 3 * scale_mm / np.maximum(length[chosen], 1e-12))
        u, v = dx[chosen] * factor * reach, dy[chosen] * factor * reach
        _arrow_paths(ax, x[chosen], y[chosen], u, v, shade)
    ax.plot(x[~used], y[~used], ls="", marker="x", ms=3.2, mew=0.8, color=WRONG)
    start, at = 0.0, 1.025
    width = drawn_mm / (1.12 * max(float(np.ptp(x)), 1.0))
    ax.annotate(
        "", (start + width, at), (start, at), xycoords="axes fraction", annotation_clip=False,
        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 0.9, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 6},
    )  # fmt: skip
    ax.text(start + width + 0.01, at, _length(scale_mm), transform=ax.transAxes, va="center", fontsize=7.5)


def _length(mm: float) -> str:
    return f"{mm:.3g} mm" if mm >= 1 else f"{1000 * mm:.3g} µm"


def _arrow_paths(ax: Axes, x: NDArray, y: NDArray, u: NDArray, v: NDArray, color: str) -> None:
    """Arrows drawn as one path, which keeps the page small with thousands of them."""
    tip_x, tip_y = x + u, y + v
    back_u, back_v = -_HEAD_SHARE * u, -_HEAD_SHARE * v
    left_x, left_y = tip_x + back_u - 0.5 * back_v, tip_y + back_v + 0.5 * back_u
    right_x, right_y = tip_x + back_u + 0.5 * back_v, tip_y + back_v - 0.5 * back_u
    path_x = as_one_path(np.column_stack([x, tip_x, left_x, tip_x, right_x]))
    path_y = as_one_path(np.column_stack([y, tip_y, left_y, tip_y, right_y]))
    ax.plot(path_x, path_y, color=color, lw=0.7, solid_joinstyle="round")


def seam_jumps(seams: SeamJumps) -> Figure:
    """The rms jump over each seam as a dot, over a bar of the rms that noise alone causes."""
    figure, (ax,) = panels(3.0, room=Margins(above=0.42))
    number = np.arange(seams.jump.size)
    ax.bar(number, seams.noise_floor, width=0.8, color=BAND, label="noise alone")
    far = seams.stands_out
    ax.plot(number[~far], seams.jump[~far], ls="", marker="o", ms=3.4, color=ACCENT, label="found")
    if far.any():
        ax.plot(number[far], seams.jump[far], ls="", marker="o", ms=3.8, color=WRONG, label="found, and warned of")
    most = round_up(float(np.nanmax(np.concatenate([seams.jump, seams.noise_floor]), initial=1e-6)))
    ax.set_yticks([0.0, most / 2, most], [f"{tick:g}" for tick in (0.0, most / 2, most)])
    ax.xaxis.set_major_locator(MaxNLocator(nbins=20, integer=True, min_n_ticks=1))
    ax.set(xlabel="seam (right of strip)", ylabel="rms jump in density")
    ax.set(xlim=(-0.7, seams.jump.size - 0.3), ylim=(0.0, 1.05 * most))
    ax.grid(axis="x", visible=False)
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, 1.16), ncols=3)
    return figure
