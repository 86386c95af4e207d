"""Descriptions of single images for the stand-alone uses: tables of the frame description, without strips or wedge."""

from pathlib import Path
from typing import TypeVar

from pydantic import Field, ValidationError

from calib.frame.camera import Camera
from calib.frame.description import MapRequest, Sun, Terrain
from calib.frame.document import Document, read_document
from calib.frame.fields import Table, above_zero
from calib.frame.film import CharacteristicCurve
from calib.frame.gathered import joined
from calib.frame.mistakes import mistakes_of
from calib.frame.pointing import AnyPointing


class DensityImageDescription(Table):
    """Values needed to convert the density of an image to reflectance."""

    shutter_s: float = above_zero(86400, "seconds")
    camera: Camera = Field(description="a table with the keys of the camera")
    characteristic: CharacteristicCurve = Field(description="a table with log_exposure and density")
    sun: Sun = Field(description="a table with subsolar_deg and distance_au")


class MappedImageDescription(Table):
    """Values needed to project an image onto a map grid."""

    camera: Camera = Field(description="a table with the keys of the camera")
    pointing: AnyPointing = Field(
        description="one form: position_km and camera_to_moon, or sub_point_deg, altitude_km, tilt_deg, "
        "tilt_azimuth_deg and swing_deg"
    )
    terrain: Terrain | None = Field(default=None, description="a table with dem")
    map: MapRequest = Field(default=MapRequest(), description="a table with any of crs, pixel_m, bounds")


Described = TypeVar("Described", DensityImageDescription, MappedImageDescription)


def read_alone(path: Path, model: type[Described]) -> tuple[Described, Document]:
    """Read and validate a description of a single image. Raises `InputError` with a line for each mistake."""
    document = read_document(path, model)
    try:
        return model.model_validate(document.values), document
    except ValidationError as error:
        raise joined(mistakes_of(error, document, model)) from None
