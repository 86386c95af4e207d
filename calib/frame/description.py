"""Every table of a frame description, key by key, as immutable validated values.

The `description` of a field is what a reader of an error message is told to write there. Types are strict (text or a
truth value never stands for a number, a whole number may stand for a real one); NaN and infinities are mistakes;
unknown keys are mistakes. Arrays are tuples. Names and units are those of the contract in `reference/frame-package.md`.
"""

import math
from collections.abc import Sequence
from itertools import combinations, pairwise
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Discriminator, Field, Tag, model_validator

from calib.frame.fields import (
    Area,
    Density,
    FilmMm,
    Latitude,
    LogExposure,
    Longitude,
    MismatchError,
    Moment,
    RisingPair,
    Saturation,
    SizeMm,
    Speed,
    Table,
    Text,
    TurnRate,
    above_zero,
    within,
)
from calib.frame.lens import light_left, turning_point_mm
from calib.frame.words import in_words
from calib.moon import RADIUS_KM

QUATERNION_TOLERANCE = 1e-4  # four printed decimals of each component leave the norm this good
TOUCHING_MM = 1e-9  # wedge patches may share an edge; decimal fractions do not meet exactly in binary
FEWEST_PATCHES = 3
FARTHEST_KM = 1e6


class Exposure(Table):
    """When the shutter opened, and for how long."""

    mid_time: Moment = Field(description="a date-time in UTC, as 1971-06-02T11:42:07.250Z")
    shutter_s: float = above_zero(86400, "seconds")


class Distortion(Table):
    """Brown-Conrady coefficients, from undistorted to film, for millimetres from the principal point."""

    k1: float = Field(default=0.0, description="a number (mm^-2)")
    k2: float = Field(default=0.0, description="a number (mm^-4)")
    k3: float = Field(default=0.0, description="a number (mm^-6)")
    p1: float = Field(default=0.0, description="a number (mm^-1)")
    p2: float = Field(default=0.0, description="a number (mm^-1)")


class ShutterSlit(Table):
    """A focal-plane shutter: a slit that runs over the film, so that each line of it has its own time."""

    travel: Literal["+x", "-x", "+y", "-y"] = Field(description='"+x", "-x", "+y" or "-y", the way the slit runs')
    speed_mm_s: float = above_zero(1e6, "film mm per second")


class Camera(Table):
    """The camera: interior orientation, and what its lens does to light."""

    focal_length_mm: float = above_zero(1e5, "mm")
    principal_point_mm: tuple[FilmMm, FilmMm] = Field(description="[x, y] in film mm")
    distortion: Distortion = Field(default=Distortion(), description="a table with any of k1, k2, k3, p1, p2")
    format_mm: tuple[SizeMm, SizeMm] = Field(description="[width, height] in mm, both above 0 and up to 10000")
    f_number: float = above_zero(1000, "")
    transmittance: float = above_zero(1, "")
    falloff: tuple[float, float] | None = Field(default=None, description="[a1, a2] of 1 + a1 r2 + a2 r4, r in mm")
    shutter_slit: ShutterSlit | None = Field(default=None, description="a table with travel and speed_mm_s")

    @model_validator(mode="after")
    def _is_physical(self) -> "Camera":
        corner_mm, d = self.corner_mm(), self.distortion
        if self.falloff is not None and not light_left(self.falloff, corner_mm):
            raise MismatchError(
                in_words(self.falloff), f"light left at every place up to {corner_mm:.4g} mm", "falloff"
            )
        turning_mm = turning_point_mm((d.k1, d.k2, d.k3), corner_mm)
        if turning_mm is not None:
            found = f"radial coefficients that fold the image back {turning_mm:.4g} mm from the principal point"
            raise MismatchError(found, f"none up to the format's corner, {corner_mm:.4g} mm away", "distortion")
        return self

    def corner_mm(self) -> float:
        """Distance of the farthest corner of the format from the principal point, in film mm."""
        return math.hypot(
            *(size / 2 + abs(at) for size, at in zip(self.format_mm, self.principal_point_mm, strict=True))
        )


class CharacteristicCurve(Table):
    """The film's characteristic curve by its knots; nothing is known beyond the first and the last."""

    log_exposure: tuple[LogExposure, ...] = Field(
        description="two or more rising values of log10(lux s) within -10 to 10"
    )
    density: tuple[Density, ...] = Field(description="as many densities within 0 to 10, all rising or all falling")

    @model_validator(mode="after")
    def _is_monotone(self) -> "CharacteristicCurve":
        if len(self.log_exposure) < 2:
            raise MismatchError(f"{len(self.log_exposure)} values", "two or more", "log_exposure")
        if len(self.density) != len(self.log_exposure):
            expected = f"as many as log_exposure has, {len(self.log_exposure)}"
            raise MismatchError(f"{len(self.density)} values", expected, "density")
        _check_steps(self.log_exposure, 1, "log_exposure")
        _check_steps(self.density, 1 if self.density[-1] > self.density[0] else -1, "density")
        return self


