"""Draws the report's globe: the Moon from above the frame, whole and close up, with footprint, graticule and night."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from calib.products.report_data import Globe
from calib.products.report_map import graticule_step, multiples
from calib.products.report_plot import ACCENT, BEFORE, GRID, INK, MUTED, NIGHT, PANEL, WIDTH_IN, as_one_path, hide_frame

_CIRCLE = np.radians(np.linspace(0.0, 360.0, 361))
_NEAR_HALF_WIDTH = 2.6  # half-width of the near view, in sizes of the footprint
_MAX_NEAR_SIZE = 0.45  # radii; a larger footprint gets no near view
_LABELLED = 0.96  # share of a view's half-width within which points are marked


def globe_figure(globe: Globe) -> Figure:
    """The hemisphere around the frame and, if the frame is small, its neighbourhood."""
    figure = Figure(figsize=(WIDTH_IN, 4.6))
    far, near = (figure.add_axes((left, 0.01, 0.42, 0.93)) for left in (0.04, 0.54))
    size = footprint_size(globe)
    lon, lat = globe.center_deg
    center = f"{abs(lat):.3f}° {'N' if lat >= 0 else 'S'}, {abs(lon):.3f}° {'E' if lon >= 0 else 'W'}"
    views = (
        (far, 1.08, f"The Moon from above the footprint, {center}"),
        (near, min(_NEAR_HALF_WIDTH * size, 1.08), "The frame's neighbourhood"),
    )
    for ax, reach, title in views:
        hide_frame(ax)
        if ax is near and size > _MAX_NEAR_SIZE:
            ax.set_visible(False)
            continue
        ax.set(xlim=(-reach, reach), ylim=(-reach, reach))
        ax.set_aspect("equal")
        ax.set_title(title)
        _draw(ax, globe, reach)
    if size <= _MAX_NEAR_SIZE:
        _draw_near_box(far, _NEAR_HALF_WIDTH * size)
    return figure


def footprint_size(globe: Globe) -> float:
    """Largest projected distance of the footprint from the globe's centre, in radii; 1 if it reaches the far side."""
    x, y, front = projected(globe.footprint_lon_deg, globe.footprint_lat_deg, globe.center_deg)
    distance = np.where(front, np.hypot(x, y), 1.0)
    return max(float(distance.max(initial=0.0)), 1e-4)


def projected(
    lon_deg: NDArray, lat_deg: NDArray, center_deg: tuple[float, float]
) -> tuple[NDArray, NDArray, NDArray[np.bool_]]:
    """Orthographic x to the right and y up, in radii, and a mask of the places on the near side.

    Snyder (1987), U.S. Geological Survey Professional Paper 1395, equations 20-3, 20-4 and 5-3.
    """
    lat, lat0 = np.radians(lat_deg), np.radians(center_deg[1])
    away = np.radians(np.asarray(lon_deg) - center_deg[0])
    x = np.cos(lat) * np.sin(away)
    y = np.cos(lat0) * np.sin(lat) - np.sin(lat0) * np.cos(lat) * np.cos(away)
    front = np.sin(lat0) * np.sin(lat) + np.cos(lat0) * np.cos(lat) * np.cos(away)
    return x, y, front >= 0


def night_outline(globe: Globe) -> NDArray[np.float64]:
    """Outline (N, 2) of the dark part of the disc: half the terminator, then the limb on the side away from the Sun.

    In radii; empty if the whole disc is lit.
    """
    lat, lat0 = np.radians(globe.sun_deg[1]), np.radians(globe.center_deg[1])
    x, y, _ = (float(v) for v in projected(np.array(globe.sun_deg[0]), np.array(globe.sun_deg[1]), globe.center_deg))
    away = np.radians(globe.sun_deg[0] - globe.center_deg[0])
    towards = float(np.sin(lat0) * np.sin(lat) + np.cos(lat0) * np.cos(lat) * np.cos(away))
    across = np.hypot(x, y)
    if across < 1e-9:
        edge = np.column_stack([np.cos(_CIRCLE), np.sin(_CIRCLE)])
        return edge if towards < 0 else np.zeros((0, 2))
    sunward, end = np.array([x, y]) / across, np.array([-y, x]) / across
    turn = np.radians(np.linspace(0.0, 180.0, 181))[:, None]
    # A point of the terminator is cos(t) end + sin(t) (sun x end), foreshortened towards the Sun by the Sun's height.
    terminator = np.cos(turn) * end - towards * np.sin(turn) * sunward
    limb = -np.cos(turn) * end - np.sin(turn) * sunward
    return np.vstack([terminator, limb])


