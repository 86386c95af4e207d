"""The frame description as immutable validated values: the whole, and its small tables.

The tables `camera`, `film` and `pointing`, which contain further tables, have their own modules.

The `description` of a field is what an error message tells the user to write there. Types are strict (text or a boolean
is never accepted as a number, an integer is accepted as a real number). NaN, infinities and unknown keys are mistakes.
Arrays are tuples. Names and units are those of the contract in `reference/frame-package.md`.
"""

from typing import Literal

from pydantic import Field

from calib.frame.camera import Camera
from calib.frame.fields import (
    Area,
    Latitude,
    Longitude,
    Moment,
    Saturation,
    Table,
    Text,
    above_zero,
    within,
)
from calib.frame.film import Film
from calib.frame.pointing import AnyPointing


class Exposure(Table):
    """Time and duration of the exposure."""

    mid_time: Moment = Field(description="a date-time in UTC, as 1971-06-02T11:42:07.250Z")
    shutter_s: float = above_zero(86400, "seconds")


class Scan(Table):
    """How the film was scanned in strips."""

    strips: str = Field(description="a pattern of relative paths, as strips/*.tif")
    pitch_mm: float = above_zero(1000, "film mm")
    first_center_mm: float = within(-1e4, 1e4, "film mm")
    first_line_mm: float = within(-1e4, 1e4, "film mm")
    line_mm: float = within(1e-5, 1, "film mm per line")
    sample_mm: float = within(1e-5, 1, "film mm per sample")
    reversed: Literal["none", "odd", "even"] = Field(description='"none", "odd" or "even"')
    tolerance_mm: float = above_zero(1000, "film mm")
    saturation: Saturation | None = Field(default=None, description="[low, high] in DN, whole numbers")


class Sun(Table):
    """Direction, distance and illuminance of the Sun."""

    subsolar_deg: tuple[Longitude, Latitude] = Field(
        description="[lon, lat] in degrees, lon within -360 to 360, lat within -90 to 90"
    )
    distance_au: float = within(0.9, 1.1, "au")
    illuminance_lx_1au: float = within(1e4, 1e6, "lux", default=133100.0)


class Terrain(Table):
    """The terrain model."""

    dem: str = Field(description="the relative path of a georeferenced raster")


class Control(Table):
    """The control points."""

    points: str = Field(
        description="the relative path of a CSV file with id, lon_deg, lat_deg, height_m, x_mm, y_mm, sigma_mm"
    )


class MapRequest(Table):
    """The requested map; values that are not given are chosen automatically."""

    crs: Text | None = Field(default=None, description="a text that PROJ reads, as IAU_2015:30110")
    pixel_m: float | None = above_zero(1e6, "m", default=None)
    bounds: Area | None = Field(default=None, description="[xmin, ymin, xmax, ymax] in m, rising")


class FrameDescription(Table):
    """The whole of `frame.toml`."""

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
