"""Computes how the ground under each film place is lit and viewed: smooth fields that turn relief into reflectance.

The relief is drawn in film pixels, its heights in units of the local ground pixel G (square root of the ground area of
a film pixel). With the film's pixel coordinates p1, p2 and the surface gradients ``c_i = G grad p_i``, the slope of a
relief h is ``h_1 c_1 + h_2 c_2``, so craters are round on the ground however the camera looks at it.
"""

from dataclasses import dataclass

import numpy as np
from calib_demo.view import View, film_of_point, lon_lat_of, meet_ground, point_of, sight_of_film
from numpy.typing import NDArray

Array = NDArray[np.float64]
FIELDS = ("sun", "sun_1", "sun_2", "eye", "eye_1", "eye_2", "k11", "k12", "k22", "pixel_km", "hit")


@dataclass(frozen=True, slots=True, eq=False)
class Illumination:
    """Fields (rows, columns, len(FIELDS)) on every `stride`-th raster pixel: cosines to Sun and eye of the smooth
    ground, products of c_1 and c_2 with both directions and with each other, ground pixel in km, 1 on the Moon.
    """

    fields: NDArray[np.float32]
    stride: int

    def rows(self, first: int, stop: int, columns: int) -> NDArray[np.float32]:
        """The fields (len(FIELDS), stop - first, columns) at full resolution, bilinear."""
        down = np.arange(first, stop) / self.stride
        top = np.minimum(down.astype(int), self.fields.shape[0] - 2) if self.stride > 1 else np.arange(first, stop)
        if self.stride == 1:
            return np.moveaxis(self.fields[top, :columns], -1, 0)
        share = (down - top).astype(np.float32)[:, None, None]
        lines = self.fields[top] * (1 - share) + self.fields[top + 1] * share
        right = np.arange(columns) / self.stride
        left = np.minimum(right.astype(int), self.fields.shape[1] - 2)
        part = (right - left).astype(np.float32)[:, None]
        return np.moveaxis(lines[:, left] * (1 - part) + lines[:, left + 1] * part, -1, 0)


def illuminate(view: View, sun: Array, x_mm: Array, y_mm: Array) -> Illumination:
    """Fields for a raster whose columns lie at `x_mm` and rows at `y_mm`; `sun` is the unit vector to it."""
    corners = np.array([[x_mm[i], y_mm[j]] for i in (0, -1) for j in (0, -1)])
    _, hit = meet_ground(view, *sight_of_film(view, corners[:, 0], corners[:, 1]))
    stride = 8 if hit.all() else 1
    n_rows, n_columns = (len(axis) // stride + 2 if stride > 1 else len(axis) for axis in (y_mm, x_mm))
    step = float(x_mm[1] - x_mm[0])
    x, y = np.meshgrid(x_mm[0] + step * stride * np.arange(n_columns), y_mm[0] + step * stride * np.arange(n_rows))
    blocks = [
        _fields(view, sun, x[first : first + 128], y[first : first + 128], step) for first in range(0, n_rows, 128)
    ]
    return Illumination(np.concatenate(blocks), stride)


def _fields(view: View, sun: Array, x: Array, y: Array, step_mm: float) -> NDArray[np.float32]:
    origin, rays = sight_of_film(view, x, y)
    points, hit = meet_ground(view, origin, rays)
    normal = ground_normal(view, points)
    to_eye = origin - points
    to_eye /= np.linalg.norm(to_eye, axis=-1, keepdims=True)
    c_1, c_2, pixel_km = _film_gradients(view, points, normal, step_mm)
    products = [normal @ sun, c_1 @ sun, c_2 @ sun]
    products += [(a * to_eye).sum(-1) for a in (normal, c_1, c_2)]
    products += [(a * b).sum(-1) for a, b in ((c_1, c_1), (c_1, c_2), (c_2, c_2))]
    return np.stack([*products, pixel_km, hit], axis=-1).astype(np.float32)


def ground_normal(view: View, points: Array) -> Array:
    """Unit normals (..., 3) of the sphere, or of the terrain by differences over 30 m."""
    up = points / np.linalg.norm(points, axis=-1, keepdims=True)
    if view.terrain is None:
        return np.asarray(up)
    lon, lat = lon_lat_of(points)
    delta = np.degrees(0.03 / np.linalg.norm(points[0, 0]))
    stretch = delta / np.maximum(np.cos(np.radians(lat)), 1e-6)
    north = point_of(lon, lat + delta, 1e-3 * view.terrain.height_m(lon, lat + delta))
    south = point_of(lon, lat - delta, 1e-3 * view.terrain.height_m(lon, lat - delta))
    east = point_of(lon + stretch, lat, 1e-3 * view.terrain.height_m(lon + stretch, lat))
    west = point_of(lon - stretch, lat, 1e-3 * view.terrain.height_m(lon - stretch, lat))
    normal = np.cross(east - west, north - south)
    return np.asarray(normal / np.linalg.norm(normal, axis=-1, keepdims=True))


def _film_gradients(view: View, points: Array, normal: Array, step_mm: float) -> tuple[Array, Array, Array]:
    """c_1, c_2 (..., 3) and the ground pixel in km, by differences over 10 m along the three axes."""
    delta_km = 0.01
    gradients = np.empty((2, *points.shape))
    for axis in range(3):
        shift = np.zeros(3)
        shift[axis] = delta_km / 2
        x_after, y_after, _ = film_of_point(view, points + shift)
        x_before, y_before, _ = film_of_point(view, points - shift)
        gradients[0, ..., axis] = (x_after - x_before) / (delta_km * step_mm)
        gradients[1, ..., axis] = (y_after - y_before) / (delta_km * step_mm)
    gradients -= (gradients * normal).sum(-1, keepdims=True) * normal
    area = np.linalg.norm(np.cross(gradients[0], gradients[1]), axis=-1)
    pixel_km = 1.0 / np.sqrt(np.maximum(area, 1e-6))
    return gradients[0] * pixel_km[..., None], gradients[1] * pixel_km[..., None], pixel_km
