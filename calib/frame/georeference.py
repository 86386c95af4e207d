"""Checks of coordinate systems and terrain models: whether they are on the Moon and usable."""

import math
import warnings
from pathlib import Path

import rasterio
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.errors import NotGeoreferencedWarning, RasterioError

from calib.errors import InputError
from calib.frame.document import Document
from calib.frame.files import existing, is_within
from calib.frame.words import quoted
from calib.moon import RADIUS_KM

Radii = tuple[float, float]
RADIUS_M = RADIUS_KM * 1000
SPHERE_TOLERANCE_M = 1.0  # of the radius: rounded figures pass, other bodies do not
DEM_KEY = ("terrain", "dem")


def check_map_crs(text: str, document: Document) -> None:
    """Raise `InputError` unless `text` is a map projection of the Moon's sphere in metres that PROJ can read."""
    place = ("map", "crs")
    crs = _crs_of(text)
    if crs is None:
        raise document.mistake(place, f"{quoted(text)}, which PROJ does not read", "a map projection known to PROJ")
    if not crs.is_projected:
        raise document.mistake(place, f"{quoted(text)}, which is no map projection", "a projection with axes in metres")
    units = {axis.unit_name for axis in crs.axis_info[:2]}
    if units != {"metre"}:
        raise document.mistake(place, f"axes in {' and '.join(sorted(units))}", "a projection with axes in metres")
    radii = _radii_m(crs)
    if _off_sphere_m(radii) > SPHERE_TOLERANCE_M:
        expected = f"the Moon's sphere, {RADIUS_M:.0f} m within {SPHERE_TOLERANCE_M:g} m"
        raise document.mistake(place, _body(radii), expected)


def check_dem(written: str, document: Document) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """The files of the terrain model, the one given first, and a line for each oddity; only its header is read.

    Raises `InputError` if it does not exist, is no raster, is not georeferenced, is not on the Moon, or refers to files
    outside the package.
    """
    expected = "a georeferenced raster"
    path = existing(written, document.root, document.file_of(DEM_KEY), ".".join(DEM_KEY), expected)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            with rasterio.open(path) as dataset:
                files = tuple(Path(file) for file in dataset.files)
                crs, placed, bands = dataset.crs, not dataset.transform.is_identity, dataset.count
    except RasterioError as error:
        raise InputError(path, "terrain.dem", "a file that cannot be read as a raster", expected) from error
    outside = [file for file in files if not is_within(document.root, file)]
    if outside:
        found = f"a raster that takes its data from {quoted(str(outside[0]))}"
        raise InputError(path, "terrain.dem", found, "data inside the parent of the frame's folder")
    if crs is None or not placed:
        raise InputError(path, "terrain.dem", "a raster without georeference", expected)
    radii = _radii_m(_crs_of(crs.to_wkt()))
    if _off_sphere_m(radii) > SPHERE_TOLERANCE_M:
        raise InputError(path, "terrain.dem", _body(radii), f"a raster on the Moon's sphere of {RADIUS_M:.0f} m")
    odd = (f"{path.name} has {bands} bands; the first is taken for the heights",) if bands > 1 else ()
    return tuple(dict.fromkeys((path, *files))), odd


def _crs_of(text: str) -> CRS | None:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # deprecated forms of a CRS are accepted
            return CRS.from_user_input(text)
    except CRSError:
        return None


def _radii_m(crs: CRS | None) -> Radii | None:
    """Equatorial and polar radius of the body of a coordinate system, in metres; None if unknown."""
    if crs is None or crs.ellipsoid is None:
        return None
    return crs.ellipsoid.semi_major_metre, crs.ellipsoid.semi_minor_metre


def _off_sphere_m(radii: Radii | None) -> float:
    """Largest difference of a body's radii from that of the Moon's sphere, in metres; infinite if they are unknown."""
    return math.inf if radii is None else max(abs(radius - RADIUS_M) for radius in radii)


def _body(radii: Radii | None) -> str:
    if radii is None:
        return "a coordinate system that says nothing of its body"
    return f"an ellipsoid of {radii[0]:.0f} m by {radii[1]:.0f} m"
