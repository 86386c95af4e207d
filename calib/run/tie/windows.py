"""Windows of frame and modern map at one level of the lattice: rendered, matched, and turned into tie points."""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from calib.camera.exterior import Pose
from calib.coordinates import Array, FilmPoints, GroundPoints
from calib.errors import NotPossible
from calib.ground.locate import film_scale
from calib.ground.match_prepare import texture
from calib.ground.match_windows import Coherence, Shifts, Spectra, assumed, settled, spectra
from calib.ground.region import region_outlined
from calib.ground.sphere import emission_deg, ground_to_moon
from calib.ground.view import View, film_to_ground, ground_to_film, on_ground
from calib.run.fitting.fit import FrameFits
from calib.run.rasters.map import MapMaker
from calib.run.tie.modern_map import ModernMap
from calib.run.tie.pictures import (
    Box,
    Lattice,
    box_around,
    frame_maker,
    frame_picture,
    ground_at,
    modern_picture,
    pixel_mm,
    pixel_of,
    view_with,
)

WANTED = 110  # windows over the frame
SIDE_PX, LEAST_SIDE_PX = 96, 32
ACROSS = 7  # windows along the frame's shorter side,
LEAST_ACROSS = 3  # or fewer and larger ones, if `WANTED` windows still fill the frame: small windows show too little
APART = 0.75  # of a window's side: closer windows would repeat the same information
AROUND_PX = 12  # margin rendered around a window, for local mean and scatter; the taper hides the rest of its edge
LEAST_KNOWN = 0.85  # mean weight of a window in each picture
MOST_EMISSION_DEG = 75.0
PER_SIDE, AROUND = 24, 360  # places of the outline: enough for a box around it


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Windows of a level: lattice places (N, 2) of their middle pixels' common centre and textures (N, n, n)."""

    lattice: Lattice
    level: int
    maker: MapMaker
    place: Array
    frame: Array
    modern: Array

    @property
    def side(self) -> int:
        """Pixels along a side of a window."""
        return int(self.frame.shape[1])


@dataclass(frozen=True, slots=True, eq=False)
class Matched:
    """Result of the matching: spectra of the windows, the coherence model learned from them, and their shifts."""

    spectra: Spectra
    coherence: Coherence
    shifts: Shifts


@dataclass(frozen=True, slots=True, eq=False)
class Ties:
    """N places that both pictures show: film of the frame, ground of the map, 1-sigma of a film coordinate.

    `place` (N, 2) on the lattice and `shift` (N, 2) there are in pixels of the windows' level.
    """

    ids: tuple[str, ...]
    film: FilmPoints
    ground: GroundPoints
    sigma_mm: Array
    place: Array
    shift: Array


def cut(fits: FrameFits, pose: Pose, modern: ModernMap, lattice: Lattice, level: int) -> Windows | NotPossible:
    """Render the windows of a level with a pose; windows with too few known pixels are left out."""
    view = view_with(fits, pose)
    region = region_outlined(view, PER_SIDE, AROUND)
    if region is None:
        return NotPossible("the frame shows nothing of the Moon")
    box = box_around(lattice, level, region, AROUND_PX * lattice.pixel_m(level))
    maker = frame_maker(fits, pose, lattice, level, box)
    side, middles = window_places(view, lattice, level)
    half, places, frame, shown = side // 2, [], [], []
    most_of_frame = 0.0
    for row, column in middles:
        around = Box(row - half - AROUND_PX, column - half - AROUND_PX, side + 2 * AROUND_PX, side + 2 * AROUND_PX)
        inner = slice(AROUND_PX, AROUND_PX + side)
        textures = [texture(picture) for picture in (
            frame_picture(maker, box, around), modern_picture(modern, lattice, level, around))]  # fmt: skip
        known = [float(t.weight[inner, inner].mean()) for t in textures]
        most_of_frame = max(most_of_frame, known[0])
        if min(known) < LEAST_KNOWN:
            continue
        one, other = ((t.values * t.weight)[inner, inner] for t in textures)
        places.append((row - 0.5, column - 0.5))
        frame.append(one)
        shown.append(other)
    if most_of_frame < LEAST_KNOWN:
        pixel_m = lattice.pixel_m(level)
        return NotPossible(f"no window of {side} pixels of {pixel_m:.3g} m fits into what the frame shows")
    if not places:
        return NotPossible("the map shows hardly anything of what the frame shows")
    return Windows(lattice, level, maker, np.array(places), np.stack(frame), np.stack(shown))


