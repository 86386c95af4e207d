"""Computes the part of the Moon that a frame shows: its outline on the ground, and places inside."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.camera.collinearity import moon_to_film
from calib.camera.interior import within_format
from calib.coordinates import Array, FilmPoints
from calib.ground.sphere import arc_deg, east_north, emission_deg, ground_to_moon, moon_to_ground
from calib.ground.terrain import covers
from calib.ground.view import View, before_horizon, film_to_moon, on_ground
from calib.remembered import once

if TYPE_CHECKING:
    from calib.frame.camera import Camera

OBLIQUE_DEG = 80.0  # emission angle at which the map ends if the horizon is in the frame
PER_SIDE = 1024  # points along each side of the format: their chords deviate from its image by less than a pixel
ACROSS = 65  # points along each side of the inner lattice
AROUND = 8192  # points around the circle of equal emission


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """Ground that a frame shows: `ring` (N, 3) around it in order, `inside` (M, 3), both km in the Moon frame.

    `center` (3,) is the ground at the frame's centre or, if that misses the Moon, the place of the region nearest to
    it on the film. `horizon`: the Moon's limb is in the frame; the region then ends at 80 deg emission. If all is
    beyond that, it ends at the limb, and `center` is the place of least emission, because the limb has no scale.
    """

    ring: Array
    inside: Array
    center: Array
    horizon: bool
    poles: tuple[int, ...]


@once
def visible_region(view: View) -> Region | None:
    """The ground that a frame shows; None if no ray of it meets the Moon."""
    return region_outlined(view, PER_SIDE, AROUND)


def region_outlined(view: View, per_side: int, around: int) -> Region | None:
    """As `visible_region`, with `per_side` points along each side of the format and `around` on a full circle."""
    edge, lattice = format_edge(view.camera, per_side), _format_lattice(view)
    on_edge, inside = film_to_moon(view, edge), film_to_moon(view, lattice)
    horizon = not (np.isfinite(on_edge).all() and np.isfinite(inside).all())
    for limit in (OBLIQUE_DEG, 90.0) if horizon else (90.0,):
        circle = _circle(view, limit, around) if horizon else np.empty((0, 3))
        ring = np.concatenate([on_edge[_within(view, on_edge, limit)], circle])
        kept = inside[_within(view, inside, limit)]
        if len(ring) >= 3:
            ring = _in_order(view, ring)
            center = _center(view, np.concatenate([ring, kept]), horizon)
            return Region(ring, kept, center, horizon, _poles(view, limit))
    return None


def terrain_warnings(view: View, region: Region) -> tuple[str, ...]:
    """Warnings on the terrain under a frame: filled nodes, and the share of the frame beyond the raster."""
    if view.terrain is None:
        return ()
    ground = moon_to_ground(np.concatenate([region.ring, region.inside]))
    share = 1.0 - float(np.mean(covers(view.terrain, ground.lon_deg, ground.lat_deg)))
    if share == 0.0:
        return view.terrain.warnings
    beyond = f"terrain.dem: {100 * share:.3g} % of the frame lies beyond the raster; there the ground is the sphere"
    return (*view.terrain.warnings, beyond)


def format_edge(camera: Camera, per_side: int) -> FilmPoints:
    """Film coordinates around the edge of the format, clockwise from its upper left corner."""
    half_x, half_y = camera.format_mm[0] / 2, camera.format_mm[1] / 2
    t = np.arange(per_side) / per_side * 2 - 1
    one = np.ones(per_side)
    x = half_x * np.concatenate([t, one, -t, -one])
    y = half_y * np.concatenate([-one, t, one, -t])
    return FilmPoints(x, y)


def _format_lattice(view: View) -> FilmPoints:
    half_x, half_y = view.camera.format_mm[0] / 2, view.camera.format_mm[1] / 2
    x, y = np.meshgrid(np.linspace(-half_x, half_x, ACROSS), np.linspace(-half_y, half_y, ACROSS))
    return FilmPoints(x.ravel(), y.ravel())


def _within(view: View, position_km: Array, limit_deg: float) -> NDArray[np.bool_]:
    return np.asarray(emission_deg(position_km, view.pose.position_km) <= limit_deg)


def _circle(view: View, limit_deg: float, around: int) -> Array:
    """The part inside the format of the circle of equal emission angle on the ground, (N, 3) km."""
    below = moon_to_ground(view.pose.position_km)
    distance_km = float(np.linalg.norm(view.pose.position_km))
    arc = np.radians(arc_deg(limit_deg, distance_km))
    turn = np.arange(around) * (2 * np.pi / around)
    east, north = east_north(below.lon_deg, below.lat_deg)
    direction = np.cos(arc) * view.pose.position_km / distance_km + np.sin(arc) * (
        np.sin(turn)[:, np.newaxis] * east + np.cos(turn)[:, np.newaxis] * north
    )
    ground = moon_to_ground(direction)
    place = ground_to_moon(on_ground(view, ground.lon_deg, ground.lat_deg))
    return place[within_format(view.camera, moon_to_film(view.camera, view.pose, place))]


def _in_order(view: View, ring: Array) -> Array:
    """The ring's places in order around the region, sorted by angle about its middle, as it is convex on the film."""
    seen = view.pose.to_camera(ring - view.pose.position_km)
    x, y = seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2]
    return ring[np.argsort(np.arctan2(y - y.mean(), x - x.mean()), kind="stable")]


def _center(view: View, places: Array, horizon: bool) -> Array:
    middle = film_to_moon(view, FilmPoints(np.zeros(1), np.zeros(1)))[0]
    if np.isfinite(middle).all() and emission_deg(middle, view.pose.position_km) <= OBLIQUE_DEG:
        return middle
    emission = emission_deg(places, view.pose.position_km)
    if horizon and emission.min() > OBLIQUE_DEG:
        return np.asarray(places[np.argmin(emission)])
    film = moon_to_film(view.camera, view.pose, places)
    return np.asarray(places[np.nanargmin(np.hypot(film.x_mm, film.y_mm))])


def _poles(view: View, limit_deg: float) -> tuple[int, ...]:
    """+1 and -1 for the poles that the frame shows."""
    found = []
    for sign in (1, -1):
        place = ground_to_moon(on_ground(view, np.array(0.0), np.array(90.0 * sign)))
        seen = within_format(view.camera, moon_to_film(view.camera, view.pose, place))
        if seen and before_horizon(view, place) and _within(view, place, limit_deg):
            found.append(sign)
    return tuple(found)