def _check_steps(values: Sequence[float], sign: int, key: str) -> None:
    """Refuse a step that does not go the way of `sign`, +1 up and -1 down."""
    for index, (before, after) in enumerate(pairwise(values), start=1):
        if not (after - before) * sign > 0:
            way = "above" if sign > 0 else "below"
            raise MismatchError(in_words(after), f"a number {way} the one before it, {before!r}", key, index)


class WedgePatch(Table):
    """One step of the wedge: its value, and where it lies in every strip."""

    value: float = Field(description="a density, or log10(lux s), as film.wedge.quantity says")
    y_mm: RisingPair = Field(description="[first, last] in film mm, rising")
    across_mm: RisingPair = Field(description="[left, right] in mm from the strip's centre line, rising")


class Wedge(Table):
    """The step wedge that is repeated in every strip."""

    quantity: Literal["density", "log_exposure"] = Field(description='"density" or "log_exposure"')
    patches: tuple[WedgePatch, ...] = Field(description="an array of tables with value, y_mm and across_mm")
    sigma: float | None = within(0, 10, "as film.wedge.quantity", default=None)

    @model_validator(mode="after")
    def _can_be_used(self) -> "Wedge":
        limits = (0.0, 10.0) if self.quantity == "density" else (-10.0, 10.0)
        for index, patch in enumerate(self.patches):
            if not limits[0] <= patch.value <= limits[1]:
                expected = f"a {self.quantity} within {limits[0]:g} to {limits[1]:g}"
                raise MismatchError(in_words(patch.value), expected, "patches", index, "value")
        if len(self.patches) < FEWEST_PATCHES:
            raise MismatchError(f"{len(self.patches)} patches", f"{FEWEST_PATCHES} or more", "patches")
        different = len({patch.value for patch in self.patches})
        if different < FEWEST_PATCHES:
            raise MismatchError(f"{different} different values", f"{FEWEST_PATCHES} or more", "patches")
        for (i, one), (j, other) in combinations(enumerate(self.patches), 2):
            if _overlap(one.y_mm, other.y_mm) and _overlap(one.across_mm, other.across_mm):
                raise MismatchError(f"a patch that lies on patches[{i}]", "a place of its own", "patches", j)
        return self


def _overlap(one: tuple[float, float], other: tuple[float, float]) -> bool:
    return min(one[1], other[1]) - max(one[0], other[0]) > TOUCHING_MM


class Reseau(Table):
    """The reseau: the shape of its marks, and the file that says where they are."""

    shape: Literal["cross"] = Field(description='"cross"')
    arm_mm: float = above_zero(100, "mm")
    width_mm: float = above_zero(100, "mm")
    density: float | None = within(0, 10, "density", default=None)
    sigma_mm: float | None = within(0, 100, "mm", default=None)
    marks: str = Field(description="the relative path of a CSV file with the columns id, x_mm, y_mm")

    @model_validator(mode="after")
    def _has_arms(self) -> "Reseau":
        if not self.width_mm < 2 * self.arm_mm:
            raise MismatchError(
                in_words(self.width_mm), f"less than the stroke's length, {2 * self.arm_mm:g} mm", "width_mm"
            )
        return self


class Film(Table):
    """The film, and what was exposed onto it beside the picture."""

    characteristic: CharacteristicCurve = Field(description="a table with log_exposure and density")
    granularity: float | None = above_zero(1000, "RMS x 1000, 48 um aperture, D = 1", default=None)
    wedge: Wedge = Field(description="a table with quantity and patches")
    reseau: Reseau = Field(description="a table with shape, arm_mm, width_mm and marks")


class Scan(Table):
    """How the strips were read off the film."""

    strips: str = Field(description="a pattern of relative paths, as strips/*.tif")
    pitch_mm: float = above_zero(1000, "film mm")
    first_center_mm: float = within(-1e4, 1e4, "film mm")
    first_line_mm: float = within(-1e4, 1e4, "film mm")
    line_mm: float = within(1e-5, 1, "film mm per line")
    sample_mm: float = within(1e-5, 1, "film mm per sample")
    reversed: Literal["none", "odd", "even"] = Field(description='"none", "odd" or "even"')
    tolerance_mm: float = above_zero(1000, "film mm")
    saturation: Saturation | None = Field(default=None, description="[low, high] in DN, whole numbers")


class Quaternion(Table):
    """A rotation: v_moon = R v_camera."""

    w: float = Field(description="a number")
    x: float = Field(description="a number")
    y: float = Field(description="a number")
    z: float = Field(description="a number")


def unit(quaternion: Quaternion) -> Quaternion:
    """The quaternion with the rounding of its printed digits taken out of its norm."""
    norm = math.hypot(quaternion.w, quaternion.x, quaternion.y, quaternion.z)
    if not abs(norm - 1) <= QUATERNION_TOLERANCE:
        raise MismatchError(f"a norm of {norm:.10g}", f"1 within {QUATERNION_TOLERANCE:g}")
    parts = {name: value / norm for name, value in quaternion}
    return Quaternion.model_construct(**parts)


