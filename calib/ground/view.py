"""One exposure's view of the ground (camera, pose and terrain), with conversions between film and ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calib.camera.collinearity import moon_to_film
from calib.camera.exterior import Pose
from calib.camera.shutter import camera_km, is_moving, rays_of
from calib.coordinates import Array, FilmPoints, GroundPoints
from calib.ground.rays import ray_to_terrain
from calib.ground.sphere import dot, ground_to_moon, moon_to_ground, ray_to_sphere
from calib.ground.terrain import Terrain, heights_km

if TYPE_CHECKING:
    from calib.frame.camera import Camera


@dataclass(frozen=True, slots=True, weakref_slot=True, eq=False)
class View:
    """A camera at a pose over the Moon, with a terrain model or over the sphere.

    If the camera moves while its slit exposes, outlines and limits of emission use its position at the mid time.
    """

    camera: Camera
    pose: Pose
    terrain: Terrain | None = None


def film_to_moon(view: View, film: FilmPoints) -> Array:
    """Ground positions (..., 3) of film places, km: the first intersection of their rays; NaN off the Moon."""
    origin, rays = rays_of(view.camera, view.pose, film)
    if view.terrain is None:
        return ray_to_sphere(origin, rays)[0]
    return ray_to_terrain(view.terrain, origin, rays)


def film_to_ground(view: View, film: FilmPoints) -> GroundPoints:
    """Ground coordinates of film places; NaN where they miss the Moon."""
    return moon_to_ground(film_to_moon(view, film))


def ground_to_film(view: View, ground: GroundPoints) -> FilmPoints:
    """Film places of ground points by collinearity, without a test for occlusion."""
    return moon_to_film(view.camera, view.pose, ground_to_moon(ground))


def seen_from(view: View, position_km: Array) -> Array:
    """Camera position when it imaged places (..., 3), km: (3,), or (..., 3) if the camera moves."""
    if not is_moving(view.camera, view.pose):
        return view.pose.position_km
    return camera_km(view.camera, view.pose, moon_to_film(view.camera, view.pose, position_km))


def on_ground(view: View, lon_deg: Array, lat_deg: Array) -> GroundPoints:
    """Ground points at longitudes and latitudes, with the terrain's height."""
    if view.terrain is None:
        return GroundPoints(lon_deg, lat_deg, np.zeros(np.broadcast(lon_deg, lat_deg).shape))
    return GroundPoints(lon_deg, lat_deg, heights_km(view.terrain, lon_deg, lat_deg))


def before_horizon(view: View, position_km: Array) -> NDArray[np.bool_]:
    """Whether places (..., 3) lie on the camera's side of their own level surface (emission below 90 deg)."""
    return np.asarray(dot(position_km, view.pose.position_km - position_km) > 0)
