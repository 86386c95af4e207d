"""Computes the lines over the report's maps, graticule and footprint, in the picture's pixels, and the scale bar."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyproj
from numpy.typing import NDArray

from calib.products.report_data import MapPicture

Pixels = NDArray[np.float64]

_STEPS_DEG = (30.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)
_MIN_LINES = 4  # of each family of the graticule
_POINTS = 181  # per meridian
_SCALE_BASE, _SCALE_MOST = 0.01, 0.25  # shares of the picture's width: baseline of the scale, longest scale bar
_LABEL_ROOM = 0.94  # share of the picture beyond which a label is left out, as it would be cut off


@dataclass(frozen=True, slots=True)
class MapLine:
    """A line over the picture: its `points` in SVG notation, and a label ("" for none) at (x, y) in pixels."""

    points: str
    label: str = ""
    x: float = 0.0
    y: float = 0.0


class _PixelGrid:
    """Converts between degrees and the pixels of a picture of `shape` (R, C) that covers the map."""

    def __init__(self, picture: MapPicture, shape: tuple[int, int]) -> None:
        crs = pyproj.CRS(picture.crs_wkt)
        self._transform = pyproj.Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
        self._west, self._south, self._east, self._north = picture.edges_m
        self.rows, self.cols = shape

    def pixels(self, lon: NDArray, lat: NDArray) -> Pixels:
        """Pixel coordinates (N, 2) x, y from the picture's top left corner; not finite outside the projection."""
        x, y = self._transform.transform(lon, lat, errcheck=False)
        with np.errstate(invalid="ignore"):
            across = (np.asarray(x) - self._west) / (self._east - self._west) * self.cols
            down = (self._north - np.asarray(y)) / (self._north - self._south) * self.rows
        return np.column_stack([across, down])

    def degrees(self) -> tuple[NDArray, NDArray]:
        """Longitudes and latitudes (N,) of a 41 x 41 lattice over the picture, without points off the projection."""
        x, y = np.meshgrid(np.linspace(self._west, self._east, 41), np.linspace(self._south, self._north, 41))
        lon, lat = self._transform.transform(x.ravel(), y.ravel(), direction="INVERSE", errcheck=False)
        lon, lat = np.asarray(lon), np.asarray(lat)
        there = np.isfinite(lon) & np.isfinite(lat)
        return lon[there], lat[there]

    def inside(self, points: Pixels) -> NDArray[np.bool_]:
        """Mask of the points on the picture."""
        with np.errstate(invalid="ignore"):
            return np.all((points >= 0) & (points <= [self.cols, self.rows]), axis=1)

    def runs(self, points: Pixels) -> Iterator[Pixels]:
        """The parts of a line on or near the picture, split where the projection jumps."""
        reach = np.array([self.cols, self.rows], float)
        with np.errstate(invalid="ignore"):
            near = np.all((points > -0.5 * reach) & (points < 1.5 * reach), axis=1)
            jumps = np.any(np.abs(np.diff(points, axis=0)) > 0.5 * reach, axis=1)
        start = None
        for at in range(len(points) + 1):
            ends = at == len(points) or not near[at] or (at > 0 and start is not None and jumps[at - 1])
            if ends and start is not None:
                if at - start > 1:
                    yield points[start:at]
                start = None
            if at < len(points) and near[at] and start is None:
                start = at


def map_lines(picture: MapPicture, shape: tuple[int, int]) -> tuple[list[MapLine], list[MapLine]]:
    """Labelled graticule and footprint of a map, as lines over its picture of `shape` (R, C)."""
    grid = _PixelGrid(picture, shape)
    lon, lat = _densified(picture.footprint_lon_deg, picture.footprint_lat_deg)
    footprint = [MapLine(_svg_points(run)) for run in grid.runs(grid.pixels(lon, lat))]
    return list(_graticule(grid)), footprint


