"""The parts of fits.nc about the pointing: the camera's pose, the control residuals, and the uncertainty of places."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.products.netcdf import Variable

Floats = NDArray[np.floating]


@dataclass(frozen=True, slots=True, eq=False)
class Pointing:
    """Camera in the Moon frame: `position_km` (3,), unit quaternion `camera_to_moon` (4,) as (w, x, y, z).

    The 1-sigma arrays are (3,), that of the attitude about camera X, Y, Z; `correlation` (6, 6) is of position x, y, z
    and attitude X, Y, Z. `velocity_km_s` (3,) and `turn_deg_s` (3,) are given if the camera moves while its slit
    exposes the frame; the pose and they then hold at the mid time. Unknown values are None.
    """

    position_km: Floats
    camera_to_moon: Floats
    sigma_position_km: Floats | None = None
    sigma_attitude_deg: Floats | None = None
    correlation: Floats | None = None
    velocity_km_s: Floats | None = None
    turn_deg_s: Floats | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ControlResiduals:
    """Control points (C,): measured minus predicted film coordinates, with stated and with refined pointing; mm."""

    point: Sequence[str]
    x_mm: Floats
    y_mm: Floats
    before_x_mm: Floats
    before_y_mm: Floats
    residual_x_mm: Floats
    residual_y_mm: Floats
    sigma_mm: Floats
    used: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class PlaceUncertainty:
    """1-sigma error ellipses (39 % of errors lie inside) of places of the frame on the ground, arrays (P,).

    `place` holds their names, the centre first; `x_mm`, `y_mm`: film coordinates. The other arrays are NaN where a
    place misses the Moon. `azimuth_deg` is that of the longer axis, clockwise from north, 0 to 180.
    """

    place: Sequence[str]
    x_mm: Floats
    y_mm: Floats
    lon_deg: Floats
    lat_deg: Floats
    semi_major_m: Floats
    semi_minor_m: Floats
    azimuth_deg: Floats

    @property
    def on_moon(self) -> NDArray[np.bool_]:
        """Mask (P,) of the places that lie on the Moon."""
        return np.isfinite(self.lon_deg)


def pointing_variables(p: Pointing) -> list[Variable]:
    """Variables of camera position and attitude, and of their uncertainty and the camera's motion if known."""
    axis, about = ("moon_axis",), ("camera_axis",)
    known = [
        Variable("camera_position", axis, p.position_km, "camera position in the mean-Earth/polar-axis frame", "km"),
        Variable("camera_to_moon", ("quaternion",), p.camera_to_moon, "unit quaternion w, x, y, z from camera to Moon"),
    ]
    if p.sigma_position_km is not None:
        known.append(Variable("camera_position_sigma", axis, p.sigma_position_km, "1-sigma of camera_position", "km"))
    if p.sigma_attitude_deg is not None:
        name = "1-sigma of the attitude about camera X, Y, Z"
        known.append(Variable("camera_attitude_sigma", about, p.sigma_attitude_deg, name, "degree"))
    if p.correlation is not None:
        name = "correlation of position x, y, z and attitude about camera X, Y, Z"
        known.append(Variable("pointing_correlation", ("parameter", "parameter_again"), p.correlation, name))
    if p.velocity_km_s is not None:
        known.append(Variable("camera_velocity", axis, p.velocity_km_s, "velocity of the camera", "km s-1"))
    if p.turn_deg_s is not None:
        name = "turn rate of the camera about its X, Y, Z"
        known.append(Variable("camera_turn_rate", about, p.turn_deg_s, name, "degree s-1"))
    return known


def control_variables(c: ControlResiduals) -> list[Variable]:
    """Variables of the control points' residuals, one value per point."""
    point = ("control_point",)
    return [
        Variable("control_id", point, np.array(c.point, dtype=object), "name of the control point"),
        Variable("control_x", point, c.x_mm, "measured film x of the control point", "mm"),
        Variable("control_y", point, c.y_mm, "measured film y of the control point", "mm"),
        Variable("control_x_before", point, c.before_x_mm, "measured less predicted film x, pointing as stated", "mm"),
        Variable("control_y_before", point, c.before_y_mm, "measured less predicted film y, pointing as stated", "mm"),
        Variable(
            "control_x_residual", point, c.residual_x_mm, "measured less predicted film x, refined pointing", "mm"
        ),
        Variable(
            "control_y_residual", point, c.residual_y_mm, "measured less predicted film y, refined pointing", "mm"
        ),
        Variable("control_sigma", point, c.sigma_mm, "stated 1-sigma of the measured place", "mm"),
        Variable("control_used", point, c.used, "whether the control point took part in the resection"),
    ]


def uncertainty_variables(u: PlaceUncertainty) -> list[Variable]:
    """Variables of the places and their error ellipses, one value per place."""
    place, mean = ("place",), "1-sigma ellipse of the place on the ground that the pointing leaves open"
    at = {"coordinates": "place_longitude place_latitude"}
    lon, lat = {"standard_name": "longitude"}, {"standard_name": "latitude"}
    return [
        Variable("place_name", place, np.array(u.place, dtype=object), "place of the frame"),
        Variable("place_x", place, u.x_mm, "film x of the place", "mm"),
        Variable("place_y", place, u.y_mm, "film y of the place", "mm"),
        Variable("place_on_moon", place, u.on_moon, "whether the place lies on the Moon"),
        Variable("place_longitude", place, u.lon_deg, "planetocentric longitude of the place", "degrees_east", lon),
        Variable("place_latitude", place, u.lat_deg, "planetocentric latitude of the place", "degrees_north", lat),
        Variable("place_semi_major", place, u.semi_major_m, f"semi-major axis, {mean}", "m", at),
        Variable("place_semi_minor", place, u.semi_minor_m, f"semi-minor axis, {mean}", "m", at),
        Variable("place_azimuth", place, u.azimuth_deg, f"azimuth of the longer axis, {mean}", "degree", at),
    ]