def window_places(view: View, lattice: Lattice, level: int) -> tuple[int, list[tuple[int, int]]]:
    """Side of a level's windows, and the lattice pixels (row, column) just after the middle of each."""
    width, height = view.camera.format_mm
    scale_mm = pixel_mm(view, lattice, level)
    short_px, filling_px = min(width, height) / scale_mm, sqrt(width * height / WANTED) / scale_mm
    wanted = min(max(short_px / ACROSS, filling_px), short_px / LEAST_ACROSS)
    side = int(np.clip(wanted, LEAST_SIDE_PX, SIDE_PX)) // 2 * 2
    inset = (0.5 * side + 2) * scale_mm
    step = max(sqrt(max(width - 2 * inset, 0) * max(height - 2 * inset, 0) / WANTED), APART * side * scale_mm)
    axes = []
    for length in (width, height):
        reach = max(length / 2 - inset, 0.0)
        axes.append(np.linspace(-reach, reach, max(1, int(2 * reach / step) + 1)))
    x, y = np.meshgrid(*axes)
    ground = film_to_ground(view, FilmPoints(x.ravel(), y.ravel()))
    seen = emission_deg(ground_to_moon(ground), view.pose.position_km) <= MOST_EMISSION_DEG
    row, column = pixel_of(lattice, level, ground)
    seen &= np.isfinite(row) & np.isfinite(column)
    whole = (np.rint(a[seen] + 0.5).astype(int) for a in (row, column))
    return side, list(dict.fromkeys(zip(*(a.tolist() for a in whole), strict=True)))


def matched(windows: Windows, pattern: tuple[float, float, float] | None, reach_px: float) -> Matched | NotPossible:
    """Shifts of the windows, starting from the assumption that they are nearly equal.

    They need not be in the first round. Then the `pattern` of the whole match is tried as another start, and the start
    that matches more windows is kept.
    """
    found = spectra(windows.frame, windows.modern)
    result = settled(found, None, reach_px)
    if pattern is not None:
        other = settled(found, assumed(found, pattern), reach_px)
        if isinstance(result, NotPossible) or (
            not isinstance(other, NotPossible) and other[1].good.sum() > result[1].good.sum()
        ):
            result = other
    return result if isinstance(result, NotPossible) else Matched(found, *result)


def ties_of(windows: Windows, shifts: Shifts) -> Ties:
    """Tie points of the windows with good shifts: the map shows at place + shift what the frame shows at the place.

    The film place is where the rendering camera images the window's middle; the ground place is the map's.
    """
    lattice, level, view = windows.lattice, windows.level, windows.maker.where.view
    place, shift = windows.place[shifts.good], shifts.shift[shifts.good]
    at, target = (ground_at(lattice, level, p[:, 0], p[:, 1]) for p in (place, place + shift))
    film = ground_to_film(view, on_ground(view, at.lon_deg, at.lat_deg))
    sigma = [_sigma_mm(windows, p, c) for p, c in zip(place, shifts.covariance[shifts.good], strict=True)]
    ids = tuple(names_of(windows)[k] for k in np.flatnonzero(shifts.good))
    return Ties(ids, film, on_ground(view, target.lon_deg, target.lat_deg), np.array(sigma), place, shift)


def names_of(windows: Windows) -> tuple[str, ...]:
    """Names of all windows, matched or not."""
    return tuple(f"t{k + 1:03d}" for k in range(len(windows.place)))


def chosen(ties: Ties, kept: NDArray[np.bool_]) -> Ties:
    """The ties where `kept` (N,) is true."""
    film = FilmPoints(ties.film.x_mm[kept], ties.film.y_mm[kept])
    g = ties.ground
    ground = GroundPoints(g.lon_deg[kept], g.lat_deg[kept], g.height_km[kept])
    ids = tuple(name for name, keep in zip(ties.ids, kept, strict=True) if keep)
    return Ties(ids, film, ground, ties.sigma_mm[kept], ties.place[kept], ties.shift[kept])


def _sigma_mm(windows: Windows, place: Array, covariance: Array) -> float:
    """Mean 1-sigma of the film coordinates, from the covariance of a shift on the lattice; NaN off the film."""
    grid = windows.maker.grid
    scale = film_scale(windows.maker.where, float(place[0] + grid.top), float(place[1] - grid.left))
    if scale is None:
        return float("nan")
    jacobian = np.array([[scale.x_by_row, scale.x_by_column], [scale.y_by_row, scale.y_by_column]])
    return float(np.sqrt(np.trace(jacobian @ covariance @ jacobian.T) / 2))
