"""The three photometric angles, from unit vectors in any common axes.

The Sun is at infinity in the direction of the sub-solar point. Its parallax at a place on the ground is at most
radius / distance = 0.00067 deg, an eighth of the accuracy of the sub-solar point.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from calib.coordinates import Array
from calib.moon import SubsolarPoint


@dataclass(frozen=True, slots=True, eq=False)
class PhotometricAngles:
    """Degrees, 0 to 180: incidence (normal to Sun), emission (normal to camera), phase (Sun to camera)."""

    incidence_deg: Array
    emission_deg: Array
    phase_deg: Array


@dataclass(frozen=True, slots=True)
class CenterLight:
    """Angles of light and view at a frame's centre on level ground, degrees; Sun azimuth is clockwise from north."""

    incidence_deg: float
    emission_deg: float
    phase_deg: float
    sun_azimuth_deg: float


def sun_direction(sun: SubsolarPoint) -> Array:
    """Unit vector (3,) to the Sun in the Moon frame."""
    lon, lat = np.radians(sun.lon_deg), np.radians(sun.lat_deg)
    return np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])


def angle_between(a: ArrayLike, b: ArrayLike) -> Array:
    """Angle in degrees between unit vectors (..., 3), accurate to rounding at every angle, also at 0 and 180.

    W. Kahan's form 2 atan(|a - b| / |a + b|) (quoted from memory); the arc cosine loses half the digits near 0.
    """
    a, b = np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)
    return np.degrees(2.0 * np.arctan2(_length(a - b), _length(a + b)))


def _length(vectors: Array) -> Array:
    x, y, z = np.moveaxis(vectors, -1, 0)
    return np.sqrt(x * x + y * y + z * z)


def photometric_angles(normal: ArrayLike, to_sun: ArrayLike, to_camera: ArrayLike) -> PhotometricAngles:
    """Angles from unit vectors (..., 3) that broadcast: the ground's normal, to the Sun, to the camera."""
    return PhotometricAngles(
        incidence_deg=angle_between(normal, to_sun),
        emission_deg=angle_between(normal, to_camera),
        phase_deg=angle_between(to_sun, to_camera),
    )
