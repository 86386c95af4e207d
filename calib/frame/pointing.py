"""The table `pointing` of a description, in either of its two forms."""

import math
from typing import Annotated, Any

from pydantic import AfterValidator, Discriminator, Field, Tag

from calib.frame.fields import Latitude, Longitude, MismatchError, Speed, Table, TurnRate, above_zero, within
from calib.moon import RADIUS_KM

QUATERNION_TOLERANCE = 1e-4  # rounding of components to four decimals changes the norm by less than this
FARTHEST_KM = 1e6  # a larger distance suggests a wrong unit


class Quaternion(Table):
    """A rotation: v_moon = R v_camera."""

    w: float = Field(description="a number")
    x: float = Field(description="a number")
    y: float = Field(description="a number")
    z: float = Field(description="a number")


def unit(quaternion: Quaternion) -> Quaternion:
    """The quaternion normalized, to remove rounding; MismatchError if its norm is not nearly 1."""
    norm = math.hypot(quaternion.w, quaternion.x, quaternion.y, quaternion.z)
    if not abs(norm - 1) <= QUATERNION_TOLERANCE:
        raise MismatchError(f"a norm of {norm:.10g}", f"1 within {QUATERNION_TOLERANCE:g}")
    parts = {name: value / norm for name, value in quaternion}
    return Quaternion.model_construct(**parts)


def above_ground(position_km: tuple[float, float, float]) -> tuple[float, float, float]:
    """The position itself; MismatchError unless it is outside the Moon and nearer than `FARTHEST_KM`."""
    if not RADIUS_KM < math.hypot(*position_km) <= FARTHEST_KM:
        found = f"a place {math.hypot(*position_km):.6g} km from the Moon's centre"
        raise MismatchError(found, f"more than {RADIUS_KM} km and up to {FARTHEST_KM:g} km")
    return position_km


class Motion(Table):
    """Motion of the camera during the exposure; position and attitude are those of the mid time."""

    velocity_km_s: tuple[Speed, Speed, Speed] = Field(
        description="[x, y, z] in km/s in the Moon frame, each within -100 to 100"
    )
    turn_deg_s: tuple[TurnRate, TurnRate, TurnRate] = Field(
        default=(0.0, 0.0, 0.0), description="[X, Y, Z] in deg/s about the camera's axes, each within -360 to 360"
    )


class Pointing(Table):
    """Keys that both forms of pointing share."""

    sigma_position_km: float | None = above_zero(1e4, "km", default=None)
    sigma_attitude_deg: float | None = above_zero(180, "degrees", default=None)
    motion: Motion | None = Field(default=None, description="a table with velocity_km_s and, if wanted, turn_deg_s")


class PointingByPosition(Pointing):
    """Position and attitude of the camera in the Moon frame."""

    position_km: Annotated[tuple[float, float, float], AfterValidator(above_ground)] = Field(
        description="[x, y, z] in km in the Moon frame"
    )
    camera_to_moon: Annotated[Quaternion, AfterValidator(unit)] = Field(description="a table with w, x, y and z")


class PointingBySubPoint(Pointing):
    """The sub-camera point, the altitude, and tilt, azimuth and swing."""

    sub_point_deg: tuple[Longitude, Latitude] = Field(
        description="[lon, lat] in degrees, lon within -360 to 360, lat within -90 to 90"
    )
    altitude_km: float = above_zero(1e6, "km")
    tilt_deg: float = within(0, 180, "degrees")
    tilt_azimuth_deg: float = within(-360, 360, "degrees")
    swing_deg: float = within(-360, 360, "degrees")


def form_of_pointing(value: Any) -> str | None:
    """The name of the form of pointing to which a table's keys belong; None if they belong to both or to neither."""
    forms = (PointingByPosition, PointingBySubPoint)
    if isinstance(value, forms):
        return type(value).__name__
    keys = set(value) - set(Pointing.model_fields) if isinstance(value, dict) else set()
    meant = [form.__name__ for form in forms if keys & set(form.model_fields)]
    return meant[0] if len(meant) == 1 else None


AnyPointing = Annotated[
    Annotated[PointingByPosition, Tag("PointingByPosition")] | Annotated[PointingBySubPoint, Tag("PointingBySubPoint")],
    Discriminator(form_of_pointing),
]
