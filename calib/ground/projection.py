"""Map projections of the Moon's sphere, forward and inverse: the only interface to PROJ's conventions.

Axis order is (east, north) and (longitude, latitude) throughout; places that PROJ cannot map are NaN. A projection
whose easting is linear in longitude (cylindrical ones, and longitude itself) is periodic and has no edge: an easting
one circumference farther is the same place, so that a map may lie across the antimeridian.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pyproj
from pyproj.exceptions import CRSError, ProjError

from calib.coordinates import Array, GroundPoints, MapPoints
from calib.moon import RADIUS_KM

RADIUS_TOLERANCE_M = 1.0  # accepts rounded values of the Moon's radius and rejects other bodies
# Tolerance, of the radius, of inverse and forward projection; a place that does not return is off the map. PROJ's
# transverse Mercator on a sphere loses digits to an arc cosine near the equator, up to 3e-8 of the radius.
ROUND_TRIP = 1e-7


@dataclass(frozen=True, slots=True)
class Projection:
    """A coordinate reference system on the Moon's sphere: `name` as it was given, and its full definition.

    `east_per_degree` and `east_of_zero` describe a map without an edge: easting = east_of_zero + east_per_degree *
    longitude; they are 0 for all others. Units are metres, or degrees if the system is geographic.
    """

    name: str
    wkt: str
    east_per_degree: float
    east_of_zero: float
    is_geographic: bool

    @property
    def period(self) -> float:
        """Easting of one turn around the Moon; 0 where the map has an edge."""
        return 360.0 * abs(self.east_per_degree)


def read_projection(text: str) -> Projection | str:
    """The projection given by a text (a code, a PROJ string, WKT), or the reason why it cannot be used."""
    try:
        crs = pyproj.CRS.from_user_input(text)
    except CRSError:
        return "a text that PROJ cannot read"
    return moon_fault(crs) or _described(text, crs)


def moon_fault(crs: pyproj.CRS) -> str:
    """The reason why a reference system is not on the Moon's sphere; empty if it is."""
    if crs.ellipsoid is None or crs.prime_meridian is None or len(crs.axis_info) < 2:
        return "a system without a body"
    radii = (crs.ellipsoid.semi_major_metre, crs.ellipsoid.semi_minor_metre)
    if max(abs(radius - 1000 * RADIUS_KM) for radius in radii) > RADIUS_TOLERANCE_M:
        return f"a body of radii {radii[0]:.10g} m and {radii[1]:.10g} m"
    if crs.prime_meridian.longitude != 0.0:
        return f"a prime meridian at {crs.prime_meridian.longitude:g} deg"
    unit = np.pi / 180 if crs.is_geographic else 1.0
    if any(not np.isclose(axis.unit_conversion_factor, unit) for axis in crs.axis_info[:2]):
        return f"the unit {crs.axis_info[0].unit_name}"
    return ""


def _described(name: str, crs: pyproj.CRS) -> Projection | str:
    wkt = crs.to_wkt()
    try:
        per_degree, of_zero = _linear_easting(wkt)
    except ProjError:
        return "a system that PROJ cannot project to"
    return Projection(name, wkt, per_degree, of_zero, bool(crs.is_geographic))


def _linear_easting(wkt: str) -> tuple[float, float]:
    """Easting per degree of longitude and at longitude 0, if the same linear function at every latitude; else zeros."""
    lon = np.arange(-180.0, 180.0, 10.0)
    rows = [_transformer(wkt).transform(lon, np.full_like(lon, lat))[0] for lat in (0.0, 50.0, -20.0)]
    if not np.isfinite(rows).all():
        return 0.0, 0.0
    step = np.diff(rows[0])
    per_step = float(np.median(step))
    regular = np.isclose(step, per_step, rtol=1e-9, atol=0)
    same = np.allclose(rows, rows[0], rtol=1e-12, atol=1e-6)
    if per_step == 0 or not same or np.count_nonzero(~regular) > 1:
        return 0.0, 0.0
    return per_step / 10, float(rows[0][18])


@cache
def _transformer(wkt: str) -> pyproj.Transformer:
    """From (longitude, latitude) of the system's own sphere to (east, north)."""
    crs = pyproj.CRS.from_wkt(wkt)
    return pyproj.Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)


def project(projection: Projection, ground: GroundPoints, near_east: float = 0.0) -> MapPoints:
    """Map coordinates of places; in a periodic projection the equivalent easting nearest to `near_east`."""
    lon, lat = np.broadcast_arrays(np.asarray(ground.lon_deg, np.float64), np.asarray(ground.lat_deg, np.float64))
    east, north = _transformer(projection.wkt).transform(lon, lat)
    east, north = _finite(east), _finite(north)
    if projection.period:
        east = projection.east_of_zero + projection.east_per_degree * lon
        east = east + projection.period * np.round((near_east - east) / projection.period)
    return MapPoints(east, north)


def unproject(projection: Projection, places: MapPoints) -> GroundPoints:
    """Places on the sphere (height 0) of map coordinates, longitude in [-180, 180); NaN off the edge of the map."""
    east, north = np.broadcast_arrays(
        np.asarray(places.easting_m, np.float64), np.asarray(places.northing_m, np.float64)
    )
    turned = east
    if projection.period:
        turns = np.floor((east - projection.east_of_zero) / projection.period + 0.5)
        turned = east - projection.period * turns
    transformer = _transformer(projection.wkt)
    lon, lat = transformer.transform(turned, north, direction="INVERSE")
    lon, lat = _finite(lon), _finite(lat)
    if projection.period:
        lon = (turned - projection.east_of_zero) / projection.east_per_degree
    again = project(projection, GroundPoints(lon, lat, np.zeros_like(lat)), 0.0)
    tolerance = ROUND_TRIP * (90.0 if projection.is_geographic else 1000 * RADIUS_KM)
    off_east = again.easting_m - turned
    if projection.period:
        off_east = off_east - projection.period * np.round(off_east / projection.period)
    same = (np.abs(off_east) <= tolerance) & (np.abs(again.northing_m - north) <= tolerance)
    lon, lat = np.where(same, lon, np.nan), np.where(same, lat, np.nan)
    return GroundPoints((lon + 180.0) % 360.0 - 180.0, lat, np.zeros_like(lat))


def _finite(values: Array) -> Array:
    return np.where(np.isfinite(values), values, np.nan)
