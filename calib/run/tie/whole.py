"""Searches the modern map for the whole frame, and moves the pose to where it was found."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.camera.adjustment import Control
from calib.camera.exterior import Pose
from calib.camera.resection import resect
from calib.coordinates import FilmPoints
from calib.errors import NotPossible
from calib.ground.footprint import format_corners, place_ellipses, stated_covariance
from calib.ground.match_global import GlobalMatch, global_match
from calib.ground.match_prepare import Texture, halved, likeness, texture
from calib.ground.region import Region
from calib.ground.sphere import ground_to_moon
from calib.ground.view import View, film_to_ground, on_ground
from calib.run.fitting.fit import FrameFits
from calib.run.tie.modern_map import ModernMap
from calib.run.tie.pictures import (
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

LONGEST_PX, WIDEST_PX = 512, 1400  # longest side of the pictures: the frame's, and the map's with the search range
LEAST_PX = 24  # shortest side of a picture
TRIED_LEVELS = 3
SIGMAS = 4.0  # of the stated pointing: the search range
DEFAULT_SEARCH_KM = 2.0
GRID = 5  # places along each side of the format that carry a shift of the whole frame
LEAST_LIKE = 0.1  # correlation of pixels two apart: a picture below it shows nothing but noise


@dataclass(frozen=True, slots=True, eq=False)
class Hunt:
    """The input of the search: fitted frame, modern map, the lattice of both, and the range `reach_m` on the ground.

    `prior` is the given pose with its stated sigmas; where none are stated, with sigmas that the range implies.
    """

    fits: FrameFits
    modern: ModernMap
    lattice: Lattice
    region: Region
    reach_m: float
    prior: Pose


@dataclass(frozen=True, slots=True, eq=False)
class Whole:
    """Where the frame was found: the match with its shift in pixels of `level`, and the pose moved there."""

    match: GlobalMatch
    level: int
    pose: Pose


def search_range_m(view: View, search_km: float | None) -> float:
    """How far a place may lie from where the pointing puts it: `search_km`, else four stated sigmas, or the default."""
    if search_km is not None:
        return 1000 * search_km
    covariance = stated_covariance(view.pose)
    if covariance is None:
        return 1000 * DEFAULT_SEARCH_KM
    corners = format_corners(view)
    film = FilmPoints(np.append(corners.x_mm, 0.0), np.append(corners.y_mm, 0.0))
    ellipses = [e.semi_major_m for e in place_ellipses(view, film, covariance) if e is not None]
    return SIGMAS * max(ellipses) if ellipses else 1000 * DEFAULT_SEARCH_KM


def with_sigmas(pose: Pose, reach_m: float, region: Region) -> Pose:
    """The pose with its stated sigmas; where none are stated, with sigmas that let it move by the search range."""
    slant_km = max(float(np.linalg.norm(region.center - pose.position_km)), 1.0)
    position = pose.sigma_position_km or reach_m / 2000
    attitude = pose.sigma_attitude_deg or float(np.degrees(reach_m / 2000 / slant_km))
    return replace(pose, sigma_position_km=position, sigma_attitude_deg=attitude)


def find_whole(hunt: Hunt) -> Whole | NotPossible:
    """Search at the finest level at which the pictures are small enough, and at coarser ones if that fails."""
    level = _first_level(hunt)
    found = _match_at(hunt, level)
    if isinstance(found, NotPossible):
        return found
    pose = _moved(hunt, level, found)
    return pose if isinstance(pose, NotPossible) else Whole(found, level, pose)


def _first_level(hunt: Hunt) -> int:
    level = 0
    while True:
        bare, wide = (box_around(hunt.lattice, level, hunt.region, margin) for margin in (0.0, hunt.reach_m))
        if max(bare.rows, bare.columns) <= LONGEST_PX and max(wide.rows, wide.columns) <= WIDEST_PX:
            return level
        level += 1


def _match_at(hunt: Hunt, level: int) -> GlobalMatch | NotPossible:
    """The frame's shift in pixels of `level`, found at that level or in further reduced pictures."""
    lattice, region = hunt.lattice, hunt.region
    frame_box, map_box = box_around(lattice, level, region, 0.0), box_around(lattice, level, region, hunt.reach_m)
    maker = frame_maker(hunt.fits, hunt.prior, lattice, level, frame_box)
    first: NDArray[np.floating] = frame_picture(maker, frame_box, frame_box)
    second: NDArray[np.floating] = modern_picture(hunt.modern, lattice, level, map_box)
    about = (frame_box.first_row - map_box.first_row, frame_box.first_column - map_box.first_column)
    refusals, scale = [], 1
    for _ in range(TRIED_LEVELS):
        textures = texture(first), texture(second)
        offset = round(about[0] / scale), round(about[1] / scale)
        found = global_match(*textures, hunt.reach_m / (scale * lattice.pixel_m(level)), offset)
        if isinstance(found, GlobalMatch):
            return replace(found, rows=found.rows * scale - about[0], columns=found.columns * scale - about[1])
        refusals.append(_why_not(found, *textures))
        first, second, scale = halved(first), halved(second), scale * 2
        if min(*first.shape, *second.shape) < LEAST_PX:
            break
    return refusals[0]


def _why_not(found: NotPossible, frame: Texture, modern: Texture) -> NotPossible:
    """The refusal `found`, or the reason behind it where a picture has no texture that could be matched."""
    for name, picture in (("frame", frame), ("map", modern)):
        if likeness(picture) < LEAST_LIKE:
            return NotPossible(f"the {name} shows no texture beyond its noise")
    return found


def _moved(hunt: Hunt, level: int, found: GlobalMatch) -> Pose | NotPossible:
    """The pose that shifts the whole frame on the ground by the shift `found`."""
    view = view_with(hunt.fits, hunt.prior)
    width, height = view.camera.format_mm
    x, y = np.meshgrid(np.linspace(-0.45, 0.45, GRID) * width, np.linspace(-0.45, 0.45, GRID) * height)
    row, column = pixel_of(hunt.lattice, level, film_to_ground(view, FilmPoints(x.ravel(), y.ravel())))
    seen = np.isfinite(row) & np.isfinite(column)
    target = ground_at(hunt.lattice, level, row[seen] + found.rows, column[seen] + found.columns)
    ground = ground_to_moon(on_ground(view, target.lon_deg, target.lat_deg))
    film = FilmPoints(x.ravel()[seen], y.ravel()[seen])
    sigma = np.full(film.x_mm.size, pixel_mm(view, hunt.lattice, level))
    names = tuple(f"g{k}" for k in range(sigma.size))
    moved = resect(hunt.fits.frame.camera, Control(names, ground, film, sigma), hunt.prior)
    return moved if isinstance(moved, NotPossible) else moved.pose
