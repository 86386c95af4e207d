"""The Moon: its radius, the orientation of its mean-Earth axes in space, and its sub-solar point.

Longitudes are positive east, in the range -180 (inclusive) to 180 degrees (exclusive); latitudes are planetocentric.
"""

from dataclasses import dataclass
from datetime import UTC, datetime

import erfa
import numpy as np

from calib.coordinates import Array
from calib.errors import CalibError
from calib.published import constants

RADIUS_KM: float = constants("moon")["body"]["radius_km"]

_FIRST_YEAR, _LAST_YEAR = 1960, 2099  # UTC begins in 1960; epv00 is fitted to 1900-2100


@dataclass(frozen=True, slots=True)
class SubsolarPoint:
    """The place with the Sun in the zenith, and the Sun's distance.

    `lon_deg` east in [-180, 180), `lat_deg` planetocentric, `distance_au` from the Moon's centre.
    """

    lon_deg: float
    lat_deg: float
    distance_au: float


@dataclass(frozen=True, slots=True)
class Orientation:
    """Pole (right ascension, declination) and prime meridian W of the mean-Earth axes; W is not reduced to 360."""

    pole_ra_deg: float
    pole_dec_deg: float
    meridian_deg: float


def orientation(tdb_days: float) -> Orientation:
    """The published rotation series at `tdb_days` from JD 2451545.0 (Archinal et al. 2018; `reference/moon.toml`)."""
    series = constants("moon")["rotation"]
    terms = series["terms"]
    centuries = tdb_days / 36525.0
    angle = np.radians([term["phase"] + term["rate"] * tdb_days for term in terms])
    ra = np.polynomial.polynomial.polyval(centuries, series["pole_ra"])
    dec = np.polynomial.polynomial.polyval(centuries, series["pole_dec"])
    meridian = np.polynomial.polynomial.polyval(tdb_days, series["meridian"])
    return Orientation(
        pole_ra_deg=float(ra + np.dot([term["ra"] for term in terms], np.sin(angle))),
        pole_dec_deg=float(dec + np.dot([term["dec"] for term in terms], np.cos(angle))),
        meridian_deg=float(meridian + np.dot([term["w"] for term in terms], np.sin(angle))),
    )


def rotation_to_moon(tdb_days: float) -> Array:
    """Rotation (3, 3) from the celestial (ICRF) axes to the Moon's mean-Earth axes: ``v_moon = R v_celestial``.

    R = R3(W) R1(90 - declination) R3(90 + right ascension), the standard reading of pole and prime meridian.
    """
    axes = orientation(tdb_days)
    rotation = erfa.rz(np.radians(90.0 + axes.pole_ra_deg), np.eye(3))
    rotation = erfa.rx(np.radians(90.0 - axes.pole_dec_deg), rotation)
    return np.asarray(erfa.rz(np.radians(axes.meridian_deg % 360.0), rotation))


def terrestrial_time(time: datetime) -> tuple[float, float]:
    """Coordinated universal time to terrestrial time, a two-part Julian date (days).

    The ufuncs of erfa return the "dubious year" state as a number (+1: a leap second not yet announced may be
    missing, at most a second or two); only dates without UTC are refused.

    Raises:
        CalibError: `time` has no time zone, or is before 1960 or after 2099.
    """
    if time.tzinfo is None:
        raise CalibError(f"mid_time {time.isoformat()}: found no time zone, expected universal time (UTC)")
    utc = time.astimezone(UTC)
    if not _FIRST_YEAR <= utc.year <= _LAST_YEAR:
        raise CalibError(f"mid_time {utc.isoformat()}: expected a year from {_FIRST_YEAR} to {_LAST_YEAR}")
    seconds = utc.second + utc.microsecond * 1e-6
    day, fraction, _ = erfa.ufunc.dtf2d(b"UTC", utc.year, utc.month, utc.day, utc.hour, utc.minute, seconds)
    day, fraction, _ = erfa.ufunc.utctai(day, fraction)
    day, fraction, _ = erfa.ufunc.taitt(day, fraction)
    return float(day), float(fraction)


def sun_from_moon(tt: tuple[float, float]) -> tuple[Array, float]:
    """Apparent direction (3,) of the Sun seen from the Moon's centre in celestial axes, and its distance in au.

    Light time: the Sun is taken where it was earlier by the light time of one au (it moves 7 km, 3e-6 deg, meanwhile;
    the deviation of the distance from one au does not matter). Aberration (0.0057 deg): by the Moon's barycentric
    velocity. The difference between terrestrial and barycentric dynamical time (below 2 ms) is neglected: 4e-7 deg of
    rotation. Earth: erfa.epv00; Moon: erfa.moon98, both accurate here to about 15 km of 1.5e8 km.
    """
    _, earth = erfa.epv00(*tt)
    moon = erfa.moon98(*tt)
    position, velocity = earth["p"] + moon["p"], earth["v"] + moon["v"]
    light_days_per_au = erfa.AULT / erfa.DAYSEC
    toward_sun = _sun(tt, light_days_per_au) - position
    distance = float(np.linalg.norm(toward_sun))
    beta = velocity * light_days_per_au
    apparent = erfa.ab(toward_sun / distance, beta, distance, np.sqrt(1.0 - beta @ beta))
    return np.asarray(apparent), distance


def _sun(tt: tuple[float, float], light_days: float) -> Array:
    """Barycentric position of the Sun (3,), au, at `light_days` before `tt`."""
    heliocentric, barycentric = erfa.epv00(tt[0], tt[1] - light_days)
    return np.asarray(barycentric["p"] - heliocentric["p"])


def subsolar_point(mid_time: datetime) -> SubsolarPoint:
    """Apparent sub-solar point on the mean-Earth axes at an instant of universal time.

    Accurate to 0.005 deg against integrated librations, the error of the published rotation series.

    Raises:
        CalibError: see `terrestrial_time`.
    """
    tt = terrestrial_time(mid_time)
    direction, distance = sun_from_moon(tt)
    x, y, z = rotation_to_moon(tt[0] - erfa.DJ00 + tt[1]) @ direction
    lon = np.degrees(np.arctan2(y, x))
    return SubsolarPoint(
        lon_deg=float((lon + 180.0) % 360.0 - 180.0),
        lat_deg=float(np.degrees(np.arctan2(z, np.hypot(x, y)))),
        distance_au=distance,
    )
