"""Converts exposure on the film to reflectance of the ground: the camera equation, inverted.

    H = rho * (E / d^2) * transmittance * illumination * shutter / (4 N^2)

with rho the radiance factor (I/F), E the illuminance of the Sun at 1 au, d its distance from the Moon in au, N the
f-number (`pi L = rho E / d^2`, and the exposure of an extended, distant object is ``pi L T t / (4 N^2)``).
"""

from typing import Protocol

import numpy as np

from calib.coordinates import Array, FilmPoints


class Lens(Protocol):
    """The properties of a camera in the camera equation; `frame.camera.Camera` has them."""

    @property
    def focal_length_mm(self) -> float: ...
    @property
    def principal_point_mm(self) -> tuple[float, float]: ...
    @property
    def f_number(self) -> float: ...
    @property
    def transmittance(self) -> float: ...
    @property
    def falloff(self) -> tuple[float, ...] | None: ...


def relative_illumination(camera: Lens, film: FilmPoints, cos_field: Array | None = None) -> Array:
    """Illumination of film points as measured, relative to the optical axis.

    With `camera.falloff` = (a1, a2): 1 + a1 r^2 + a2 r^4, r in mm on the film from the principal point. Without: the
    fourth power of the cosine of the field angle. `cos_field` is that cosine (the Z component of the unit ray in camera
    axes); if not given, it is computed from the film point as measured, which neglects distortion: a relative
    displacement s of the film point changes the result by 4 sin^2(field) s.
    """
    x = np.asarray(film.x_mm, dtype=np.float64) - camera.principal_point_mm[0]
    y = np.asarray(film.y_mm, dtype=np.float64) - camera.principal_point_mm[1]
    r2 = x * x + y * y
    if camera.falloff is not None:
        a1, a2 = camera.falloff
        return 1.0 + r2 * (a1 + r2 * a2)
    if cos_field is not None:
        return np.asarray(cos_field, dtype=np.float64) ** 4
    return (1.0 + r2 / camera.focal_length_mm**2) ** -2.0


def reflectance_per_exposure(
    camera: Lens,
    shutter_s: float,
    sun_distance_au: float,
    illuminance_lx_1au: float,
    film: FilmPoints,
    cos_field: Array | None = None,
) -> Array:
    """The factor (per lux second) that turns exposure into radiance factor: ``rho = H * factor``.

    `cos_field`: see `relative_illumination`. NaN where a falloff polynomial has fallen to zero or below.
    """
    light = relative_illumination(camera, film, cos_field)
    on_axis = 4.0 * camera.f_number**2 * sun_distance_au**2 / (illuminance_lx_1au * camera.transmittance * shutter_s)
    return on_axis / np.where(light > 0.0, light, np.nan)