def _draw(ax: Axes, globe: Globe, reach: float) -> None:
    ax.fill(np.cos(_CIRCLE), np.sin(_CIRCLE), color=PANEL, lw=0)
    dark = night_outline(globe)
    if len(dark):
        ax.fill(dark[:, 0], dark[:, 1], color=NIGHT, lw=0)
    _graticule(ax, globe, reach)
    ax.plot(np.cos(_CIRCLE), np.sin(_CIRCLE), color=MUTED, lw=1.0)
    _outline(ax, globe)
    _draw_point(ax, globe.camera_deg, globe, reach, "x", INK, "below the camera")
    _draw_point(ax, globe.sun_deg, globe, reach, "o", BEFORE, "below the Sun")


def _outline(ax: Axes, globe: Globe) -> None:
    lon, lat = (np.append(v, v[:1]) for v in (globe.footprint_lon_deg, globe.footprint_lat_deg))
    x, y, front = projected(lon, lat, globe.center_deg)
    ax.plot(np.where(front, x, np.nan), np.where(front, y, np.nan), color=ACCENT, lw=1.8)


def _graticule(ax: Axes, globe: Globe, reach: float) -> None:
    whole = reach > 1
    step = 30.0 if whole else graticule_step(2 * float(np.degrees(np.arcsin(min(reach, 1.0)))))
    lon0, lat0 = globe.center_deg
    span = 90.0 if whole else 2 * float(np.degrees(np.arcsin(min(reach, 1.0))))
    south, north = max(lat0 - span, -90.0), min(lat0 + span, 90.0)
    beside = min(180.0, span / max(np.cos(np.radians(min(abs(lat0) + span, 90.0))), 1e-3))
    step_lon = graticule_step(2 * beside) if not whole and beside > 2 * span else step
    along_lat, along_lon = np.linspace(south, north, 181), lon0 + np.linspace(-beside, beside, 361)
    lines = [(np.full(along_lat.size, lon), along_lat) for lon in multiples(lon0 - beside, lon0 + beside, step_lon)]
    lines += [(along_lon, np.full(along_lon.size, lat)) for lat in multiples(south, north, step)]
    for lon, lat in lines:
        x, y, front = projected(lon, lat, globe.center_deg)
        near = front & (np.abs(x) <= 1.2 * reach) & (np.abs(y) <= 1.2 * reach)
        if near.any():
            ax.plot(np.where(near, x, np.nan), np.where(near, y, np.nan), color=GRID, lw=0.7)
    beside_it = "" if step_lon == step else f" of latitude, {step_lon:g}° of longitude"
    ax.text(0.0, 0.0, f"graticule {step:g}°{beside_it}", transform=ax.transAxes, fontsize=7.5, color=MUTED, va="bottom")


def _draw_point(
    ax: Axes, place_deg: tuple[float, float], globe: Globe, reach: float, marker: str, color: str, name: str
) -> None:
    x, y, front = (float(v) for v in projected(np.array(place_deg[0]), np.array(place_deg[1]), globe.center_deg))
    if front and max(abs(x), abs(y)) < _LABELLED * reach:
        ax.plot([x], [y], ls="", marker=marker, ms=5.5, mew=1.4, mfc="none", mec=color)
        side = "left" if x < 0.4 * reach else "right"
        ax.annotate(
            name,
            (x, y),
            (6 if side == "left" else -6, 6),
            textcoords="offset points",
            ha=side,
            fontsize=7.5,
            color=color,
        )


def _draw_near_box(ax: Axes, half: float) -> None:
    """The outline of the near view on the globe, at least of a visible size."""
    half = max(half, 0.025)
    corner = half * np.array([[-1.0, 1.0, 1.0, -1.0, -1.0], [-1.0, -1.0, 1.0, 1.0, -1.0]])
    ax.plot(as_one_path(corner[:1]), as_one_path(corner[1:]), color=INK, lw=0.8)