def above_ground(position_km: tuple[float, float, float]) -> tuple[float, float, float]:
    """A position outside the Moon."""
    if not RADIUS_KM < math.hypot(*position_km) <= FARTHEST_KM:
        found = f"a place {math.hypot(*position_km):.6g} km from the Moon's centre"
        raise MismatchError(found, f"more than {RADIUS_KM} km and up to {FARTHEST_KM:g} km")
    return position_km


class Motion(Table):
    """How the camera moves on while its shutter runs; position and attitude are those of the mid time."""

    velocity_km_s: tuple[Speed, Speed, Speed] = Field(
        description="[x, y, z] in km/s in the Moon frame, each within -100 to 100"
    )
    turn_deg_s: tuple[TurnRate, TurnRate, TurnRate] = Field(
        default=(0.0, 0.0, 0.0), description="[X, Y, Z] in deg/s about the camera's axes, each within -360 to 360"
    )


class Pointing(Table):
    """What both forms of pointing share."""

    sigma_position_km: float | None = above_zero(1e4, "km", default=None)
    sigma_attitude_deg: float | None = above_zero(180, "degrees", default=None)
    motion: Motion | None = Field(default=None, description="a table with velocity_km_s and, if wanted, turn_deg_s")


class PointingByPosition(Pointing):
    """Where the camera was in the Moon frame, and how it was turned."""

    position_km: Annotated[tuple[float, float, float], AfterValidator(above_ground)] = Field(
        description="[x, y, z] in km in the Moon frame"
    )
    camera_to_moon: Annotated[Quaternion, AfterValidator(unit)] = Field(description="a table with w, x, y and z")


class PointingBySubPoint(Pointing):
    """The ground point below the camera, its height, and its tilt, azimuth and swing."""

    sub_point_deg: tuple[Longitude, Latitude] = Field(
        description="[lon, lat] in degrees, lon within -360 to 360, lat within -90 to 90"
    )
    altitude_km: float = above_zero(1e6, "km")
    tilt_deg: float = within(0, 180, "degrees")
    tilt_azimuth_deg: float = within(-360, 360, "degrees")
    swing_deg: float = within(-360, 360, "degrees")


def form_of_pointing(value: Any) -> str | None:
    """The name of the form that a table of pointing has by its keys; None where they are of both or of neither."""
    forms = (PointingByPosition, PointingBySubPoint)
    if isinstance(value, forms):
        return type(value).__name__
    keys = set(value) - set(Pointing.model_fields) if isinstance(value, dict) else set()
    meant = [form.__name__ for form in forms if keys & set(form.model_fields)]
    return meant[0] if len(meant) == 1 else None


class Sun(Table):
    """Where the Sun stood, how far away, and how bright it is."""

    subsolar_deg: tuple[Longitude, Latitude] = Field(
        description="[lon, lat] in degrees, lon within -360 to 360, lat within -90 to 90"
    )
    distance_au: float = within(0.9, 1.1, "au")
    illuminance_lx_1au: float = within(1e4, 1e6, "lux", default=133100.0)


class Terrain(Table):
    """The terrain model."""

    dem: str = Field(description="the relative path of a georeferenced raster")


class Control(Table):
    """Points known on the ground."""

    points: str = Field(
        description="the relative path of a CSV file with id, lon_deg, lat_deg, height_m, x_mm, y_mm, sigma_mm"
    )


class MapRequest(Table):
    """The map that is asked for; what is left open is chosen."""

    crs: Text | None = Field(default=None, description="a text that PROJ reads, as IAU_2015:30110")
    pixel_m: float | None = above_zero(1e6, "m", default=None)
    bounds: Area | None = Field(default=None, description="[xmin, ymin, xmax, ymax] in m, rising")


AnyPointing = Annotated[
    Annotated[PointingByPosition, Tag("PointingByPosition")] | Annotated[PointingBySubPoint, Tag("PointingBySubPoint")],
    Discriminator(form_of_pointing),
]


class FrameDescription(Table):
    """All of `frame.toml`."""

    layout: int = Field(ge=1, le=1, description="1")
    name: Text = Field(description="a text of one printable line")
    exposure: Exposure = Field(description="a table with mid_time and shutter_s")
    camera: Camera = Field(description="a table with the keys of the camera")
    film: Film = Field(description="a table with characteristic, wedge and reseau")
    scan: Scan = Field(description="a table with the keys of the scan")
    pointing: AnyPointing = Field(
        description="one form: position_km and camera_to_moon, or sub_point_deg, altitude_km, tilt_deg, "
        "tilt_azimuth_deg and swing_deg"
    )
    sun: Sun | None = Field(default=None, description="a table with subsolar_deg and distance_au")
    terrain: Terrain | None = Field(default=None, description="a table with dem")
    control: Control | None = Field(default=None, description="a table with points")
    map: MapRequest = Field(default=MapRequest(), description="a table with any of crs, pixel_m, bounds")