def scale_bar(picture: MapPicture) -> tuple[str, float] | None:
    """Scale bar at the map's centre: a round ground length as text, at most a quarter of the map's width, and its share
    of that width. None if the projection is not defined there."""
    west, south, east, north = picture.edges_m
    crs = pyproj.CRS(picture.crs_wkt)
    to_degrees = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    across = (west + east) / 2 + np.array([-0.5, 0.5]) * _SCALE_BASE * (east - west)
    lon, lat = to_degrees.transform(across, np.full(2, (south + north) / 2), errcheck=False)
    geod = crs.get_geod()
    if geod is None or not np.isfinite([*lon, *lat]).all():
        return None
    width_m = geod.inv(lon[0], lat[0], lon[1], lat[1])[2] / _SCALE_BASE
    ten = 10.0 ** np.floor(np.log10(_SCALE_MOST * width_m))
    length_m = ten * max((times for times in (2, 5) if times * ten <= _SCALE_MOST * width_m), default=1)
    text = f"{length_m / 1000:g} km" if length_m >= 1000 else f"{length_m:g} m"
    return text, length_m / width_m


def _densified(lon: NDArray, lat: NDArray) -> tuple[NDArray, NDArray]:
    """A closed ring with points interpolated between its corners, the short way round, so that projected sides may
    curve."""
    steps = (np.diff(np.append(lon, lon[0])) + 180) % 360 - 180
    at = np.arange(lon.size + 1)
    fine = np.linspace(0, lon.size, max(lon.size, 512) + 1)
    unwrapped = lon[0] + np.concatenate([[0.0], np.cumsum(steps)])
    return np.interp(fine, at, unwrapped), np.interp(fine, at, np.append(lat, lat[0]))


def _graticule(grid: _PixelGrid) -> Iterator[MapLine]:
    lon, lat = grid.degrees()
    if lon.size == 0:
        return
    middle = float(np.degrees(np.angle(np.mean(np.exp(1j * np.radians(lon))))))
    away = (lon - middle + 180) % 360 - 180
    has_pole = [grid.inside(grid.pixels(np.array([0.0]), np.array([pole])))[0] for pole in (90.0, -90.0)]
    west, east = (-180.0, 180.0) if any(has_pole) else (float(away.min()), float(away.max()))
    south = -90.0 if has_pole[1] else float(lat.min())
    north = 90.0 if has_pole[0] else float(lat.max())
    step_lat, step_lon = graticule_step(north - south), graticule_step(east - west)
    along_lat = np.linspace(south, min(north, 90.0 - step_lat if any(has_pole) else north), _POINTS)
    if has_pole[1]:
        along_lat = np.linspace(-90.0 + step_lat, north, _POINTS)
    for value in multiples(middle + west, middle + east, step_lon):
        shown = (value + 180) % 360 - 180
        points = grid.pixels(np.full(_POINTS, value), along_lat)
        yield from _labelled(grid, points, _degrees(shown, step_lon, "E", "W"), lowest=True)
    for value in multiples(south, north, step_lat):
        points = grid.pixels(middle + np.linspace(west, east, 2 * _POINTS), np.full(2 * _POINTS, value))
        yield from _labelled(grid, points, _degrees(value, step_lat, "N", "S"), lowest=False)


def _labelled(grid: _PixelGrid, points: Pixels, label: str, *, lowest: bool) -> Iterator[MapLine]:
    """The parts of one graticule line; its label is at its lowest point (meridian) or leftmost point (parallel)."""
    places = points[grid.inside(points)]
    for index, run in enumerate(grid.runs(points)):
        label_here = None
        if index == 0 and len(places):
            label_here = places[np.argmax(places[:, 1])] if lowest else places[np.argmin(places[:, 0])]
        if (
            label_here is None
            or label_here[0] > _LABEL_ROOM * grid.cols
            or label_here[1] < (1 - _LABEL_ROOM) * grid.rows
        ):
            yield MapLine(_svg_points(run))
        else:
            yield MapLine(_svg_points(run), label, round(float(label_here[0]), 1), round(float(label_here[1]), 1))


def graticule_step(span: float) -> float:
    """The largest round step (degrees) that gives at least _MIN_LINES steps in a span."""
    return next((step for step in _STEPS_DEG if span / step >= _MIN_LINES), _STEPS_DEG[-1])


def multiples(low: float, high: float, step: float) -> list[float]:
    """The multiples of a step from `low` to `high`."""
    return [step * n for n in range(int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9)) + 1)]


def _degrees(value: float, step: float, positive: str, negative: str) -> str:
    digits = max(0, int(np.ceil(-np.log10(step) - 1e-9)))
    size = f"{abs(value):.{digits}f}°"
    if abs(value) < step / 2 or abs(abs(value) - 180) < step / 2:
        return size
    return f"{size} {positive if value > 0 else negative}"


def _svg_points(points: Pixels) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
