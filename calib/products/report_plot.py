"""The one style of the report's plots: drawings that take the page's own colours and letters, in light and in dark."""

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

# Colours that stand for a role; in the finished drawing they become the page's own, which differ by light and dark.
INK, MUTED, GRID = "#010203", "#040506", "#070809"
ACCENT, BEFORE, WRONG, BAND, PANEL = "#0a0b0c", "#0d0e0f", "#101112", "#131415", "#161718"
VIOLET, OLIVE, NIGHT = "#191a1b", "#1c1d1e", "#1f2021"
SERIES = (ACCENT, BEFORE, VIOLET, OLIVE)  # of things of one rank, in turn
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
    """The style as a context: plots are made and drawn inside it."""
    return mpl.rc_context(_STYLE)


@dataclass(frozen=True, slots=True)
class Room:
    """Room for what stands around axes, in inches: to the left of the first and the right of the last, above and below
    the figure's, and from axes to axes. A layout that measures the letters takes as long as all drawing does."""

    left: float = 0.9
    right: float = 0.2
    above: float = 0.3
    below: float = 0.45
    across: float = 0.9
    down: float = 0.3


USUAL = Room()


def panels(
    height_in: float, rows: int = 1, columns: int = 1, room: Room = USUAL, **how: Any
) -> tuple[Figure, list[Axes]]:
    """A figure as wide as the page's text, and its axes row by row; `how`: more for the library's `subplots`."""
    figure = Figure(figsize=(WIDTH_IN, height_in))
    wide = (WIDTH_IN - room.left - room.right - (columns - 1) * room.across) / columns
    high = (height_in - room.above - room.below - (rows - 1) * room.down) / rows
    figure.subplots_adjust(
        left=room.left / WIDTH_IN, right=1 - room.right / WIDTH_IN, wspace=room.across / wide,
        bottom=room.below / height_in, top=1 - room.above / height_in, hspace=room.down / high,
    )  # fmt: skip
    return figure, list(figure.subplots(rows, columns, squeeze=False, **how).flat)


def color_bar(image: AxesImage, ax: Axes, label: str) -> None:
    """The scale of a picture's colours, close to the right of its axes; `Room.right` must hold it."""
    bar = ax.figure.colorbar(image, cax=ax.inset_axes((1.008, 0.0, 0.012, 1.0)), label=label)
    bar.outline.set_visible(False)


def drawing(figure: Figure, name: str, description: str) -> str:
    """The figure as an SVG element for the page: no clock, no address, the page's colours, a spoken description.

    `name` keeps the drawing's inner names apart from those of the other drawings on the page.
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
    text = _with_own_names(text, name)
    return re.sub(r"\n\s*", "\n", text).strip()


def _with_own_names(text: str, name: str) -> str:
    """Inner names become `name` and a number, in order; those that nothing refers to go, as they would occur twice.

    The plotting library makes names of the last digits of places, which are not the same in every process.
    """
    wanted = dict.fromkeys(re.findall(r'(?:url\(|href=")#([^")]+)', text))
    number = {old: f"{name}-{index}" for index, old in enumerate(wanted)}

    def renamed(match: re.Match[str]) -> str:
        return f' id="{number[match[1]]}"' if match[1] in number else ""

    def pointed(match: re.Match[str]) -> str:
        return f"{match[1]}#{number[match[2]]}"

    text = re.sub(r' id="([^"]+)"', renamed, text)
    return re.sub(r'(url\(|href=")#([^")]+)', pointed, text)


def some_of(count: int, most: int = len(SERIES)) -> NDArray[np.int64]:
    """Numbers of a few of `count` things, evenly spread, the first and the last among them."""
    return np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(np.int64))


def joined(*parts: NDArray[np.floating]) -> NDArray[np.float64]:
    """Rows of several (M, n) lines one after the other with a gap between them: one path instead of M."""
    gap = np.full((parts[0].shape[0], 1), np.nan)
    return np.concatenate([*parts, gap], axis=1).ravel()


def median_known(values: NDArray[np.floating]) -> float:
    """The median of what is known; NaN where nothing is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def nice_up(value: float) -> float:
    """The next 1, 2 or 5 times a power of ten that is not below `value`."""
    if not np.isfinite(value) or value <= 0:
        return 1.0
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= value * (1 - 1e-9)))


def power_of_ten(value: float, _: int) -> str:
    """A label of a logarithmic axis in plain letters: the library's own are formulas, which take long to set."""
    return ten_to(round(float(np.log10(value))))


def quiet(ax: Axes) -> None:
    """An axes that only gives the place: no ticks, no frame."""
    ax.set_xticks([])
    ax.set_yticks([])
    ax.grid(False)
    for spine in ax.spines.values():
        spine.set_visible(False)
