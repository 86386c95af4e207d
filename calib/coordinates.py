"""Types for places in the four coordinate systems: scan, film, ground and map.

Conventions that hold everywhere inside `calib`:

- an integer pixel index is the pixel's *centre*; index order is ``(line, sample)``, ``(row, column)``;
- film millimetres: `x` to the right, `y` down, origin at the centre of the film format;
- camera axes: X right, Y down, Z along the optical axis towards the ground;
- Moon frame: mean-Earth/polar-axis, kilometres; latitude planetocentric, longitude positive east, degrees;
- corner origins and axis orders of other libraries are converted where they are called.

All fields are float64 arrays (or scalars) that broadcast against each other.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ScanPoints:
    """Places in one strip raster: fractional `line` (slow axis) and `sample` (fast axis), centres at integers."""

    line: Array
    sample: Array


@dataclass(frozen=True, slots=True, eq=False)
class FilmPoints:
    """Places on the film as measured (distorted), in millimetres from the centre of the format."""

    x_mm: Array
    y_mm: Array


@dataclass(frozen=True, slots=True, eq=False)
class GroundPoints:
    """Places on the Moon: degrees, and kilometres above the sphere of `moon.RADIUS_KM`."""

    lon_deg: Array
    lat_deg: Array
    height_km: Array


@dataclass(frozen=True, slots=True, eq=False)
class MapPoints:
    """Places in a map projection: metres east and north of its origin."""

    easting_m: Array
    northing_m: Array
