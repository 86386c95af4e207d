"""The table `camera` of a description: interior orientation, and the lens's effect on light."""

import math
from typing import Literal

from pydantic import Field, model_validator

from calib.frame.fields import FilmMm, MismatchError, SizeMm, Table, above_zero
from calib.frame.lens import falloff_is_positive, turning_point_mm
from calib.frame.words import in_words


class Distortion(Table):
    """Brown-Conrady coefficients from undistorted to film places, in millimetres from the principal point."""

    k1: float = Field(default=0.0, description="a number (mm^-2)")
    k2: float = Field(default=0.0, description="a number (mm^-4)")
    k3: float = Field(default=0.0, description="a number (mm^-6)")
    p1: float = Field(default=0.0, description="a number (mm^-1)")
    p2: float = Field(default=0.0, description="a number (mm^-1)")


class ShutterSlit(Table):
    """A focal-plane shutter: a slit that moves across the film, which exposes each line at its own time."""

    travel: Literal["+x", "-x", "+y", "-y"] = Field(description='"+x", "-x", "+y" or "-y", the way the slit runs')
    speed_mm_s: float = above_zero(1e6, "film mm per second")


class Camera(Table):
    """The camera: interior orientation, aperture, transmittance, falloff and shutter."""

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
        if self.falloff is not None and not falloff_is_positive(self.falloff, corner_mm):
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
