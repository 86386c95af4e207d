"""The common style of the report's plots: SVG drawings that use the page's colours and fonts, light or dark."""

import re
from contextlib import AbstractContextManager
from dataclasses import dataclass
from io import StringIO
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from numpy.typing import NDArray

from calib.products.readable import ten_to

# Placeholder colours, one for each role. In the finished drawing they are replaced by the page's own colours, which
# differ between its light and dark themes.
INK, MUTED, GRID = "#010203", "#040506", "#070809"
ACCENT, BEFORE, WRONG, BAND, PANEL = "#0a0b0c", "#0d0e0f", "#101112", "#131415", "#161718"
VIOLET, OLIVE, NIGHT = "#191a1b", "#1c1d1e", "#1f2021"
SERIES = (ACCENT, BEFORE, VIOLET, OLIVE)  # of curves of the same kind, in turn
_ROLES = {
    INK: "currentColor", MUTED: "var(--muted)", GRID: "var(--line)", ACCENT: "var(--accent)", BEFORE: "var(--before)",
    WRONG: "var(--wrong)", BAND: "var(--band)", PANEL: "var(--panel)", VIOLET: "var(--violet)", OLIVE: "var(--olive)",
    NIGHT: "var(--night)",
}  # fmt: skip

WIDTH_IN = 11.0
_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none", "svg.hashsalt": "calib", "font.size": 8.5, "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"], "axes.titlesize": 9.0, "axes.titlelocation": "left", "axes.titleweight": "bold",
    "axes.edgecolor": MUTED, "axes.linewidth": 0.6, "axes.labelcolor": MUTED, "axes.titlecolor": INK,
    "axes.spines.top": False, "axes.spines.right": False, "axes.grid": True, "grid.color": GRID, "grid.linewidth": 0.6,
    "xtick.color": MUTED, "ytick.color": MUTED, "text.color": INK, "xtick.major.size": 2.5, "ytick.major.size": 2.5,
    "axes.axisbelow": True, "legend.frameon": False, "legend.fontsize": 8.0, "lines.linewidth": 1.2,
    "figure.facecolor": "none", "axes.facecolor": "none", "savefig.facecolor": "none", "path.simplify": True,
    "axes.formatter.use_mathtext": False, "axes.unicode_minus": True,
}  # fmt: skip


def style() -> AbstractContextManager[None]:
    """Context in which plots are made and drawn in the report's style."""
    return mpl.rc_context(_STYLE)


@dataclass(frozen=True, slots=True)
class Margins:
    """Space around axes, in inches: the figure's margins, and the gaps between axes (`across` and `down`).

    Fixed, because a layout engine that measures texts takes as long as all drawing.
    """

    left: float = 0.9
    right: float = 0.2
    above: float = 0.3
    below: float = 0.45
    across: float = 0.9
    down: float = 0.3


USUAL = Margins()


def panels(
    height_in: float, rows: int = 1, columns: int = 1, room: Margins = USUAL, **how: Any
) -> tuple[Figure, list[Axes]]:
    """A figure as wide as the page's text, and its axes row by row; `how`: further arguments of `Figure.subplots`."""
    figure = Figure(figsize=(WIDTH_IN, height_in))
    wide = (WIDTH_IN - room.left - room.right - (columns - 1) * room.across) / columns
    high = (height_in - room.above - room.below - (rows - 1) * room.down) / rows
    figure.subplots_adjust(
        left=room.left / WIDTH_IN, right=1 - room.right / WIDTH_IN, wspace=room.across / wide,
        bottom=room.below / height_in, top=1 - room.above / height_in, hspace=room.down / high,
    )  # fmt: skip
    return figure, list(figure.subplots(rows, columns, squeeze=False, **how).flat)


def color_bar(image: AxesImage, ax: Axes, label: str) -> None:
    """Add the colour scale of an image right of its axes; `Margins.right` must leave space for it."""
    bar = ax.figure.colorbar(image, cax=ax.inset_axes((1.008, 0.0, 0.012, 1.0)), label=label)
    bar.outline.set_visible(False)


def drawing(figure: Figure, name: str, description: str) -> str:
    """The figure as an SVG element for the page: without dates and external addresses, in the page's colours, with a
    description for screen readers.

    `name` makes the drawing's ids differ from those of the other drawings on the page.
    """
    out = StringIO()
    figure.savefig(out, format="svg", dpi=150, metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    box = re.search(r'viewBox="([^"]+)"', text)
    if box is None:
        raise ValueError("the plotting library wrote a drawing without its size")
    opening = f'<svg class="plot" role="img" aria-label="{description}" viewBox="{box[1]}" '
    text = opening + 'xmlns:xlink="http://www.w3.org/1999/xlink">' + text[text.index(">") + 1 :]
    for color, role in _ROLES.items():
        text = text.replace(color, role)
    text = _with_unique_ids(text, name)
    return re.sub(r"\n\s*", "\n", text).strip()


def _with_unique_ids(text: str, name: str) -> str:
    """Replace ids by `name` and a number, in order, and drop unreferenced ones, which could occur twice on the page.

    The plotting library derives ids from the last digits of coordinates, which are not the same in every process.
    """
    referenced = dict.fromkeys(re.findall(r'(?:url\(|href=")#([^")]+)', text))
    number = {old: f"{name}-{index}" for index, old in enumerate(referenced)}

    def renamed(match: re.Match[str]) -> str:
        return f' id="{number[match[1]]}"' if match[1] in number else ""

    def pointed(match: re.Match[str]) -> str:
        return f"{match[1]}#{number[match[2]]}"

    text = re.sub(r' id="([^"]+)"', renamed, text)
    return re.sub(r'(url\(|href=")#([^")]+)', pointed, text)


def spread_indices(count: int, most: int = len(SERIES)) -> NDArray[np.int64]:
    """Indices of at most `most` of `count` items, evenly spaced, including the first and the last."""
    return np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(np.int64))


def as_one_path(*parts: NDArray[np.floating]) -> NDArray[np.float64]:
    """M polylines (the rows of arrays (M, n), side by side) as one flat array with NaN gaps: one path instead of M."""
    gap = np.full((parts[0].shape[0], 1), np.nan)
    return np.concatenate([*parts, gap], axis=1).ravel()


def finite_median(values: NDArray[np.floating]) -> float:
    """The median of the finite values; NaN if there are none."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def round_up(value: float) -> float:
    """The smallest number 1, 2 or 5 times a power of ten that is not below `value`; 1 for none."""
    if not np.isfinite(value) or value <= 0:
        return 1.0
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= value * (1 - 1e-9)))


def power_of_ten(value: float, _: int) -> str:
    """Tick label of a logarithmic axis as plain text; the library's own labels are formulas, which are slow to draw."""
    return ten_to(round(float(np.log10(value))))


def hide_frame(ax: Axes) -> None:
    """Remove ticks, grid and frame of an axes."""
    ax.set_xticks([])
    ax.set_yticks([])
    ax.grid(False)
    for spine in ax.spines.values():
        spine.set_visible(False)
